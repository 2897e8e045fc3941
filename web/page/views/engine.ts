// Engine: where the leak and the engines' curves cross, at what energy; what if.
import type { AlignedData } from "uplot";
import { post } from "../api";
import { fillWith, throttle, type View } from "../app";
import { colour, host, Plot, setupColour, setupColours, setupDash, type Line } from "../chart";
import { el, field, fresh, put, select, sentence, svg, table, type Child } from "../dom";
import { figure, interval, number, stated } from "../format";
import { mark } from "../mark";
import { sample } from "../setup";
import { text, word } from "../text";
import type { Curves, Engine, EngineAsk, Match } from "../types";

type Key = "required_kPa" | "volume_L" | "picks_per_minute" | "supply_on_s" | "leak_factor" | "ambient_kPa";
/** The sliders: from, to, step, unit, and what the trial has where it is known. */
const sliders: [Key, number, number, number, string][] = [
  ["required_kPa", 2, 85, 0.5, "kPa"], ["leak_factor", 0.2, 5, 0.05, "×"], ["volume_L", 0.02, 4, 0.02, "L"], ["picks_per_minute", 1, 120, 1, "/min"], ["supply_on_s", 0.1, 10, 0.1, "s"], ["ambient_kPa", 75, 105, 0.5, "kPa"],
];

export const engine: View = {
  name: "engine",
  show(root, app) {
    const ask: EngineAsk = {};
    let alive = true, chosen = 0, plot: Plot | null = null, asking = false, again = false;
    const body = el("div", { class: "panel" }), canvas = host("tall");
    const t = app.watch.trial;
    const known: Partial<Record<Key, number | null>> = {
      required_kPa: t.requirement?.vacuum_kPa ?? t.setups[0]?.required_kPa, leak_factor: 1, volume_L: t.stations[0]?.volume_L, picks_per_minute: t.requirement?.picks_per_minute, ambient_kPa: t.ambient_kPa,
    };
    const show = (a: Engine): Child => {
      const all: Engine[] = a.leaks?.length ? a.leaks : [a];
      chosen = Math.min(chosen, all.length - 1);
      const e = all[chosen];
      requestAnimationFrame(() => {
        if (!alive) return;
        plot?.end();
        plot = draw(canvas, e, e.curves);
      });
      return [
        el("p", { class: "lead user" }, e.cheapest ? text.engine.cheapest(e.cheapest, e.shown) : text.engine.noneHolds),
        all.length > 1 ? field(text.engine.leak, select(all.map((x, i): [string, string] => [String(i), x.name ?? String(i + 1)]), String(chosen), (v) => {
          chosen = Number(v);
          put(body, show(a));
        })) : e.name ? el("p", { class: "user" }, `${text.engine.leak} ${e.name}`) : null,
        canvas,
        el("ul", { class: "key" }, el("li", null, svg("svg", { viewBox: "0 0 36 12", "aria-hidden": "true" }, svg("line", { x1: 0, y1: 6, x2: 36, y2: 6, class: "c4", "stroke-width": 4 })), text.engine.leakLine),
          e.engines.map((m, i) => el("li", null, sample(i === 4 ? 8 : i), el("span", { class: "user" }, m.name)))),
        table(text.engine.heading, [text.engine.engine, text.engine.holds, text.engine.works, text.engine.margin, text.engine.seal, text.engine.air, text.engine.power, text.engine.pick, text.engine.year],
          e.engines.map((m) => [[m.name, el("span", { class: "soft small" }, " " + word(m.kind))], holds(m),
            [number(m.operating_vacuum_kPa, "kPa"), el("div", { class: "soft small" }, interval(m.operating_vacuum_lo_kPa, m.operating_vacuum_hi_kPa, "kPa"), m.extrapolated ? `, ${text.engine.extrapolated}` : "")],
            number(m.margin_kPa, "kPa"), figure(m.seal_time_s, "ms", 1e3), number(m.air_Lmin, "L/min ANR"), number(m.power_W, "W"), number(m.energy_per_pick_J, "J"), number(m.energy_per_year_kWh, "kWh")])),
        el("h3", null, text.engine.energy), energyBars(e.engines),
        (a.confirmed ?? []).length ? [el("h3", null, text.engine.confirmed), table(text.engine.confirmed, [text.engine.leak, text.engine.engine, text.engine.predicted, text.engine.measuredAt, text.engine.meet],
          a.confirmed!.map((c) => [c.leak, c.engine, figure(c.predicted_vacuum_kPa, "kPa"), figure(c.measured_vacuum_kPa, "kPa"), c.within === null ? text.none : c.within ? mark("✓", "good", text.engine.yesMeet) : mark("✕", "bad", text.engine.noMeet)]))] : null,
        a.remarks.map((r) => el("p", { class: "remark" }, sentence(r))), e.engines.flatMap((m) => m.warnings.map((x) => el("p", { class: "remark user" }, `${m.name}: ${word(x)}`)))];
    };
    const read = async () => {
      if (asking) {
        again = true;
        return;
      }
      asking = true;
      await fillWith<Engine>(body, () => post<Engine>("engine", ask), show, () => alive);
      asking = false;
      if (again && alive) {
        again = false;
        read();
      }
    };
    const soon = throttle(120, read);
    const resets: (() => void)[] = [];
    const slider = ([key, min, max, step, unit]: (typeof sliders)[number]) => {
      const out = el("output", { id: fresh("out") });
      const input = el("input", { type: "range", min, max, step, value: known[key] ?? (min + max) / 2, "aria-describedby": out.id });
      const say = () => {
        const own = ask[key] !== undefined;
        out.textContent = own ? stated(Number(input.value), unit) : known[key] !== null && known[key] !== undefined ? `${stated(known[key], unit)}, ${text.engine.asTrial}` : text.engine.asTrial;
        input.setAttribute("aria-valuetext", out.textContent);
      };
      input.addEventListener("input", () => {
        ask[key] = Number(input.value);
        say();
        soon();
      });
      resets.push(() => {
        delete ask[key];
        input.value = String(known[key] ?? (min + max) / 2);
        say();
      });
      say();
      const f = field(text.engine.sliders[key], input);
      f.append(out);
      return f;
    };
    root.append(
      el("section", { class: "panel" }, el("div", { class: "row middle" }, el("h2", null, text.engine.what),
        el("button", { onclick: () => { resets.forEach((f) => f()); read(); } }, text.engine.reset)),
      el("div", { class: "sliders" }, sliders.map(slider),
        field(text.engine.law, select(Object.entries(text.engine.laws), "", (v) => {
          if (v) ask.law = v;
          else delete ask.law;
          read();
        })))),
      el("section", { class: "panel" }, el("h2", null, text.engine.heading), body));
    read();
    return () => {
      alive = false;
      plot?.end();
    };
  },
};

