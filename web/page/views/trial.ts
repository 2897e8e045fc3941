// Trial: what to mount next, the run, its count-down, notes, spoiled picks, the bench check
// and the grip reading of two hand-held stations.
import { get, post, query, remove, replace } from "../api";
import { attempt, dialog, fillWith, throttle, why, type App, type View } from "../app";
import { el, field, put, renew, say, select, sentence, table } from "../dom";
import { duration, figure, interval, number, stated, statedPercent } from "../format";
import { mark, stateMark } from "../mark";
import { completed, levels } from "../setup";
import { text, word } from "../text";
import type { Bench, BenchStep, Grip, Note, Pick, State } from "../types";

export const trial: View = {
  name: "trial",
  show(root, app) {
    const ends: (() => void)[] = [];
    const run = (a: App, e: (() => void)[]) => el("div", { class: "pair" }, runPanel(a, e), el("div", { class: "panel" }, ...lastPicks(a, e), ...notes(a, e)));
    const hands = app.watch.trial.stations.filter((s) => s.hand_held).length > 1; // then the reading is what one looks at
    root.append(...(hands ? [grip, run, sheet, bench] : [run, sheet, grip, bench]).map((f) => f(app, ends)));
    return () => ends.forEach((f) => f());
  },
};

function runPanel(app: App, ends: (() => void)[]): HTMLElement {
  const w = app.watch;
  const heading = el("h2"), mount = el("div"), counts = el("div", { class: "row" });
  const piece = el("input", { type: "text", autocomplete: "off", maxlength: 200 });
  const pieceField = field(text.trial.piece, piece);
  const complete = el("p", { class: "complete" }), main = el("button", { class: "main" }), resume = el("button"), hint = el("p", { class: "soft" }), endButton = el("button", null, text.trial.end);
  const numbers = new Map<string, { big: HTMLElement; small: HTMLElement }>();
  let planned = "";
  const halted = () => w.trial.runs.filter((r) => r.status === "stopped" && r.start_s !== null).sort((a, b) => a.start_s! - b.start_s!).pop()?.n;
  const act = () => attempt(app, async () => {
    const running = w.state.can_stop;
    if (!running && !w.state.can_start) return;
    main.disabled = true;
    try {
      w.state = running ? await post<State>("run/stop") : await post<State>("run/start", piece.value && piece.value !== planned ? { piece: piece.value } : {});
      await w.readTrial();
    } finally {
      main.disabled = false;
      show();
    }
  });
  main.addEventListener("click", act);
  resume.addEventListener("click", () => goOn(app, halted()!));
  app.key("s", act);
  endButton.addEventListener("click", () => {
    const close = dialog(text.trial.end, el("div", { class: "panel" }, el("p", null, text.trial.endSure),
      el("div", { class: "row" }, el("button", { class: "main", onclick: () => attempt(app, async () => { close(); await post("recording/end"); }) }, text.trial.end),
        el("button", { onclick: () => close() }, text.cancel))));
  });

  const showCounts = () => {
    const run = w.trial.runs.find((r) => r.n === w.state.run);
    for (const st of w.state.stations) {
      if (run && !(st.station in run.setups)) continue;
      let n = numbers.get(st.station);
      if (!n) {
        n = { big: el("span"), small: el("div", { class: "soft" }) };
        numbers.set(st.station, n);
        counts.append(el("div", null, el("h3", { class: "user" }, st.station), el("div", { class: "count" }, n.big, el("small", null, " " + text.trial.left)), n.small));
      }
      n.big.parentElement!.hidden = !run;
      say(n.big, run ? String(st.left) : "");
      say(n.small, run ? text.trial.of(Math.max(0, run.picks - st.left), run.picks) : text.live.picks(st.final));
    }
  };
  const show = () => {
    const t = w.trial, running = w.state.run > 0, next = t.next;
    const run = t.runs.find((r) => r.n === (running ? w.state.run : w.state.live ? next?.run : 0));
    say(heading, running ? text.trial.now(w.state.run) : !w.state.live ? text.trial.over : next ? `${text.trial.next}: ${text.trial.runOf(next.run)}` : text.trial.nothingLeft);
    const last = w.state.live ? completed(t, w.state.run) : undefined;
    complete.hidden = !last;
    put(complete, last ? mark("✓", "good", text.trial.complete(last.n, last.picks)) : null);
    if (!mount.contains(document.activeElement)) put(mount, run?.piece ? el("p", { class: "user" }, !running && run.new_piece ? text.trial.newPiece(run.piece) : text.trial.pieceIs(run.piece)) : null, run && el("div", { class: "mount" },
      Object.entries(run.setups).map(([station, name]) => {
        const su = t.setups.find((x) => x.name === name);
        const changed = (running ? [] : next?.mount ?? []).filter((m) => m.station === station);
        const factors = ["bag", "cup", "cups", "placement", "tilt", "engine", "engine_setting"].filter((f) => su && String((su as any)[f]) !== "");
        return el("div", { class: "user" }, el("h3", null, station),
          el("dl", null, factors.map((f) => {
            const c = changed.find((m) => m.factor === f);
            const level = String((su as any)[f]);
            return [el("dt", null, text.factor[f]), el("dd", null, c ? mark("▶", "doubt", "") : null, c ? el("strong", null, level) : level, c?.from ? el("span", { class: "soft" }, ` (${text.trial.from(c.from)})`) : null)];
          })));
      })),
      !running && run && next && next.mount.length === 0 ? el("p", null, text.trial.nothingToChange) : null);
    if (run && run.piece !== planned) {
      planned = run.piece;
      piece.value = planned;
    }
    pieceField.hidden = running || !w.state.can_start;
    const control = app.operator && w.state.live && t.by_operator;
    main.hidden = !control;
    say(main, w.state.can_stop ? text.trial.stop : text.trial.start);
    main.disabled = !w.state.can_stop && !(w.state.can_start && next);
    resume.hidden = !control || running || halted() === undefined || !w.state.can_start;
    say(resume, text.trial.resume(halted() ?? 0));
    main.title = text.trial.key("s");
    endButton.hidden = !(app.operator && w.state.live);
    say(hint, !w.state.live ? text.trial.notLive + (w.session.read_only ? " " + text.trial.readOnly : "") : !app.operator ? text.viewer : !t.by_operator ? text.trial.automatic : "");
    hint.hidden = hint.textContent === "";
    showCounts();
  };
  show();
  ends.push(w.on("trial", show), w.on("state", show), w.on("picks", showCounts));
  return el("section", { class: "panel station", "aria-label": text.trial.next }, complete, heading, mount, counts,
    el("div", { class: "row" }, pieceField, main, resume, endButton), hint);
}

