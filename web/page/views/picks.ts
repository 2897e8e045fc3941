// Picks: the last ones of each setup laid over each other, a table of all, and one opened.
import type { AlignedData } from "uplot";
import { get, query } from "../api";
import { dialog, fillWith, throttle, type App, type View } from "../app";
import { host, Plot, setupColour, setupDash, type Lane, type Line, type Mark } from "../chart";
import { el, field, plusMinus, put, select, table, type Child } from "../dom";
import { figure, fixed, interval, number, stated } from "../format";
import { instants, mark, stateMark } from "../mark";
import { key, levels, place, sample, short, tag } from "../setup";
import { text, word } from "../text";
import type { Budgets, Overlay, Pick, PickDetail, Picks } from "../types";
import { laneSwatch, pickMarks } from "./live";
import { spoilButton } from "./trial";

const columns = ["seal_time_s", "hold_vacuum_kPa", "lowest_vacuum_kPa", "leak_flow_Lmin", "energy_J", "release_time_s"];
const pageSize = 40;

export const picks: View = {
  name: "picks",
  show(root, app) {
    const ends: (() => void)[] = [];
    const t = app.watch.trial;
    const lately = () => [...t.runs].reverse().find((r) => r.start_s !== null) ?? t.runs[0];
    const state: Chosen = { laid: lastRun, station: "", setup: "", outcome: "", spoiled: "", sort: "order", descending: true, offset: 0, align: "supply", last: 20, every: true };
    const setups = (): string[] => (state.laid === "" ? [] : state.laid === lastRun ? [...new Set(Object.values(lately()?.setups ?? {}))] : [state.laid]);
    const over = overlay(app, state, setups, ends), list = tableOf(app, state, ends);
    const names = (all: string[]): [string, string][] => [["", text.picks.all], ...all.map((n): [string, string] => [n, n])];
    const filter = (set: (v: string) => void) => (v: string) => {
      set(v);
      state.offset = 0;
      list.read();
    };
    const every = el("input", { type: "checkbox", checked: true, onchange: () => { state.every = every.checked; over.draw(); } });
    root.append(
      el("div", { class: "row" },
        field(text.picks.setup, select([[lastRun, text.picks.lastRun], ...names(t.setups.map((s) => s.name))], lastRun, (v) => { state.laid = v; over.read(); })),
        field(text.picks.align, select([["supply", text.picks.supply], ["contact", text.picks.contact]], "supply", (v) => { state.align = v; over.read(); })),
        field(text.picks.last, select(["5", "10", "20", "50", "100"].map((n): [string, string] => [n, n]), "20", (v) => { state.last = Number(v); over.read(); })),
        field(text.picks.linesShow, every)),
      over.node,
      el("div", { class: "row" }, el("h2", null, text.picks.table),
        field(text.picks.station, select(names(t.stations.map((s) => s.name)), "", filter((v) => (state.station = v)))),
        field(text.picks.setup, select(names(t.setups.map((s) => s.name)), "", filter((v) => (state.setup = v)))),
        field(text.picks.outcome, select([["", text.picks.all], ...Object.entries(text.outcome)], "", filter((v) => (state.outcome = v)))),
        field(text.picks.spoiled, select([["", text.picks.all], ["true", text.picks.only], ["false", text.picks.without]], "", filter((v) => (state.spoiled = v))))),
      list.node);
    return () => ends.forEach((f) => f());
  },
};

const lastRun = "\u0000"; // no setup is called so

type Chosen = { laid: string; station: string; setup: string; outcome: string; spoiled: string; sort: string; descending: boolean; offset: number; align: string; last: number; every: boolean };

