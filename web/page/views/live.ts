// Live: the vacuum of each station as a large number against what is required, its trace,
// and the last pick. Of a finished trial the whole trace, closer on demand.
import type { AlignedData } from "uplot";
import { get, query } from "../api";
import { fillWith, throttle, type App, type View } from "../app";
import { host, Plot, type Lane, type Mark } from "../chart";
import { el, put, renew, say, svg, table, type Child } from "../dom";
import { duration, figure, fixed, number, stated } from "../format";
import { instants, mark, stateMark } from "../mark";
import { completed, levels } from "../setup";
import type { Column } from "../state";
import { text, word } from "../text";
import type { Pick, Station, Traces } from "../types";

const windowS = 20;
const lastFigures = ["seal_time_s", "hold_vacuum_kPa", "lowest_vacuum_kPa", "leak_flow_Lmin", "energy_J", "release_time_s"];

export const live: View = {
  name: "live",
  show(root, app) {
    const w = app.watch;
    const ends: (() => void)[] = [];
    let inner: (() => void)[] = [];
    const build = () => {
      for (const f of inner) f();
      inner = [];
      root.replaceChildren();
      if (w.trial.live && w.link !== "ended") {
        root.append(betweenRuns(app, inner), el("div", { class: "stations" }, w.trial.stations.map((s) => stationPanel(s, app, inner))), health(app, inner));
      } else {
        root.append(...w.trial.stations.map((s) => wholeTrace(s, app, inner)));
      }
    };
    build();
    ends.push(w.on("end", build));
    return () => [...inner, ...ends].forEach((f) => f());
  },
};

/** Says, where an operator begins the runs and none is in progress, what is done and what comes next. */
function betweenRuns(app: App, ends: (() => void)[]): HTMLElement {
  const w = app.watch, node = el("p", { class: "remark" });
  const show = () => {
    const last = completed(w.trial, w.state.run);
    node.hidden = !(w.trial.by_operator && w.state.live && w.state.run === 0);
    put(node, last ? [mark("✓", "good", text.trial.complete(last.n, last.picks)), " "] : null,
      w.trial.next ? [text.trial.toStart, " ", el("a", { href: "#/trial" }, text.trial.toNext(w.trial.next.run))] : text.trial.nothingLeft);
  };
  show();
  ends.push(w.on("state", show), w.on("trial", show));
  return node;
}

/** The channel of a station of a kind. */
const channelOf = (app: App, station: string, kind: string) =>
  app.watch.trial.channels.find((c) => c.station === station && c.kind === kind)?.name;

