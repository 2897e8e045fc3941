// Setups in words and in short.
import { setupColours, setupDash } from "./chart";
import { el, svg } from "./dom";
import type { Setup, Trial } from "./types";

/** The levels of a setup that its name does not say already. */
export function levels(s: Setup | undefined): string {
  if (!s) return "";
  return [s.bag, s.cups > 1 ? `${s.cups} × ${s.cup}` : s.cup, s.placement, s.tilt, s.engine, s.engine_setting].filter((x) => x && !s.name.includes(x)).join(" · ");
}

/** The run that was begun last, if it is complete and none is in progress. */
export const completed = (t: Trial, running: number) => (running > 0 ? undefined : t.runs.filter((r) => r.start_s !== null && r.status === "done").sort((a, b) => b.start_s! - a.start_s!)[0]);

/** A setup's place in the trial, which gives its colour, dash and letter. */
export const place = (t: Trial, name: string) => Math.max(0, t.setups.findIndex((s) => s.name === name));

/** A setup's name, or a letter for a long one, which the key explains. */
export function short(t: Trial, name: string): string {
  if (name.length <= 12) return name;
  const i = place(t, name);
  return i < 26 ? String.fromCharCode(65 + i) : `S${i + 1}`;
}

/** A line in the colour and dash of place i. */
export function sample(i: number): SVGElement {
  return svg("svg", { class: "sample", viewBox: "0 0 36 12", "aria-hidden": "true" }, svg("line", { x1: 0, y1: 6, x2: 36, y2: 6, class: "c" + (i % setupColours), "stroke-width": 4, "stroke-dasharray": (setupDash(i) ?? []).join(" ") || null }));
}

/** A setup in short with its line; the whole name on demand and for screen readers. */
export function tag(t: Trial, name: string): HTMLElement {
  const s = short(t, name);
  return el("span", { class: "tag", title: name }, sample(place(t, name)), el("span", { "aria-hidden": s === name ? null : "true" }, s), s === name ? null : el("span", { class: "unseen" }, name));
}

/** The key to all setups of a trial. */
export function key(t: Trial, names: string[] = t.setups.map((s) => s.name)): HTMLElement {
  return el("ul", { class: "key" }, names.map((n) => el("li", null, sample(place(t, n)), short(t, n) === n ? null : el("strong", null, short(t, n)), el("span", { class: "user" }, n), el("span", { class: "soft user" }, levels(t.setups.find((x) => x.name === n))))));
}
