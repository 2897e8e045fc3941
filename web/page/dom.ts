// Elements, built without markup: whatever a user typed reaches the page as text only.
import { text } from "./text";

export type Child = Node | string | number | null | undefined | false | Child[];

export type Attributes = {
  class?: string | null;
  [name: string]: string | number | boolean | null | undefined | ((event: any) => void);
};

function fill(node: Element, attributes: Attributes | null, children: Child[]): void {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (typeof value === "function") node.addEventListener(name.slice(2), value as EventListener);
    else node.setAttribute(name, value === true ? "" : String(value));
  }
  add(node, children);
}

function add(node: Element, child: Child): void {
  if (Array.isArray(child)) for (const c of child) add(node, c);
  else if (child instanceof Node) node.append(child);
  else if (child !== null && child !== undefined && child !== false) node.append(String(child));
}

/** An element with attributes, listeners (`onclick`) and children; strings become text nodes. */
export function el<K extends keyof HTMLElementTagNameMap>(tag: K, attributes?: Attributes | null, ...children: Child[]): HTMLElementTagNameMap[K] {
  const node = document.createElement(tag);
  fill(node, attributes ?? null, children);
  return node;
}

/** An SVG element. */
export function svg(tag: string, attributes?: Attributes | null, ...children: Child[]): SVGElement {
  const node = document.createElementNS("http://www.w3.org/2000/svg", tag);
  fill(node, attributes ?? null, children);
  return node;
}

/** Puts children in place of all that node holds. */
export function put(node: Element, ...children: Child[]): void {
  node.replaceChildren();
  add(node, children);
}

/** Puts children in place of all that node holds; what was scrolled aside stays so. */
export function renew(node: Element, ...children: Child[]): void {
  const aside = node.querySelector(".scroll")?.scrollLeft ?? 0;
  put(node, ...children);
  if (aside) node.querySelector(".scroll")?.scrollTo({ left: aside });
}

/** Sets text only where it differs, so that nothing is laid out anew for nothing. */
export function say(node: Node, text: string): void {
  if (node.textContent !== text) node.textContent = text;
}

/** A sentence that the server wrote, marked as being in its language. */
export function sentence(words: string): HTMLElement {
  return el("span", { class: "user", lang: "en" }, words);
}

/** A table: heads, then rows of cells. The caption names it for those who cannot see it. */
export function table(caption: string, heads: Child[], rows: Child[][], className = ""): HTMLElement {
  return el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": caption },
    el("table", { class: className },
      el("caption", { class: "unseen" }, caption),
      el("thead", null, el("tr", null, heads.map((h) => el("th", { scope: "col" }, h)))),
      el("tbody", null, rows.map((r) => el("tr", null, r.map((c, i) => (i === 0 ? el("th", { scope: "row" }, c) : el("td", { class: typeof c === "string" && c.length < 40 && /^[−–<\d]/.test(c) ? "num" : null }, c))))))),
    rows.some((r) => r.some((c) => typeof c === "string" && c.includes("±"))) ? plusMinus() : null);
}

/** Says below a table what stands behind its ±. */
export function plusMinus(): HTMLElement {
  return el("p", { class: "soft small" }, text.plusMinus);
}

let serial = 0;

/** An id that no other element has. */
export function fresh(prefix: string): string {
  return `${prefix}-${++serial}`;
}

/** A labelled control. */
export function field(label: string, control: HTMLElement): HTMLElement {
  control.id ||= fresh("field");
  return el("div", { class: "field" }, el("label", { for: control.id }, label), control);
}

/** A choice among options, [value, words] each. */
export function select(options: [string, string][], chosen: string, changed: (value: string) => void): HTMLSelectElement {
  const node = el("select", { onchange: () => changed(node.value) },
    options.map(([value, words]) => el("option", { value, selected: value === chosen }, words)));
  return node;
}