/** Has a run that was stopped short of its picks go on. */
const goOn = (app: App, n: number) => attempt(app, async () => {
  app.watch.state = await post<State>("run/start", { run: n });
  await app.watch.readTrial();
});

function sheet(app: App, ends: (() => void)[]): HTMLElement {
  const node = el("section", { class: "panel" });
  let shown = "";
  const show = () => {
    const t = app.watch.trial, s = app.watch.state;
    const now = JSON.stringify([t.runs, s.run, s.can_start, s.stations.map((x) => x.left)]);
    if (now === shown || node.contains(document.activeElement) && document.activeElement !== node) return;
    shown = now;
    const stations = t.stations.map((s) => s.name);
    const rows = t.runs.map((r) => el("tr", { class: r.status === "running" ? "now" : r.status === "done" ? "done" : "", "aria-current": r.status === "running" ? "step" : null },
      el("th", { scope: "row" }, String(r.n)),
      el("td", null, stateMark(r.status), r.status === "stopped" && app.operator && app.watch.state.can_start
        ? el("button", { "aria-label": text.trial.resume(r.n), onclick: (e: Event) => { (e.target as HTMLElement).blur(); goOn(app, r.n); } }, text.trial.goOn) : null),
      el("td", { class: "user" }, r.piece || text.none),
      stations.map((s) => {
        const su = t.setups.find((x) => x.name === r.setups[s]);
        return el("td", { class: "user wide" }, r.setups[s] ?? text.none, el("span", { class: "soft small" }, " " + levels(su)));
      }),
      el("td", { class: "n" }, stations.filter((s) => s in r.setups).map((s) => {
        // Of the run in progress the state knows more than the sheet, which is read when a run begins or ends.
        const now = r.n === app.watch.state.run ? app.watch.state.stations.find((x) => x.station === s) : undefined;
        return String(Math.max(r.done[s] ?? 0, now ? r.picks - now.left : 0));
      }).join(" + "), ` / ${r.picks}`)));
    renew(node, el("h2", null, text.trial.sheet),
      el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": text.trial.sheet },
        el("table", null, el("caption", { class: "unseen" }, text.trial.sheet),
          el("thead", null, el("tr", null, el("th", { scope: "col" }, text.picks.head.run), el("th", { scope: "col" }, text.trial.state), el("th", { scope: "col" }, text.picks.head.piece),
            stations.map((s) => el("th", { scope: "col" }, s)), el("th", { scope: "col", class: "n" }, text.trial.picks))),
          el("tbody", null, rows))));
  };
  const soon = throttle(300, show);
  show();
  ends.push(app.watch.on("trial", soon), app.watch.on("picks", soon), app.watch.on("state", soon));
  return node;
}