const holds = (m: Match) => (m.holds && m.shown ? mark("✓", "good", text.engine.yes) : m.holds ? mark("◌", "doubt", text.engine.maybe) : mark("✕", "bad", text.engine.no));

function draw(canvas: HTMLElement, e: Engine, d: Curves): Plot {
  const n = d.vacuum_kPa.length;
  // The measured points have vacuums of their own: they go behind the curves' places.
  const points = e.leak.points.filter((p) => p.vacuum_kPa !== null && p.flow_Lmin !== null);
  const xs = [...(d.vacuum_kPa as number[]), ...points.map((p) => p.vacuum_kPa!)];
  const order = xs.map((_, i) => i).sort((a, b) => xs[a] - xs[b]);
  const spread = (v: (number | null)[]) => order.map((i) => (i < n ? v[i] : undefined));
  const lines: Line[] = [
    { label: text.engine.leakLine, colour: "s4", width: 1, alpha: 0.5 }, { label: text.engine.leakLine, colour: "s4", width: 1, alpha: 0.5 },
    { label: text.engine.leakLine, colour: "s4", width: 4 }, { label: text.engine.measured, colour: "ink", points: true }];
  const data: any[] = [order.map((i) => xs[i]), spread(d.leak_hi_Lmin), spread(d.leak_lo_Lmin), spread(d.leak_Lmin), order.map((i) => (i < n ? undefined : points[i - n].flow_Lmin))];
  d.engines_Lmin.forEach((flow, i) => {
    const k = i === 4 ? 8 : i; // the fifth colour is the leak's
    lines.push({ label: e.engines[i].name, colour: () => setupColour(k), width: 3, dash: setupDash(k) });
    data.push(spread(flow));
  });
  // Flows span decades, and the crossings are what counts: a logarithmic axis, from well below the
  // least flow at a crossing, five decades at most.
  const above0 = (v: (number | null | undefined)[]) => v.filter((x): x is number => typeof x === "number" && x > 0 && isFinite(x));
  const top = Math.max(1, ...above0(data.slice(1).flat()));
  const least = Math.max(top / 1e5, Math.min(top, ...above0(e.engines.map((m) => m.flow_Lmin)), ...above0(points.map((p) => p.flow_Lmin))) / 5);
  return new Plot(canvas, {
    label: text.engine.curvesOf, x: text.engine.xAxis, y: text.engine.yAxis, lines, bands: [{ upper: 1, lower: 2, colour: () => colour("s4") + "22" }],
    log: true, yRange: () => [10 ** Math.floor(Math.log10(least)), 10 ** Math.ceil(Math.log10(top))],
    levels: () => (e.required_kPa === null ? [] : [{ at: e.required_kPa, words: `${text.engine.requiredMark} ${stated(e.required_kPa, "kPa")}`, down: true }]),
    marks: () => e.engines.filter((m) => m.operating_vacuum_kPa !== null).map((m) => ({ x: m.operating_vacuum_kPa!, shape: "▼" })),
  }, data as AlignedData);
}

function energyBars(all: Match[]): HTMLElement {
  const most = Math.max(...all.map((m) => m.energy_per_pick_J ?? 0), 1e-9);
  return el("div", { class: "bars", role: "group", "aria-label": text.engine.energyOf }, all.map((m, i) => [
    el("span", { class: "user" }, m.name),
    svg("svg", { "aria-hidden": "true" }, svg("rect", { class: "c" + ((i === 4 ? 8 : i) % setupColours), height: "100%", width: `${(100 * (m.energy_per_pick_J ?? 0)) / most}%` })),
    el("span", null, number(m.energy_per_pick_J, "J"), " ", holds(m))]));
}
