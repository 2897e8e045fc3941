// Soak: figures and drops over hours, with bounds and marks of change.
import type { AlignedData } from "uplot";
import { get } from "../api";
import { fillWith, throttle, type View } from "../app";
import { colour, host, Plot } from "../chart";
import { el, field, put, select, table } from "../dom";
import { duration, figure, interval, number, pValue, stated } from "../format";
import { stateMark } from "../mark";
import { text, word } from "../text";
import type { Measure, Soak, Soaks, SoakTrend } from "../types";

export const soak: View = {
  name: "soak",
  show(root, app) {
    let alive = true, at = 0, measure = "", plots: Plot[] = [];
    const body = el("div", { class: "panel" });
    const clear = () => {
      plots.forEach((p) => p.end());
      plots = [];
    };
    const named = (name: string): Measure | undefined => app.watch.trial.measures.find((m) => m.name === name);
    const words = (name: string) => word(named(name)?.words ?? name);
    let last: Soaks | null = null;
    const show = (x: Soaks) => {
      last = x;
      if (x.runs.length === 0) return el("p", { class: "empty" }, text.soak.none);
      at = Math.min(at, x.runs.length - 1);
      const r = x.runs[at], series = r.series.find((s) => s.measure === measure) ?? r.series[0];
      const trendCanvas = host("mid"), dropCanvas = host("mid");
      requestAnimationFrame(() => {
        if (!alive) return;
        clear();
        if (series) plots.push(trendPlot(trendCanvas, r, series.measure, words(series.measure)));
        plots.push(dropPlot(dropCanvas, r));
      });
      const again = () => last && put(body, show(last));
      return [
        el("div", { class: "row" },
          field(text.soak.run, select(x.runs.map((q, i): [string, string] => [String(i), [q.setup, q.station].filter((s) => s).join(" · ")]), String(at), (v) => {
            at = Number(v);
            again();
          })),
          r.series.length ? field(text.soak.measure, select(r.series.map((s): [string, string] => [s.measure, words(s.measure)]), series?.measure ?? "", (v) => {
            measure = v;
            again();
          })) : null),
        el("p", { class: "lead" }, text.soak.summary(r.picks, r.hours === null ? text.none : duration(r.hours * 3600), r.dropped)),
        el("p", null, `${text.soak.rate}: ${number(r.picks_per_minute, "/min")}; ${text.soak.slowest}: ${number(r.picks_per_minute_slowest_hour, "/min")}`, r.rate ? [" ", stateMark(r.rate)] : "",
          `; ${text.soak.stops}: ${r.stops}, ${text.soak.stopped} ${duration(r.stopped_s)}, ${text.soak.longest} ${duration(r.longest_stop_s)}`),
        series ? [el("h3", null, words(series.measure)), trendCanvas] : null,
        el("h3", null, `${text.soak.drops}: ${figureOf(r)}`), dropCanvas,
        r.trends.length === 0 ? null : table(text.soak.heading, [text.soak.measure, text.soak.slope, text.compare.interval, text.soak.pValue, text.soak.level, text.soak.limit, text.soak.reached, text.soak.change],
          r.trends.map((t) => [words(t.measure), figure(t.slope_per_hour, `${t.unit}/h`), t.slope_per_hour ? interval(t.slope_per_hour.lo, t.slope_per_hour.hi, `${t.unit}/h`) : text.none, pValue(t.p),
            number(t.level_now, t.unit, 4), t.limit === null ? text.soak.noneStated : stated(t.limit, t.unit), reached(t),
            t.change_point ? text.soak.changeAt(number(hours([t.change_point.at_h], r)[0], span(r)[1]), number(t.change_point.before, t.unit, 4), number(t.change_point.after, t.unit, 4)) : text.none])),
        r.warnings.map((q) => el("p", { class: "remark" }, word(q)))];
    };
    const read = () => fillWith<Soaks>(body, () => get<Soaks>("soak"), show, () => alive);
    const soon = throttle(10000, () => {
      if (!body.contains(document.activeElement)) read();
    });
    root.append(el("section", { class: "panel" }, el("h2", null, text.soak.heading), body));
    read();
    const off = app.watch.on("picks", () => app.watch.state.live && soon());
    return () => {
      alive = false;
      off();
      clear();
    };
  },
};

/** The unit that a run's axis of time is shown in, and what an hour has of it. */
const span = (r: Soak): [perHour: number, unit: string] => ((r.hours ?? 0) >= 2 ? [1, "h"] : (r.hours ?? 0) * 60 >= 2 ? [60, "min"] : [3600, "s"]);
const hours = (at: (number | null)[], r: Soak): number[] => at.map((x) => (x ?? 0) * span(r)[0]);

const figureOf = (r: Soak) => (r.drops_per_1000 ? `${number(r.drops_per_1000.value, text.per1000, 3)} (${interval(r.drops_per_1000.lo, r.drops_per_1000.hi, text.per1000)})` : text.none);

function reached(t: SoakTrend): string {
  if (!t.reached_in_h) return text.none;
  const f = t.reached_in_h;
  return `${number(f.value, "h")} (${f.hi === null ? `${number(f.lo, "h")} … ${text.soak.never}` : interval(f.lo, f.hi, "h")})`;
}

function trendPlot(canvas: HTMLElement, r: Soak, name: string, words: string): Plot {
  const s = r.series.find((x) => x.measure === name)!, t = r.trends.find((x) => x.measure === name);
  return new Plot(canvas, {
    label: text.soak.trendOf(words), x: text.soak.xAxis(span(r)[1]), y: `${words}, ${s.unit}`, zoom: true,
    lines: [{ label: words, colour: "trace", points: true }],
    levels: () => [...(t && t.limit !== null ? [{ at: t.limit, words: `${text.soak.limitMark} ${stated(t.limit, t.unit)}` }] : []),
      ...(t?.change_point && t.change_point.at_h !== null ? [{ at: hours([t.change_point.at_h], r)[0], words: `◆ ${text.soak.stepMark}`, down: true, colour: "bad" }] : [])],
  }, [hours(s.at_h, r), s.median] as AlignedData);
}

function dropPlot(canvas: HTMLElement, r: Soak): Plot {
  const d = r.drops_over_time;
  const most = Math.max(6 * Math.max(0, ...d.per_1000.map((x) => x ?? 0)), 2 * (d.hi[d.hi.length - 1] ?? 1)); // early bounds say little, and would press the rest flat
  return new Plot(canvas, {
    label: text.soak.dropsOf, x: text.soak.xAxis(span(r)[1]), y: text.soak.dropsAxis, zoom: true,
    lines: [{ label: text.soak.bounds, colour: "s4", width: 1 }, { label: text.soak.bounds, colour: "s4", width: 1 }, { label: text.soak.drops, colour: "s1", width: 3, step: true }],
    bands: [{ upper: 1, lower: 2, colour: () => colour("s1") + "33" }],
    yRange: (_min, max) => [0, Math.min(max, most) * 1.05],
  }, [hours(d.at_h, r), d.hi, d.lo, d.per_1000] as AlignedData);
}