/** Asks for a reason and marks a pick as spoiled. */
export function spoil(p: Pick, done: (p: Pick) => void): void {
  const reason = el("input", { type: "text", required: true, maxlength: 1000, autocomplete: "off" });
  const wrong = el("p", { class: "remark bad", hidden: true });
  const close = dialog(text.trial.spoilHeading(p.station ?? "", p.n), el("form", {
    method: "dialog", onsubmit: async (e: Event) => {
      e.preventDefault();
      try {
        done(await replace<Pick>(pickPath(p), { reason: reason.value }));
        close();
      } catch (err) {
        put(wrong, text.failed, why(err));
        wrong.hidden = false;
      }
    },
  }, el("p", null, text.trial.spoilHelp), field(text.trial.reason, reason), wrong, el("div", { class: "row" }, el("button", { class: "main" }, text.save))));
  reason.focus();
}

const pickPath = (p: Pick) => `picks/${encodeURIComponent(p.station ?? "")}/${p.n}/spoiled`;

/** Lets a spoiled pick count again. */
export const unspoil = (p: Pick) => remove<Pick>(pickPath(p));

/** The button that spoils a pick, or takes that back. */
export function spoilButton(app: App, p: Pick, done: (p: Pick) => void): HTMLElement | null {
  if (!app.operator || p.provisional) return null;
  const station = p.station ?? "";
  return p.spoiled === null
    ? el("button", { "aria-label": text.trial.spoilOf(station, p.n), onclick: () => spoil(p, done) }, text.trial.spoil)
    : el("button", { "aria-label": text.trial.unspoilOf(station, p.n), onclick: () => attempt(app, async () => done(await unspoil(p))) }, text.trial.unspoil);
}

function lastPicks(app: App, ends: (() => void)[]): HTMLElement[] {
  const list = el("div");
  const latest = () => [...app.watch.picks.values()].slice(-6).reverse();
  const changed = (p: Pick) => app.watch.changed(p);
  const show = () => {
    const focused = document.activeElement?.getAttribute("aria-label"), inside = list.contains(document.activeElement);
    renew(list, latest().length === 0 ? el("p", { class: "soft" }, text.live.noPick) : table(text.trial.lastPicks,
      [text.picks.head.n, text.picks.head.outcome, text.figures.seal_time_s[0], text.figures.hold_vacuum_kPa[0], text.trial.action],
      latest().map((p) => [`${p.n} ${p.station}`,
        [stateMark(p.outcome), p.provisional ? " " : null, p.provisional ? el("span", { class: "provisional small" }, word("provisional")) : null, p.spoiled !== null ? el("div", { class: "small user" }, text.live.spoiled(p.spoiled)) : null],
        figure(p.seal_time_s, "ms", 1e3), figure(p.hold_vacuum_kPa, "kPa"), spoilButton(app, p, changed)]), "dense"));
    if (inside && focused) ([...list.querySelectorAll("[aria-label]")].find((n) => n.getAttribute("aria-label") === focused) as HTMLElement | undefined)?.focus();
  };
  app.key("x", () => {
    const p = latest().find((x) => !x.provisional && x.spoiled === null);
    if (p && app.operator) spoil(p, changed);
  });
  const soon = throttle(250, show);
  show();
  ends.push(app.watch.on("picks", soon));
  return [el("h2", null, text.trial.lastPicks), list];
}

