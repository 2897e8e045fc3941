// What every view is given, and the small things that several of them need.
import { Refused } from "./api";
import { el, put, sentence, type Child } from "./dom";
import type { Watch } from "./state";
import { text } from "./text";

/** A view: it fills its root, and returns what undoes everything else that it began. */
export interface View {
  name: string;
  show(root: HTMLElement, app: App): () => void;
}

export interface App {
  watch: Watch;
  operator: boolean;
  /** Says something once, aloud for screen readers. */
  announce(words: Child, bad?: boolean): void;
  /** Adds a single key of the view that is shown. */
  key(key: string, f: () => void): void;
}

/** What went wrong, in words: a refusal in the server's. */
export function why(e: unknown): Child {
  if (e instanceof TypeError) return text.unreachable;
  return sentence(e instanceof Error ? e.message : String(e));
}

/** Does something that may fail and says so where it does. */
export async function attempt(app: App, f: () => Promise<void>): Promise<void> {
  try {
    await f();
  } catch (e) {
    app.announce([text.failed, why(e)], true);
  }
}

/** Fills node with what a request answers, or with why it does not, with a way to ask again. */
export async function fillWith<T>(node: HTMLElement, ask: () => Promise<T>, show: (answer: T) => Child, still: () => boolean = () => true): Promise<void> {
  if (!node.hasChildNodes()) put(node, el("p", { class: "soft" }, text.loading));
  node.setAttribute("aria-busy", "true");
  try {
    const answer = await ask();
    if (still()) put(node, show(answer));
  } catch (e) {
    if (still()) {
      const refused = e instanceof Refused && e.status === 422;
      put(node, el("div", { class: refused ? "empty" : "remark bad" }, el("p", null, why(e)),
        !refused && el("button", { onclick: () => fillWith(node, ask, show, still) }, text.retry)));
    }
  } finally {
    node.removeAttribute("aria-busy");
  }
}

/** A window over the page; it returns the function that closes it. */
export function dialog(heading: string, content: Child, closed?: () => void): () => void {
  const before = document.activeElement as HTMLElement | null;
  const title = el("h2", { id: "dialog-title" }, heading);
  const node = el("dialog", { "aria-labelledby": "dialog-title" },
    el("div", { class: "row middle" }, title, el("button", { onclick: () => node.close() }, text.close)), content);
  node.addEventListener("close", () => {
    node.remove();
    before?.focus();
    closed?.();
  });
  document.body.append(node);
  node.showModal();
  return () => node.close();
}

/** Calls f at most every ms, the last call included. */
export function throttle(ms: number, f: () => void): () => void {
  let timer = 0, last = 0;
  return () => {
    if (timer) return;
    timer = window.setTimeout(() => {
      timer = 0;
      last = performance.now();
      f();
    }, Math.max(0, ms - (performance.now() - last)));
  };
}
