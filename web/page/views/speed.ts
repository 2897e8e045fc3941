// Line speed: the seal times against what the line's cycle leaves for them.
import type { AlignedData } from "uplot";
import { get, query } from "../api";
import { fillWith, type View } from "../app";
import { host, Plot } from "../chart";
import { el, field, put, select, sentence, svg, table } from "../dom";
import { interval, number } from "../format";
import { stateMark } from "../mark";
import { text, word } from "../text";
import type { LineSpeed, LineSpeeds } from "../types";

export const speed: View = {
  name: "speed",
  show(root, app) {
    let alive = true, at = 0, plots: Plot[] = [];
    const clear = () => {
      plots.forEach((p) => p.end());
      plots = [];
    };
    const rate = el("input", { type: "number", min: 0.1, step: "any", value: app.watch.trial.requirement?.picks_per_minute ?? 30 });
    const limit = el("input", { type: "number", min: 1, step: "any", placeholder: text.speed.automatic });
    const body = el("div", { class: "panel" });
    const read = () => fillWith<LineSpeeds>(body, () => get<LineSpeeds>(query("line-speed", { rate: rate.value + " /min", limit: limit.value ? limit.value + " ms" : undefined })), (x) => {
      if (x.line_speed.length === 0) return el("p", { class: "empty" }, text.speed.none);
      const detail = el("div");
      const show = (i: number) => {
        at = i;
        clear();
        put(detail, one(x.line_speed[i], (p) => alive && plots.push(p)));
      };
      const name = (v: LineSpeed) => [v.setup, v.station].filter((s) => s).join(" · ");
      show(Math.min(at, x.line_speed.length - 1));
      return [
        table(text.speed.heading, [text.picks.setup, text.speed.verdict, text.speed.over, text.speed.bounds, text.speed.budget, text.speed.tail],
          x.line_speed.map((v) => [name(v), v.verdict ? stateMark(v.verdict) : text.none, text.speed.overOf(v.over, v.picks), bounds(v), ms(v.limit_s), ms(v.tail_s)])),
        field(text.speed.show, select(x.line_speed.map((v, i): [string, string] => [String(i), name(v)]), String(at), (v) => show(Number(v)))), detail];
    }, () => alive);
    root.append(el("section", { class: "panel" }, el("h2", null, text.speed.heading),
      el("form", { class: "row", onsubmit: (e: Event) => { e.preventDefault(); read(); } }, field(text.speed.rate, rate), field(text.speed.limit, limit), el("button", null, text.speed.ask)), body));
    read();
    return () => {
      alive = false;
      clear();
    };
  },
};

const bounds = (v: LineSpeed) => (v.over_share_lo === null && v.over_share_hi === null ? text.none : interval(v.over_share_lo, v.over_share_hi, "%", 100));
const ms = (s: number | null) => number(s === null ? null : s * 1e3, "ms");

function one(v: LineSpeed, made: (p: Plot) => void): HTMLElement {
  const canvas = host("mid");
  const times = v.seal_times_s.filter((x): x is number => x !== null).sort((a, b) => a - b);
  if (times.length > 0) requestAnimationFrame(() => made(distribution(canvas, v, times)));
  const most = Math.max(...v.phases.map((p) => p.longest_s ?? 0), 1e-9);
  const width = (s: number | null) => `${(100 * (s ?? 0)) / most}%`;
  return el("div", { class: "panel" },
    el("div", { class: "row middle" }, el("h3", { class: "user" }, [v.setup, v.station].filter((x) => x).join(" · ")), v.verdict ? stateMark(v.verdict) : null),
    el("div", { class: "pair" }, el("div", null, times.length ? canvas : el("p", { class: "empty" }, text.speed.none)),
      el("div", null,
        el("dl", { class: "last" }, ([[text.speed.budget, ms(v.limit_s)], [text.speed.budgetFrom, word(v.limit_from)], [text.speed.cycle, number(v.cycle_s, "s")], [text.speed.counted, word(v.seal_from)],
          [text.speed.over, text.speed.overOf(v.over, v.picks)], [text.speed.bounds, bounds(v)],
          [text.speed.unsure, String(v.unsure)], [text.speed.tail, ms(v.tail_s)]] as [string, string][]).map(([a, b]) => el("div", null, el("dt", null, a), el("dd", null, b)))),
        el("h3", null, text.speed.switchPoints),
        el("dl", { class: "last" }, ([[text.speed.on, v.part_present_on_kPa], [text.speed.off, v.part_present_off_kPa], [text.speed.released, v.released_kPa]] as [string, number | null][])
          .map(([a, b]) => el("div", null, el("dt", null, a), el("dd", null, number(b, "kPa"))))))),
    v.phases.length ? [el("h3", null, text.speed.phases),
      el("div", { class: "bars phases", "aria-hidden": "true" }, v.phases.map((p) => [el("span", null, word(p.name)),
        svg("svg", null, svg("rect", { class: "c6", y: "35%", height: "30%", width: width(p.longest_s) }), svg("rect", { class: "c0", height: "100%", width: width(p.median_s) })),
        el("span", null, ms(p.median_s))])),
      table(text.speed.phases, [text.speed.phase, text.speed.picks, text.speed.median, text.speed.p95, text.speed.longest, text.speed.counts],
        v.phases.map((p) => [word(p.name), String(p.picks), ms(p.median_s), ms(p.p95_s), ms(p.longest_s), p.in_seal_time ? text.speed.inSeal : ""]))] : null,
    v.remarks.map((r) => el("p", { class: "remark" }, sentence(r))));
}

/** The share of picks that have sealed by each time: a step at every seal time. */
function distribution(canvas: HTMLElement, v: LineSpeed, times: number[]): Plot {
  const limit = v.limit_s === null ? null : v.limit_s * 1e3;
  const xs = [0, ...times.map((t) => t * 1e3)], ys = [0, ...times.map((_, i) => (100 * (i + 1)) / times.length)];
  const end = Math.max(xs[xs.length - 1], limit ?? 0) * 1.08;
  xs.push(end);
  ys.push(100);
  return new Plot(canvas, {
    label: text.speed.distributionOf(v.station, v.setup ?? ""), x: text.speed.xAxis, y: text.speed.yAxis,
    lines: [{ label: text.speed.distribution, colour: "trace", width: 3, step: true }],
    yRange: () => [0, 104], xRange: () => [0, end],
    levels: () => (limit === null ? [] : [{ at: limit, words: `${text.speed.budget} ${number(limit, "ms")}`, down: true }]),
  }, [xs, ys] as AlignedData);
}