function overlay(app: App, c: Chosen, setups: () => string[], ends: (() => void)[]) {
  const canvas = host("tall"), legend = el("ul", { class: "key" }), body = el("div");
  let answer: Overlay | null = null, plot: Plot | null = null, alive = true, turn = 0;
  const t = app.watch.trial;
  const draw = () => {
    plot?.end();
    plot = null;
    if (!answer || !alive) return;
    const lines: Line[] = [], bands: { upper: number; lower: number; colour: () => string }[] = [];
    const data: (number | null)[][] = [answer.t_s];
    const few = answer.setups.length <= 4; // more cover each other
    for (const s of answer.setups) {
      if (!few) break;
      const i = place(t, s.setup), ink = () => setupColour(i);
      const first = data.length;
      data.push(s.hi_kPa, s.lo_kPa);
      lines.push({ label: s.setup, colour: ink, width: 1, alpha: 0.5 }, { label: s.setup, colour: ink, width: 1, alpha: 0.5 });
      bands.push({ upper: first, lower: first + 1, colour: () => setupColour(i) + "26" });
      if (c.every)
        for (const p of s.picks) {
          data.push(p.vacuum_kPa);
          lines.push({ label: `${p.n}`, colour: ink, width: 1, alpha: 0.35 });
        }
    }
    for (const s of answer.setups) { // medians over all else
      const i = place(t, s.setup);
      data.push(s.median_kPa);
      lines.push({ label: s.setup, colour: () => setupColour(i), width: 3, dash: setupDash(i) });
    }
    const needs = [...new Set(answer.setups.map((s) => s.required_kPa).filter((x): x is number => x !== null))];
    plot = new Plot(canvas, {
      label: text.picks.overlayOf, x: text.picks.from(c.align === "supply" ? text.picks.supply : text.picks.contact), y: text.live.yAxis, lines, bands, zoom: true,
      levels: () => [...needs.map((at) => ({ at, words: `${text.picks.required} ${stated(at, "kPa")}` })), { at: 0, words: "", colour: "rule", down: true }],
    }, data as AlignedData);
    put(legend, answer.setups.map((s) => el("li", null, sample(place(t, s.setup)), short(t, s.setup) === s.setup ? null : el("strong", null, short(t, s.setup)), el("span", { class: "user" }, s.setup, " ", setupOf(app, s.setup)),
      el("span", { class: "soft" }, text.picks.medianOf(s.picks.length) + (s.left_out ? "; " + text.picks.leftOut(s.left_out) : "")))));
  };
  const read = () => {
    const mine = ++turn;
    return fillWith<Overlay>(body, () => get<Overlay>("overlay?" + new URLSearchParams([["last", String(c.last)], ["align", c.align], ...setups().map((s) => ["setup", s])])), (x) => {
      answer = x;
      requestAnimationFrame(draw);
      return x.setups.length ? [canvas, legend] : el("p", { class: "empty" }, text.live.noPick);
    }, () => alive && mine === turn);
  };
  read();
  const soon = throttle(4000, read);
  ends.push(app.watch.on("picks", () => app.watch.state.live && soon()), () => {
    alive = false;
    plot?.end();
  });
  return { node: el("section", { class: "panel" }, el("h2", null, text.picks.overlay), body), read, draw };
}

const setupOf = (app: App, name: string) => levels(app.watch.trial.setups.find((x) => x.name === name));

function tableOf(app: App, c: Chosen, ends: (() => void)[]) {
  const body = el("div");
  let shown: Pick[] = [], at = -1, alive = true, turn = 0;
  const open = (p: Pick) => openPick(app, p, () => read());
  const head = (key: string, words: string, n = false) => {
    const on = c.sort === key;
    return el("th", { scope: "col", class: n ? "n" : "", "aria-sort": on ? (c.descending ? "descending" : "ascending") : null },
      el("button", {
        onclick: () => {
          c.descending = on ? !c.descending : true;
          c.sort = key;
          c.offset = 0;
          read().then(() => (body.querySelector(`[data-sort="${key}"]`) as HTMLElement | null)?.focus());
        }, "data-sort": key,
      }, words, on ? el("span", { "aria-hidden": true }, c.descending ? " ▼" : " ▲") : null));
  };
  const read = () => {
    const mine = ++turn;
    return fillWith<Picks>(body, () => get<Picks>(query("picks", {
      station: c.station, setup: c.setup, outcome: c.outcome, spoiled: c.spoiled, sort: c.sort, descending: String(c.descending), offset: c.offset, limit: pageSize,
    })), (x) => {
      shown = x.picks;
      if (x.total === 0) return el("p", { class: "empty" }, text.picks.none);
      return [
        el("div", { class: "row middle noprint" },
          el("button", { disabled: c.offset === 0, onclick: () => { c.offset = Math.max(0, c.offset - pageSize); read(); } }, text.picks.previous),
          el("span", null, text.picks.page(x.offset + 1, x.offset + x.picks.length, x.total)),
          el("button", { disabled: x.offset + x.picks.length >= x.total, onclick: () => { c.offset += pageSize; read(); } }, text.picks.nextPage)),
        el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": text.picks.table }, el("table", { class: "dense" },
          el("caption", { class: "unseen" }, text.picks.table),
          el("thead", null, el("tr", null, head("n", text.picks.head.n), head("station", text.picks.head.station), head("run", text.picks.head.run, true), head("setup", text.picks.head.setup),
            el("th", { scope: "col" }, text.picks.head.piece), head("outcome", text.picks.head.outcome), head("start_s", text.picks.head.start_s, true),
            columns.map((k) => head(k, text.figures[k][0], true)), el("th", { scope: "col" }, text.picks.head.contact))),
          el("tbody", null, x.picks.map((p, i) => el("tr", { class: "pickable" + (p.spoiled !== null ? " struck" : ""), onclick: () => open(p) },
            el("th", { scope: "row" }, el("button", { "data-row": i, "aria-label": text.picks.open(p.station ?? "", p.n), onfocus: () => (at = i), onclick: (e: Event) => { e.stopPropagation(); open(p); } }, String(p.n))),
            el("td", { class: "user" }, p.station), el("td", { class: "n" }, p.run || text.none), el("td", null, p.setup ? tag(app.watch.trial, p.setup) : text.none), el("td", { class: "user" }, p.piece || text.none),
            el("td", { class: "keep" }, stateMark(p.outcome), p.spoiled !== null ? el("div", { class: "small user" }, text.live.spoiled(p.spoiled)) : null),
            el("td", { class: "n" }, fixed(p.start_s, "s", 3)),
            columns.map((k) => el("td", { class: "n" }, figure((p as any)[k], text.figures[k][1], text.figures[k][2]))),
            el("td", null, p.seal_from ? word(p.seal_from) : text.none)))))), plusMinus(),
        app.watch.trial.setups.some((q) => short(app.watch.trial, q.name) !== q.name) ? el("details", null, el("summary", null, text.picks.legend), key(app.watch.trial, [...new Set(x.picks.map((p) => p.setup ?? "").filter((n) => n))])) : null,
      ];
    }, () => alive && mine === turn);
  };
  const move = (by: number) => {
    if (shown.length === 0) return;
    at = Math.max(0, Math.min(shown.length - 1, at + by));
    (body.querySelector(`[data-row="${at}"]`) as HTMLElement | null)?.focus();
  };
  app.key("j", () => move(1));
  app.key("k", () => move(-1));
  read();
  const soon = throttle(1500, () => {
    // What somebody reads or works in does not move under the hand.
    if (c.offset === 0 && !body.contains(document.activeElement) && !document.querySelector("dialog[open]")) read();
  });
  ends.push(app.watch.on("picks", soon), () => (alive = false));
  return { node: el("section", { class: "panel" }, body), read };
}

