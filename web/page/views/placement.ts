// Placement: the bag with its cups to scale. A lip can be dragged; the server says the gap.
import { post } from "../api";
import { attempt, throttle, why, type View } from "../app";
import { el, field, put, select, sentence, svg, table } from "../dom";
import { fixed, stated } from "../format";
import { mark } from "../mark";
import { text, word } from "../text";
import type { LayoutAnswer, LayoutAsk, Place, SheetAsk } from "../types";

/** The two lips that stand nearest, to draw the line that the server's gap is on. */
function nearest(p: Place[]): number[] {
  let best = Infinity, pair: number[] = [];
  p.forEach((a, i) => p.slice(0, i).forEach((b, j) => {
    const d = Math.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm);
    if (d < best) [best, pair] = [d, [j, i]];
  }));
  return pair;
}

// The last order stays while other views are open.
const order: LayoutAsk = { bags: [{ length_mm: 280, width_mm: 180 }], lip_mm: 45, cups: 4, margin_mm: 6, fill_mm: 0 };
let places: Place[] | null = null;

export const placement: View = {
  name: "placement",
  show(root, app) {
    let alive = true, answer: LayoutAnswer | null = null, asking = false, again = false;
    const draw = el("div"), words = el("div", { class: "panel", role: "status" }), wrong = el("div");
    const read = async () => {
      if (asking) {
        again = true;
        return;
      }
      asking = true;
      // Nothing moves meanwhile: a lip may be under somebody's finger.
      root.setAttribute("aria-busy", "true");
      try {
        answer = await post<LayoutAnswer>("layout", { ...order, places: places ?? undefined });
        if (!alive) return;
        put(wrong);
        picture();
        say();
      } catch (e) {
        put(wrong, el("p", { class: "remark bad" }, why(e)));
      }
      root.removeAttribute("aria-busy");
      asking = false;
      if (again && alive) {
        again = false;
        read();
      }
    };
    const soon = throttle(40, read);
    const input = (words: string, get: () => number | undefined, set: (x: number) => void, min: number) => {
      const node = el("input", {
        type: "number", min, step: "any", value: get() ?? 0, required: true, oninput: () => {
          const x = node.valueAsNumber;
          if (!isFinite(x) || x < min) return;
          set(x);
          places = null;
          soon();
        },
      });
      return field(words, node);
    };
    const bag = order.bags[0];
    let paper = "";
    const title = el("input", { type: "text", maxlength: 120 });
    root.append(
      el("section", { class: "panel", "aria-label": text.placement.heading }, el("h2", null, text.placement.heading),
        el("div", { class: "row" },
          input(text.placement.length, () => bag.length_mm, (x) => (bag.length_mm = x), 1), input(text.placement.width, () => bag.width_mm, (x) => (bag.width_mm = x), 1),
          input(text.placement.fill, () => order.fill_mm, (x) => (order.fill_mm = x), 0), input(text.placement.lip, () => order.lip_mm, (x) => (order.lip_mm = x), 1),
          field(text.placement.cups, select(["1", "2", "3", "4", "6"].map((n): [string, string] => [n, n]), String(order.cups), (v) => {
            order.cups = Number(v);
            places = null;
            read();
          })),
          input(text.placement.margin, () => order.margin_mm, (x) => (order.margin_mm = x), 0),
          el("button", { onclick: () => { places = null; read(); } }, text.placement.reset))),
      wrong,
      el("div", { class: "pair" }, el("section", { class: "panel" }, draw), el("section", { class: "panel" }, words,
        el("h3", null, text.placement.print),
        el("div", { class: "row noprint" }, field(text.placement.paper, select(Object.entries(text.placement.papers), "", (v) => (paper = v))), field(text.placement.title, title),
          el("button", {
            onclick: () => attempt(app, async () => {
              const r = await fetch("/api/v1/layout/sheet", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ ...order, places: places ?? undefined, paper: paper || undefined, title: title.value || undefined } satisfies SheetAsk) });
              if (!r.ok) throw new Error((await r.json()).detail);
              const a = el("a", { href: URL.createObjectURL(await r.blob()), download: "sheet.pdf" });
              a.click();
              URL.revokeObjectURL(a.href);
              app.announce(text.placement.saved);
            }),
          }, text.placement.print)))));

    const cups = () => places ?? answer!.cups.map((c) => ({ x_mm: c.x_mm ?? 0, y_mm: c.y_mm ?? 0 }));
    const move = (i: number, x: number, y: number) => {
      const p = cups().map((c) => ({ ...c }));
      p[i] = { x_mm: Math.round(Math.max(-bag.length_mm / 2, Math.min(bag.length_mm / 2, x)) * 10) / 10, y_mm: Math.round(Math.max(-bag.width_mm / 2, Math.min(bag.width_mm / 2, y)) * 10) / 10 };
      places = p;
      place();
      soon();
    };
    let lips: SVGElement[] = [], labels: SVGElement[] = [], line: SVGElement | null = null;
    const place = () => {
      const p = cups();
      const d = answer!.dragged;
      p.forEach((c, i) => {
        for (const [n, ax, ay] of [[lips[i], "cx", "cy"], [labels[i], "x", "y"]] as [SVGElement, string, string][]) {
          n.setAttribute(ax, String(c.x_mm));
          n.setAttribute(ay, String(-c.y_mm));
        }
        const clash = !!d && d.gap_mm !== null && d.min_gap_mm !== null && d.gap_mm < d.min_gap_mm && nearest(p).includes(i);
        lips[i].setAttribute("class", "lip" + (clash ? " clash" : ""));
        lips[i].setAttribute("aria-label", text.placement.cup(i + 1, fixed(c.x_mm, "mm", 0), fixed(c.y_mm, "mm", 0)));
      });
      const pair = nearest(p);
      if (line) {
        line.setAttribute("visibility", pair.length ? "visible" : "hidden");
        if (pair.length) {
          const [a, b] = [p[pair[0]], p[pair[1]]], d = Math.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm), r = d > 0 ? order.lip_mm / 2 / d : 0;
          const x = (k: number) => a.x_mm + (b.x_mm - a.x_mm) * k, y = (k: number) => -(a.y_mm + (b.y_mm - a.y_mm) * k);
          for (const [k, v] of [["x1", x(r)], ["y1", y(r)], ["x2", x(1 - r)], ["y2", y(1 - r)]] as [string, number][]) line.setAttribute(k, String(v));
        }
      }
    };
    const picture = () => {
      const p = cups();
      if (lips.length === p.length && draw.firstChild && (draw.firstChild as Element).getAttribute("data-of") === sizeKey()) return place();
      const L = bag.length_mm, W = bag.width_mm, a = answer!, edge = Math.max(L, W) * 0.04, size = Math.max(L, W) * 0.035;
      const s = svg("svg", { class: "bag", viewBox: `${-L / 2 - edge} ${-W / 2 - edge} ${L + 2 * edge} ${W + 2 * edge}`, role: "group", "aria-label": text.placement.drawing, "data-of": sizeKey() },
        svg("rect", { class: "film", x: -L / 2, y: -W / 2, width: L, height: W, rx: edge * 0.4 }),
        a.flat_mm ? svg("rect", { class: "flat", x: -(a.flat_mm.length_mm ?? L) / 2, y: -(a.flat_mm.width_mm ?? W) / 2, width: a.flat_mm.length_mm, height: a.flat_mm.width_mm }) : null,
        a.folds_x_mm.map((x) => svg("line", { class: "fold", x1: x, x2: x, y1: -W / 2, y2: W / 2 })), a.folds_y_mm.map((y) => svg("line", { class: "fold", y1: -(y ?? 0), y2: -(y ?? 0), x1: -L / 2, x2: L / 2 })),
        (order.keep_clear ?? []).map((k) => svg("rect", { class: "keep", x: k.x0_mm, y: -k.y1_mm, width: k.x1_mm - k.x0_mm, height: k.y1_mm - k.y0_mm }))) as SVGSVGElement;
      line = svg("line", { class: "gapline" });
      lips = p.map((_, i) => svg("circle", {
        class: "lip", r: order.lip_mm / 2, tabindex: 0, role: "button",
        onpointerdown: (e: PointerEvent) => {
          (e.target as Element).setPointerCapture(e.pointerId);
          (e.target as HTMLElement).focus();
        },
        onpointermove: (e: PointerEvent) => {
          if (!(e.target as Element).hasPointerCapture(e.pointerId)) return;
          const m = s.getScreenCTM()!.inverse(), at = new DOMPoint(e.clientX, e.clientY).matrixTransform(m);
          move(i, at.x, -at.y);
        },
        onkeydown: (e: KeyboardEvent) => {
          const by = e.shiftKey ? 10 : 1, d = { ArrowLeft: [-by, 0], ArrowRight: [by, 0], ArrowUp: [0, by], ArrowDown: [0, -by] }[e.key];
          if (!d) return;
          e.preventDefault();
          const c = cups()[i];
          move(i, c.x_mm + d[0], c.y_mm + d[1]);
        },
      }));
      labels = p.map((_, i) => svg("text", { "font-size": size, "aria-hidden": "true" }, String(i + 1)));
      s.append(line, ...lips, ...labels);
      put(draw, s);
      place();
    };
    const sizeKey = () => [bag.length_mm, bag.width_mm, order.lip_mm, order.cups, order.fill_mm, order.margin_mm].join(" ");
    const say = () => {
      const a = answer!, d = a.dragged;
      const gap = d ? d.gap_mm : a.gap_mm, least = d ? d.min_gap_mm : a.min_gap_mm, fits = d ? d.fits : a.fits, whyNot = d ? d.why_not : a.why_not;
      put(words,
        el("p", null, text.placement.gap, `, ${d ? text.placement.dragged : text.placement.pattern}`),
        el("p", { class: "huge" }, cups().length === 1 ? text.placement.oneCup : fixed(gap, "mm", 1)),
        el("p", null, fits ? mark("✓", "good", text.placement.fits) : mark("✕", "bad", text.placement.fitsNot), whyNot ? [": ", sentence(whyNot)] : "", cups().length > 1 ? `; ${text.placement.minGap(fixed(least, "mm", 1))}` : ""),
        a.largest_lip_mm !== null ? el("p", null, text.placement.largest(fixed(a.largest_lip_mm, "mm", 1))) : null,
        el("p", null, `${text.placement.tilt} ${stated(a.tilt.deg, "°")} ${word(a.tilt.direction)}. `, el("span", { class: "soft" }, sentence(a.tilt.reason), a.tilt.try_deg.length ? `; ${text.placement.tryDeg(a.tilt.try_deg.map((x) => stated(x, "°")).join(", "))}` : "")),
        a.swing_axis ? el("p", null, `${text.placement.swing}: ${word(a.swing_axis.along)}. `, el("span", { class: "soft" }, sentence(a.swing_axis.remark))) : null,
        table(text.placement.positions, [text.placement.cups, text.placement.along, text.placement.across], cups().map((c, i) => [String(i + 1), fixed(c.x_mm, "mm", 1), fixed(c.y_mm, "mm", 1)])),
        el("p", { class: "soft small" }, text.placement.off),
        el("details", null, el("summary", null, text.placement.rules), el("ul", { class: "key" }, a.rules.map((r) => el("li", null, sentence(r))))));
    };
    read();
    return () => (alive = false);
  },
};