function notes(app: App, ends: (() => void)[]): HTMLElement[] {
  const list = el("ul", { class: "key" });
  const box = el("textarea", { maxlength: 10000 });
  const form = el("form", {
    onsubmit: (e: Event) => {
      e.preventDefault();
      if (box.value.trim() === "") return;
      attempt(app, async () => {
        await post<Note>("notes", { text: box.value });
        box.value = "";
        app.announce(text.trial.written);
        await app.watch.readTrial();
      });
    },
  }, field(text.trial.noteLabel, box), el("div", { class: "row" }, el("button", null, text.trial.addNote)));
  const show = () => {
    form.hidden = !app.operator || !app.watch.state.live;
    const all = app.watch.trial.notes;
    put(list, all.length === 0 ? el("li", { class: "soft" }, text.trial.noNotes)
      : all.slice(-8).reverse().map((n) => el("li", null, el("span", { class: "soft" }, `${duration(n.t_s)}, ${text.trial.noteOf(n.run)}:`), noteText(n.text))));
  };
  app.key("n", () => box.focus());
  show();
  ends.push(app.watch.on("trial", show), app.watch.on("state", show));
  return [el("h2", null, text.trial.notes), form, list];
}

/** A note; a long one is folded. */
function noteText(s: string): HTMLElement {
  const letters = [...s];
  if (letters.length <= 300) return el("span", { class: "user" }, s);
  return el("details", null, el("summary", { class: "user" }, letters.slice(0, 120).join("") + " …"), el("p", { class: "user" }, s));
}

function bench(app: App, ends: (() => void)[]): HTMLElement {
  const node = el("section", { class: "panel", "aria-label": text.trial.bench });
  const body = el("div");
  let when = "before", reading = -1, alive = true;
  const step = (s: BenchStep): HTMLElement => {
    const result = when === "before" ? s.before : s.after;
    const lo = s.lo_kPa, hi = s.hi_kPa;
    const limits = lo !== null && hi !== null ? text.trial.limits(stated(lo, "kPa"), stated(hi, "kPa")) : lo !== null ? text.trial.atLeast(stated(lo, "kPa"))
      : hi !== null ? text.trial.atMost(stated(hi, "kPa")) : text.trial.noLimits;
    const name = text.trial.steps[s.name] ?? s.name;
    const button = el("button", {
      "aria-label": text.trial.readOf(s.station, name), disabled: reading >= 0,
      onclick: () => attempt(app, async () => {
        reading = s.step;
        app.announce(text.trial.readingNow(stated(s.length_s, "s")));
        show();
        try {
          await post<BenchStep>("bench", { step: s.step, moment: when });
        } finally {
          reading = -1;
          await show();
        }
      }),
    }, text.trial.read);
    return el("li", null,
      result ? (result.pass === null ? mark("·", "", "") : result.pass ? mark("✓", "good", "") : mark("✕", "bad", "")) : mark("○", "", ""),
      el("strong", { class: "user" }, `${s.station} · ${name}`),
      el("span", { class: "do" }, s.do ? word(s.do) + " " : "", el("span", { class: "soft" }, limits)),
      el("span", { class: "row middle" },
        reading === s.step ? text.trial.readingNow(stated(s.length_s, "s"))
          : result ? el("span", null, el("strong", null, number(result.value_kPa, "kPa")), " ", result.pass === null ? text.trial.notJudged : result.pass ? text.trial.passed : text.trial.notPassed,
            result.why ? [" (", sentence(result.why), ")"] : "", s.drift_kPa !== null ? ", " + text.trial.drift(number(s.drift_kPa, "kPa")) : "") : null,
        app.operator && app.watch.state.live ? button : null));
  };
  const show = () => fillWith<Bench>(body, () => get<Bench>("bench"), (b) => b.steps.length === 0 ? el("p", { class: "soft" }, text.trial.benchNone) : el("ol", { class: "steps" }, b.steps.map(step)), () => alive);
  put(node, el("div", { class: "row" }, el("h2", null, text.trial.bench),
    field(text.trial.benchWhen, select([["before", text.trial.before], ["after", text.trial.after]], when, (v) => {
      when = v;
      show();
    }))), body);
  if (app.watch.trial.bench) show();
  else put(body, el("p", { class: "soft" }, text.trial.benchNone));
  ends.push(() => (alive = false));
  return node;
}