function stationPanel(s: Station, app: App, ends: (() => void)[]): HTMLElement {
  const w = app.watch;
  const lanesOf = ["touch", "supply", "carried", "release"].map((kind) => ({ kind, name: channelOf(app, s.name, kind) })).filter((l) => l.name);
  const setup = el("span", { class: "user" }), count = el("span", { class: "soft" });
  const digits = el("span"), state = el("span"), need = el("span", { class: "soft" });
  const fill = svg("rect", { class: "fill", x: 0, y: 0, height: "100%" }), limit = svg("rect", { class: "need", y: 0, width: 4, height: "100%" });
  const bar = el("div", { class: "bar", role: "img" }, svg("svg", null, fill, limit));
  const trace = host(), last = el("div");
  const required = () => w.state.stations.find((x) => x.station === s.name)?.required_kPa ?? null;
  const column = (): Column => w.columns.get(s.vacuum) ?? { t: [], v: [] };
  const latest = () => {
    const c = column();
    for (let i = c.v.length - 1; i >= 0 && i >= c.v.length - 4; i--) if (c.v[i] !== null) return c.v[i];
    return null;
  };
  const now = () => {
    const c = column();
    return c.t.length ? c.t[c.t.length - 1] : w.state.t_s ?? 0;
  };

  const panel = el("section", { class: "panel station", "aria-label": s.name },
    el("div", { class: "who" }, el("h2", { class: "user" }, s.name), setup, count),
    el("div", { class: "reading" },
      el("div", { class: "gauge" }, digits, el("small", null, text.live.unit)),
      el("div", { class: "beside" }, state, need),
      bar),
    trace,
    el("div", { class: "lanes" },
      lanesOf.map((l) => el("span", null, laneSwatch(l.kind), text.live.lanes[l.kind])),
      ["contact", "seal", "dip", "drop", "release"].map((k) => mark(instants[k], "", text.live.marks[k]))),
    last);

  const showState = () => {
    const st = w.state.stations.find((x) => x.station === s.name);
    const su = w.trial.setups.find((x) => x.name === st?.setup);
    say(setup, st?.setup ? [st.setup, levels(su)].filter((x) => x).join(" · ") : text.live.setupNone);
    say(count, st ? text.live.picks(st.final) + (w.state.run > 0 && st.left > 0 ? ", " + text.live.left(st.left) : "") : "");
    const r = required();
    say(need, r === null ? text.live.noRequirement : text.live.required(stated(r, "kPa")));
  };
  const showReading = throttle(120, () => {
    const v = latest(), r = required();
    say(digits, v === null ? text.none : fixed(v, "", 1));
    put(state, v === null ? mark("–", "", text.live.noReading) : r === null ? null
      : v >= r ? mark("▲", "good", text.live.reached) : mark("▽", "", text.live.below));
    const share = (x: number) => `${Math.max(0, Math.min(100, x))}%`; // of 100 kPa, about all there is
    fill.setAttribute("width", share(v ?? 0));
    limit.setAttribute("x", share(r ?? 0));
    limit.setAttribute("visibility", r === null ? "hidden" : "visible");
    bar.setAttribute("aria-label", text.live.bar(v === null ? text.none : fixed(v, "kPa", 1), stated(r, "kPa")));
  });
  const showLast = () => put(last, lastPick(w.state.stations.find((x) => x.station === s.name)?.setup, [...w.picks.values()].filter((p) => p.station === s.name && !(p.provisional && p.outcome === "open")).pop()));

  const lane = (kind: string, name: string): Lane => ({ colour: "lane-" + kind, words: text.live.lanes[kind], spans: spans(w.columns.get(name)) });
  const plot = new Plot(trace, {
    label: text.live.trace(s.name),
    x: text.live.xAxis, y: text.live.yAxis,
    lines: [{ label: s.vacuum, colour: "trace" }],
    xRange: () => [now() - windowS, now()],
    yRange: (min, max) => [Math.min(-1, min), Math.max(20, max, (required() ?? 0) * 1.1)],
    levels: () => (required() === null ? [] : [{ at: required()!, words: "" }]),
    lanes: () => lanesOf.map((l) => lane(l.kind, l.name!)),
    marks: () => marksOf(s.name, app),
  }, data());
  function data(): AlignedData {
    const c = column();
    return [c.t, c.v];
  }
  let frame = 0;
  const draw = () => {
    frame ||= requestAnimationFrame(() => {
      frame = 0;
      plot.set(data());
    });
  };
  showState();
  showReading();
  showLast();
  ends.push(w.on("samples", () => {
    showReading();
    draw();
  }), w.on("state", showState), w.on("trial", showState), w.on("picks", showLast), () => cancelAnimationFrame(frame), () => plot.end());
  return panel;
}

/** A swatch of a lane's colour. */
export function laneSwatch(kind: string): HTMLElement {
  return el("span", { class: "swatch" }, svg("svg", null, svg("rect", { width: "100%", height: "100%", fill: `var(--lane-${kind})` })));
}

