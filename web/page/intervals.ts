// Intervals beside their words, on one axis: rows that stay readable on a phone.
import { setupColours } from "./chart";
import { el, svg, type Child } from "./dom";
import { number } from "./format";

/** One interval. null ends are open. */
export interface Row {
  group?: string; // a heading above the first of its rows
  words: Child;
  value: number | null;
  lo: number | null;
  hi: number | null;
  tone: number; // place of its colour
  shape?: "point" | "diamond"; // beside the colour
  after: Child;
  limit?: number | null; // a mark of its own
}

/** Round steps that part lo to hi into about n. */
export function ticks(lo: number, hi: number, n: number): number[] {
  const raw = (hi - lo) / n, e = 10 ** Math.floor(Math.log10(raw));
  const step = e * (raw / e > 5 ? 10 : raw / e > 2 ? 5 : raw / e > 1 ? 2 : 1);
  const out: number[] = [];
  for (let x = Math.ceil(lo / step) * step; x <= hi + step * 1e-9; x += step) out.push(Math.abs(x) < step * 1e-9 ? 0 : x);
  return out;
}

/** The rows with an axis below; zero is a line through all where it is in range. */
export function intervals(label: string, axis: string, rows: Row[], from?: number): HTMLElement {
  const ends = rows.flatMap((r) => [r.value, r.lo, r.hi, r.limit ?? null]).filter((x): x is number => x !== null && isFinite(x));
  // An interval that is hardly known must not press the others flat.
  const middles = rows.map((r) => Math.abs(r.value ?? 0)).concat(rows.map((r) => Math.abs(r.limit ?? 0)));
  const most = Math.max(...middles, 1e-9) * 3;
  let lo = from ?? Math.max(Math.min(0, ...ends), -most), hi = Math.min(Math.max(0, ...ends), most);
  if (hi - lo <= 0) hi = lo + 1;
  if (from === undefined) lo -= (hi - lo) * 0.04;
  hi += (hi - lo) * 0.04;
  const at = (x: number) => `${(100 * (Math.max(lo, Math.min(hi, x)) - lo)) / (hi - lo)}%`;
  const marks = ticks(lo, hi, 5);
  const back = () => marks.map((x) => svg("line", { class: x === 0 ? "axis" : "grid-line", x1: at(x), x2: at(x), y1: 0, y2: "100%" }));
  const line = (r: Row) => {
    const c = "c" + (r.tone % setupColours);
    const open = (x: number | null, edge: number) => (x === null ? edge : x);
    const a = r.value === null ? null : open(r.lo, lo), b = r.value === null ? null : open(r.hi, hi);
    return svg("svg", { "aria-hidden": "true" }, back(),
      a !== null && (r.lo !== null || r.hi !== null) ? svg("line", { class: (r.lo === null || r.hi === null ? "open-end " : "span ") + c, x1: at(a), x2: at(b!), y1: "50%", y2: "50%" }) : null,
      r.lo !== null && r.lo >= lo ? svg("line", { class: "span " + c, x1: at(r.lo), x2: at(r.lo), y1: "30%", y2: "70%" }) : null,
      r.hi !== null && r.hi <= hi ? svg("line", { class: "span " + c, x1: at(r.hi), x2: at(r.hi), y1: "30%", y2: "70%" }) : null,
      r.limit !== null && r.limit !== undefined ? svg("line", { class: "limit", x1: at(r.limit), x2: at(r.limit), y1: 0, y2: "100%" }) : null,
      r.value === null ? null : r.shape === "diamond" ? svg("svg", { x: at(r.value), y: "50%", overflow: "visible", width: "1em", height: "1em", viewBox: "0 0 16 16" }, svg("path", { class: c, d: "M0-7 7 0 0 7-7 0Z" }))
        : svg("circle", { class: c, cx: at(r.value), cy: "50%", r: "0.38em" }));
  };
  return el("div", { class: "ivals", role: "group", "aria-label": label },
    rows.map((r, i) => [r.group && r.group !== rows[i - 1]?.group ? el("h3", { class: "user" }, r.group) : null, el("div", { class: "ival" }, el("div", { class: "user" }, r.words), line(r), el("div", null, r.after))]),
    el("div", { class: "ival foot", "aria-hidden": "true" }, el("div", { class: "soft" }, axis),
      el("div", { class: "axis-words" }, svg("svg", null, marks.map((x) => svg("text", { x: at(x), y: "1em", "text-anchor": "middle" }, number(x, "", 2))))), el("div")));
}