function grip(app: App, ends: (() => void)[]): HTMLElement {
  const names = app.watch.trial.stations.map((s) => s.name);
  const node = el("section", { class: "panel", "aria-label": text.trial.grip });
  if (names.length < 2) {
    node.hidden = true;
    return node;
  }
  const w = app.watch;
  let a = names[0], b = names[1], measure = "hold_vacuum_kPa", of: "run" | "now" | "all" = "run", since = 0, alive = true, unfolded = false;
  const answer = el("div", { class: "panel" }), aloud = el("p", { class: "unseen", role: "status" }); // said where it changes, not whenever it is drawn
  // The run that the readings are of: the one in progress, else the last that was begun; 0 for all.
  const run = () => (of !== "run" ? 0 : w.state.run || Math.max(0, ...w.trial.runs.filter((r) => r.start_s !== null).map((r) => r.n)));
  const read = () => fillWith(answer, () => get<Grip>(query("grip", { a, b, measure, run: run() || undefined, since_s: of === "now" ? since : undefined })), (g) => {
    const by = g.better_by_percent, m = w.trial.measures.find((x) => x.name === measure);
    const who = g.better ?? g.leads;
    const large = g.readings.length === 0 ? text.trial.noReadings : !by || by.value === null || !who ? text.trial.equal
      : (g.better ? text.trial.better : text.trial.leads)(who, number(by.value, "%", 2));
    const mounted = w.trial.runs.find((r) => r.n === run())?.setups ?? {};
    say(aloud, large);
    return [el("p", { class: "huge user" }, g.better ? mark("▲", "good", "") : null, large),
      el("p", { class: "lead" }, by && by.value !== null && who && !g.better ? [mark("◌", "doubt", text.trial.notShown), "; "] : null, by && by.value !== null ? text.trial.anytime(interval(by.lo, by.hi, "%"), statedPercent(g.level)) : null),
      el("p", { class: "user" }, m ? `${word(m.words)}, ${text.compare.better(m.better === "less")}; ` : "", text.trial.readings(g.pairs), " ",
        of === "now" ? text.trial.since(duration(since)) : run() ? text.trial.ofRun(run()) : text.trial.ofAll,
        [g.a, g.b].map((s) => (mounted[s] ? `; ${text.trial.mounted(s, mounted[s])}` : ""))),
      g.warnings.length ? el("p", { class: "soft" }, g.warnings.map(word).join("; ")) : null,
      g.readings.length ? el("details", { open: unfolded, ontoggle: (e: Event) => (unfolded = (e.target as HTMLDetailsElement).open) }, el("summary", null, text.trial.readingsOf), table(text.trial.readingsOf, [text.trial.reading, g.a, g.b],
        g.readings.slice(-20).reverse().map((r, i) => [String(g.readings.length - i), number(r.value_a, word(g.unit)), number(r.value_b, word(g.unit))]))) : null];
  }, () => alive);
  const soon = throttle(700, () => {
    if (!answer.contains(document.activeElement)) read(); // what somebody reads by keyboard stays
  });
  const stations = names.map((n): [string, string] => [n, n]);
  const choose = ([["run", text.trial.thisRun], ["now", text.trial.onlyNew], ["all", text.trial.allReadings]] as [typeof of, string][]).map(([what, words]) => {
    const button = el("button", {
      "aria-pressed": String(of === what), onclick: () => {
        of = what;
        since = w.state.t_s ?? 0;
        for (const x of choose) x.setAttribute("aria-pressed", String(x === button));
        read();
      },
    }, words);
    return button;
  });
  put(node, el("div", { class: "row" }, el("h2", null, text.trial.grip),
    field(text.trial.gripA, select(stations, a, (v) => { a = v; read(); })),
    field(text.trial.gripB, select(stations, b, (v) => { b = v; read(); })),
    field(text.trial.measure, select(w.trial.measures.map((m): [string, string] => [m.name, word(m.words)]), measure, (v) => { measure = v; read(); })),
    el("div", { class: "row", role: "group", "aria-label": text.trial.readingsOf }, choose)),
  el("p", { class: "soft" }, text.trial.gripHelp), answer, aloud);
  read();
  ends.push(w.on("picks", soon), w.on("trial", soon), () => (alive = false));
  return node;
}