/** Stretches in which a switched channel is on. */
function spans(c: Column | undefined): [number, number][] {
  const out: [number, number][] = [];
  if (!c) return out;
  let on = -1;
  for (let i = 0; i < c.t.length; i++) {
    const high = c.v[i] !== null && c.v[i]! > 0.5;
    if (high && on < 0) on = c.t[i];
    if (!high && on >= 0) {
      out.push([on, c.t[i]]);
      on = -1;
    }
  }
  if (on >= 0) out.push([on, c.t[c.t.length - 1]]);
  return out;
}

/** The instants of a pick. */
export function pickMarks(p: Pick): Mark[] {
  const m: Mark[] = [];
  const add = (x: number | null, kind: string, colour?: string) => {
    if (x !== null && x !== undefined) m.push({ x, shape: instants[kind], colour });
  };
  add(p.contact_s, "contact");
  add(p.sealed_at_s, "seal", "good");
  add(p.drop_s, "drop", "bad");
  add(p.release_s, "release");
  return m;
}

function marksOf(station: string, app: App): Mark[] {
  const m: Mark[] = [];
  for (const p of app.watch.picks.values()) if (p.station === station) m.push(...pickMarks(p));
  for (const e of app.watch.events)
    if (e.station === station && e.t_s !== null && e.kind !== "drop") m.push({ x: e.t_s, shape: instants[e.kind] ?? "·", colour: "bad" });
  return m;
}

/** A pick's figures with their uncertainty, in a row; its setup where another is mounted now. */
function lastPick(mounted: string | undefined, p: Pick | undefined): Child {
  if (!p) return el("p", { class: "soft" }, text.live.noPick);
  return el("div", { class: "panel" },
    el("div", { class: "row middle" }, el("h3", null, text.live.last(p.n)), stateMark(p.outcome),
      p.setup && p.setup !== mounted ? el("span", { class: "soft user" }, p.setup) : null,
      p.provisional ? el("span", { class: "provisional" }, text.live.provisional) : null,
      p.spoiled !== null ? el("span", { class: "user" }, text.live.spoiled(p.spoiled)) : null),
    el("dl", { class: "last" }, lastFigures.map((k) => {
      const [words, unit, scale] = text.figures[k];
      return el("div", null, el("dt", null, words), el("dd", null, el("span", { class: p.provisional ? "provisional" : "" }, figure((p as any)[k], unit, scale))));
    })));
}

function health(app: App, ends: (() => void)[]): HTMLElement {
  const node = el("section", { class: "panel", "aria-label": text.live.health });
  let rates = false;
  const show = throttle(900, () => {
    const h = app.watch.health;
    if (!h) return;
    rates ||= h.channels.some((c) => (c.silent_s ?? 0) > 1);
    const silent = h.channels.filter((c) => (c.silent_s ?? 0) > 1);
    const seconds = (x: number | null) => number(x === null ? null : x * 1e3, "ms", 3);
    // Tables are read by keyboard too: rebuild only what is not being looked at.
    if (node.contains(document.activeElement)) return;
    renew(node,
      el("div", { class: "row middle" }, el("h2", null, text.live.health),
        silent.length ? mark("✕", "bad", text.live.trouble) : mark("●", "good", text.live.ok),
        el("span", { class: "soft" }, text.live.commit(seconds(h.commit_s), h.queued_batches))),
      table(text.live.healthOf, [text.live.device, text.live.polls, text.live.failedPolls, text.live.late, text.live.lateP99, text.live.lateWorst],
        h.buses.flatMap((b) => b.devices.map((d) => [`${b.name} · ${d.name}`, String(d.answered),
            d.failed === 0 ? "0" : `${d.failed}: ${Object.entries(d.causes).map(([c, n]) => `${word(c)} ${n}`).join(", ")}`,
            seconds(d.late_median_s), seconds(d.late_p99_s), seconds(d.late_worst_s)]))),
      el("details", { open: rates, ontoggle: (e: Event) => (rates = (e.target as HTMLDetailsElement).open) }, el("summary", null, text.live.ratesOf),
        table(text.live.ratesOf, [text.live.channel, text.live.rate, text.live.planned, text.live.silent],
          h.channels.map((c) => [c.channel, number(c.measured_Hz, "Hz"), number(c.planned_Hz, "Hz"), (c.silent_s ?? 0) > 1 ? mark("✕", "bad", duration(c.silent_s)) : text.none]))),
      el("div", null, el("h3", null, text.live.faults),
        h.faults.length === 0 ? el("p", { class: "soft" }, text.live.noFaults)
          : el("ul", { class: "key" }, h.faults.slice(0, 5).map((f) => el("li", null, `${number(f.t_s, "s", 5)} · ${f.group} · ${word(f.cause)}`)))));
  });
  show();
  ends.push(app.watch.on("health", show));
  return node;
}