/** Opens one pick: its trace, events, figures, and where their uncertainty comes from. */
export function openPick(app: App, p: Pick, changed: () => void): void {
  const station = p.station ?? "", path = `picks/${encodeURIComponent(station)}/${p.n}`;
  const body = el("div", { class: "panel" }), budget = el("div");
  let plot: Plot | null = null, open = true;
  const close = dialog(text.picks.heading(station, p.n), [body], () => {
    open = false;
    plot?.end();
  });
  const canvas = host("mid");
  const show = () => fillWith<PickDetail>(body, () => get<PickDetail>(query(path, { points: 3000 })), (d) => {
    p = d.pick;
    requestAnimationFrame(() => {
      if (!open) return;
      plot?.end();
      plot = tracePlot(app, canvas, d);
    });
    // The known figures in the order of the words, and one that has no words yet all the same.
    const keys = [...new Set([...Object.keys(text.figures), ...Object.keys(p)])].filter((k) => (p as any)[k]?.warnings && "value" in (p as any)[k]);
    const rows = keys.map((k) => {
      const [words, unit, scale] = text.figures[k] ?? [k, "", 1], f = (p as any)[k];
      return [words, figure(f, unit, scale), interval(f.lo, f.hi, unit, scale), f.warnings.map(word).join("; ")] as Child[];
    });
    return [
      el("div", { class: "row middle" }, stateMark(p.outcome), el("span", { class: "user" }, [p.setup, setupOf(app, p.setup ?? ""), p.piece].filter((x) => x).join(" · ")),
        p.spoiled !== null ? el("strong", { class: "user" }, text.live.spoiled(p.spoiled)) : null,
        spoilButton(app, p, (q) => { app.watch.changed(q); changed(); show(); })),
      canvas,
      el("div", { class: "lanes" }, Object.entries(text.live.lanes).map(([kind, words]) => el("span", null, laneSwatch(kind), words)), ["contact", "seal", "dip", "drop", "release"].map((k) => mark(instants[k], "", text.live.marks[k]))),
      el("h3", null, text.picks.figures),
      table(text.picks.figures, [text.picks.figure, text.picks.value, text.picks.interval, text.picks.remarks], rows),
      el("h3", null, text.picks.events),
      d.events.length ? table(text.picks.events, [text.picks.event, text.picks.at],
        d.events.map((e) => [mark(instants[e.kind] ?? "·", "", text.live.marks[e.kind] ?? word(e.kind)), number(e.t_s === null || p.start_s === null ? null : e.t_s - p.start_s, "s", 4)])) : el("p", { class: "soft" }, text.picks.noEvents),
      el("h3", null, text.picks.budget), budget];
  }, () => open).then(() => fillWith<Budgets>(budget, () => get<Budgets>(path + "/budget"), budgets, () => open));
  show();
  void close;
}

/** The figure of a pick that a budget's name means. */
const figureOf: Record<string, string> = {
  "seal time": "seal_time_s", "hold vacuum": "hold_vacuum_kPa", "lowest vacuum": "lowest_vacuum_kPa", "leak flow": "leak_flow_Lmin", "release time": "release_time_s", "response delay": "response_delay_s",
  "delay of part present": "part_present_delay_s", "open suction": "open_suction_kPa", "settling time": "settling_time_s",
  energy: "energy_J", "energy, approach": "energy_approach_J", "energy, evacuate": "energy_evacuate_J", "energy, hold": "energy_hold_J", "energy, release": "energy_release_J",
  "leak-down": "leak_down_kPa_s", "median vacuum of the leak-down": "leak_down_vacuum_kPa", "leak-down from": "leak_down_from_s", "leak-down to": "leak_down_to_s",
  "exponent of the leak law": "leak_law_n", "coefficient of the leak law": "leak_law_k_Lmin", "leak at the required vacuum": "leak_at_required_Lmin",
  "holds with the supply shut": "shut_lasts_s", "saved by shutting the supply": "shut_saves_J", "re-evacuations": "re_evacuations_per_min", duty: "duty",
};

function budgets(b: Budgets): Child {
  if (b.budgets.length === 0) return el("p", { class: "soft" }, text.picks.budgetNone);
  const order = Object.keys(text.figures), at = (name: string) => (order.indexOf(figureOf[name]) + order.length) % order.length;
  return el("div", { class: "pair" }, b.budgets.sort((x, y) => at(x.figure) - at(y.figure)).map((x) => {
    const [words, unit, scale] = text.figures[figureOf[x.figure]] ?? [word(x.figure), x.unit, 1];
    return el("div", null, el("h3", null, words + ": " + figure(x.value, unit, scale)),
      table(words, [text.picks.part, text.picks.shape, text.picks.size, text.picks.u],
        x.parts.map((q) => [word(q.name), word(q.shape), number(q.size === null ? null : q.size * scale, unit, 2), number(q.u === null ? null : q.u * scale, unit, 2)])));
  }));
}

function tracePlot(app: App, canvas: HTMLElement, d: PickDetail): Plot {
  const vacuum = d.traces.traces.find((t) => t.unit === "kPa" && app.watch.trial.stations.some((s) => s.vacuum === t.channel)) ?? d.traces.traces[0];
  const kinds = new Map(app.watch.trial.channels.map((c) => [c.name, c.kind]));
  const lanes: Lane[] = d.traces.traces.filter((t) => ["touch", "supply", "carried", "release"].includes(kinds.get(t.channel) ?? "")).map((t) => {
    const spans: [number, number][] = [];
    t.t_s.forEach((a, i) => {
      if (a === null || !(t.hi[i]! > 0.5)) return;
      const b = t.t_s[i + 1] ?? d.traces.to_s ?? a;
      const last = spans[spans.length - 1];
      if (last && last[1] === a) last[1] = b;
      else spans.push([a, b]);
    });
    return { colour: "lane-" + kinds.get(t.channel), words: t.channel, spans };
  });
  const marks: Mark[] = [...pickMarks(d.pick), ...d.events.filter((e) => e.t_s !== null && e.kind !== "drop").map((e) => ({ x: e.t_s!, shape: instants[e.kind] ?? "·", colour: "bad" }))];
  const need = d.pick.required_kPa;
  return new Plot(canvas, {
    label: text.picks.traceOf(d.pick.station ?? "", d.pick.n), x: text.live.xAxis, y: text.live.yAxis, zoom: true,
    lines: [{ label: vacuum?.channel ?? "", colour: "trace", width: 2 }, { label: vacuum?.channel ?? "", colour: "trace", width: 2 }],
    yRange: (min, max) => [Math.min(-1, min), Math.max(20, max)],
    levels: () => (need === null ? [] : [{ at: need, words: `${text.picks.required} ${stated(need, "kPa")}` }]), marks: () => marks, lanes: () => lanes,
  }, [(vacuum?.t_s ?? []) as number[], vacuum?.hi ?? [], vacuum?.exact ? vacuum.hi : vacuum?.lo ?? []]);
}