/** The whole trace of a station: least and greatest of each stretch, finer as one zooms in. */
function wholeTrace(s: Station, app: App, ends: (() => void)[]): HTMLElement {
  const node = host("tall"), how = el("span", { class: "soft" });
  const body = el("div");
  let plot: Plot | null = null, from: number | undefined, to: number | undefined, alive = true, asked = 0;
  const end = app.watch.state.t_s ?? 0;
  const read = (a?: number, b?: number) => {
    [from, to] = [a, b];
    const turn = ++asked;
    return fillWith<Traces>(body, () => get<Traces>(query("traces", { channel: s.vacuum, from_s: a, to_s: b, points: 1600 })), (x) => {
      const t = x.traces[0];
      say(how, t?.exact ? text.live.exact : text.live.coarse);
      plot?.end();
      requestAnimationFrame(() => {
        if (!alive || turn !== asked) return;
        plot = new Plot(node, {
          label: text.live.wholeOf(s.name), x: text.live.xAxis, y: text.live.yAxis,
          lines: [{ label: s.vacuum, colour: "trace", width: 1 }, { label: s.vacuum, colour: "trace", width: 1 }],
          bands: [{ upper: 2, lower: 1, colour: () => getComputedStyle(document.documentElement).getPropertyValue("--trace") + "99" }],
          zoomed: (p, q) => (isNaN(p) ? read() : read(p, q)),
          xRange: a === undefined ? undefined : () => [a, b!],
        }, [(t?.t_s ?? []) as number[], t?.lo ?? [], t?.hi ?? []]);
      });
      return node;
    }, () => alive && turn === asked);
  };
  const move = (by: number, zoom: number) => {
    const a = from ?? 0, b = to ?? end, mid = (a + b) / 2 + by * (b - a), half = ((b - a) / 2) * zoom;
    const lo = Math.max(0, mid - half), hi = Math.min(end, mid + half);
    if (hi - lo >= end * 0.999) read();
    else if (hi - lo > 0.02) read(lo, hi);
  };
  read();
  ends.push(() => {
    alive = false;
    plot?.end();
  });
  const actions: [string, string, () => void][] = [["+", text.live.zoomIn, () => move(0, 0.5)], ["−", text.live.zoomOut, () => move(0, 2)],
    ["←", text.live.back, () => move(-0.4, 1)], ["→", text.live.forward, () => move(0.4, 1)], ["0", text.live.all, () => read()]];
  return el("section", { class: "panel station", "aria-label": s.name },
    el("div", { class: "row middle" }, el("h2", { class: "user" }, s.name), el("span", { class: "soft" }, text.live.whole), how),
    el("div", { class: "row" }, actions.map(([sign, words, f]) => el("button", { onclick: f }, `${sign} ${words}`))),
    el("div", {
      tabindex: 0, role: "group", "aria-label": text.live.wholeOf(s.name), onkeydown: (e: KeyboardEvent) => {
        const key = { "-": "−", ArrowLeft: "←", ArrowRight: "→" }[e.key] ?? e.key;
        const a = actions.find(([sign]) => sign === key);
        if (a) {
          e.preventDefault();
          a[2]();
        }
      },
    }, body));
}
