// Compare: what to build in one sentence, setups against each other, drops, verdicts.
import { get } from "../api";
import { fillWith, throttle, type App, type View } from "../app";
import { el, field, put, select, sentence, table, type Child } from "../dom";
import { figure, interval, number, percent, pValue, statedPercent } from "../format";
import { intervals } from "../intervals";
import { stateMark } from "../mark";
import { text, word } from "../text";
import type { Choice, Comparison, Measure, Verdict } from "../types";

export const compare: View = {
  name: "compare",
  show(root, app) {
    const w = app.watch;
    let alive = true, measure = w.trial.measures[0]?.name ?? "";
    const effects = el("section", { class: "panel" }), answer = el("div", { class: "panel" }), verdicts = el("section", { class: "panel" });
    const read = () => {
      const q = new URLSearchParams({ measure });
      return fillWith<Comparison>(answer, () => get<Comparison>("compare?" + q), (c) => {
        const m = w.trial.measures.find((x) => x.name === measure)!;
        put(verdicts, verdictWords(c, app));
        return [!c.finished ? el("p", { class: "remark" }, text.compare.provisional) : null, effectWords(c, m), spoiledWords(c, m), c.warnings.map((x) => el("p", { class: "remark" }, word(x)))];
      }, () => alive);
    };
    put(effects, el("div", { class: "row" }, el("h2", null, text.compare.effects),
      field(text.compare.measure, select(w.trial.measures.map((m): [string, string] => [m.name, word(m.words)]), measure, (v) => {
        measure = v;
        read();
      }))), answer);
    const choice = choicePanel(app, () => alive);
    root.append(choice.node, effects, verdicts);
    read();
    const soon = throttle(3000, () => {
      if (root.querySelector("main :focus") || root.contains(document.activeElement) && document.activeElement !== root) return;
      read();
      choice.read();
    });
    const off = w.on("picks", () => w.state.live && soon());
    return () => {
      alive = false;
      off();
    };
  },
};

/** The best that a finding says of a difference, as a colour's place: told apart or not. */
const tones: Record<string, number> = { better: 2, worse: 1 };

function effectWords(c: Comparison, m: Measure): Child {
  const own = c.effects.filter((e) => e.measure === m.name);
  const levels = c.levels.filter((l) => l.measure === m.name);
  if (own.length === 0) return el("p", { class: "empty" }, text.compare.none);
  const silent = own.filter((e) => !e.percent), kinds = [...new Set(silent.map((e) => e.finding))];
  const rows = own.filter((e) => e.percent).map((e) => ({
    group: e.within, words: text.compare.against(e.a, e.b), value: e.percent?.value ?? null, lo: e.percent?.lo ?? null, hi: e.percent?.hi ?? null,
    tone: tones[e.finding] ?? 4, shape: (tones[e.finding] === undefined ? "diamond" : "point") as "diamond" | "point",
    after: [el("div", null, stateMark(e.finding)), el("div", null, number(e.percent?.value, "%", 2), e.percent ? el("span", { class: "soft" }, ` (${interval(e.percent.lo, e.percent.hi, "%")})`) : null)],
  }));
  return [
    el("p", { class: "soft" }, `${word(m.words)}, ${text.compare.differs}; ${text.compare.better(m.better === "less")}; ${text.compare.confidence(statedPercent(c.confidence))}`),
    rows.length ? intervals(text.compare.effectsOf(word(m.words)), text.compare.differs, rows) : null,
    kinds.map((k) => el("p", null, stateMark(k), text.compare.without(silent.filter((e) => e.finding === k).length))),
    el("details", null, el("summary", null, text.compare.details), table(text.compare.effects, [text.compare.effects, text.compare.difference, text.compare.interval, text.compare.pValue, text.compare.blocks, text.compare.remarks],
      own.map((e) => [`${e.within ? e.within + ": " : ""}${text.compare.against(e.a, e.b)}`, figure(e.absolute, word(e.unit)), e.absolute ? interval(e.absolute.lo, e.absolute.hi, word(e.unit)) : text.none, pValue(e.p_adjusted),
        e.block ? text.compare.blocksOf(e.blocks_a, e.blocks_b, ...(text.compare.block[e.block] ?? [e.block, e.block])) : text.none, e.warnings.map(word).join("; ")]))),
    levels.length ? [el("h3", null, `${text.compare.levels}: ${word(m.words)}`),
      table(text.compare.levels, [text.compare.setup, text.compare.middle, text.compare.letters, text.compare.pieces, text.compare.picks],
        levels.map((l) => [(l.within ? l.within + " · " : "") + l.level, number(l.middle, word(l.unit), 4), l.letters || text.none, String(l.pieces), String(l.picks)])),
      levels.some((l) => l.letters) ? el("p", { class: "soft small" }, text.compare.lettersHelp) : null] : null];
}

/** What the spoiled picks would change if they counted. */
function spoiledWords(c: Comparison, m: Measure): Child {
  if (c.spoiled === 0) return null;
  const changed = c.with_spoiled.filter((x) => x.measure === m.name);
  return el("p", { class: "remark user" }, text.compare.spoiledAll(c.spoiled), " ", changed.length === 0 ? text.compare.sameWith
    : changed.map((x) => text.compare.differsWith(`${x.within ? x.within + ": " : ""}${text.compare.against(x.a, x.b)}`, word(x.with), word(x.without))).join("; "));
}

function verdictWords(c: Comparison, app: App): Child {
  const setups = app.watch.trial.setups;
  const bags = [...new Set(setups.map((s) => s.bag))], cups = [...new Set(setups.map((s) => s.cup))];
  const of = (name: string) => c.setups.find((v) => v.setup === name);
  const drops = c.setups.map((v) => ({ v, k: v.criteria.find((k) => k.name === "drops") })).filter((x) => x.k?.rate);
  const any = c.setups.some((v) => v.criteria.length > 0);
  const cell = (bag: string, cup: string) => {
    const here = setups.filter((s) => s.bag === bag && s.cup === cup);
    if (here.length === 0) return el("span", { class: "soft" }, text.compare.untried);
    return here.map((s) => {
      const v = of(s.name);
      // Bag and cup stand at the edges of the grid: a name that is made of them says nothing more.
      const own = s.bag && s.cup && s.name.includes(s.bag) && s.name.includes(s.cup) ? "" : s.name;
      return el("div", null, v && v.answer ? stateMark(v.answer) : el("span", { class: "soft" }, text.none), " ",
        el("span", { class: "soft small" }, [own, s.cups > 1 ? text.compare.cups(s.cups) : "", s.placement, s.tilt, s.engine, s.engine_setting].filter((x) => x).join(" · ")));
    });
  };
  const because = (v: Verdict) => v.criteria.map((k) => el("div", null, k.answer ? stateMark(k.answer, "") : null, text.compare.criterion(word(k.name), k.failed, k.picks),
    k.normal_decided && k.answer === "holds" ? `, ${text.compare.normal}` : k.rate ? ", " + text.compare.bound(percent(k.rate.hi, 2), statedPercent(k.max_share)) : "",
    k.answer === "not shown yet" && k.picks_needed > k.picks ? "; " + text.compare.needed(k.picks_needed) : "")).concat(v.with_spoiled && v.with_spoiled !== v.answer ? [el("div", null, text.compare.verdictWith(word(v.with_spoiled)))] : [])
    .concat(v.warnings.map((x) => el("div", { class: "soft" }, word(x))));
  return [
    el("h2", null, text.compare.verdicts),
    any ? el("h3", null, text.compare.grid) : null,
    any ? table(text.compare.gridOf, [text.compare.bag, ...cups.map((x) => x || text.none)], bags.map((b) => [b, ...cups.map((x) => cell(b, x))]), "grid") : null,
    drops.length ? [el("h3", null, text.compare.dropsHeading),
      intervals(text.compare.dropsOf, text.compare.dropsAxis, drops.map(({ v, k }) => ({
        words: v.setup, value: k!.rate!.value === null ? null : k!.rate!.value * 1e3, lo: k!.rate!.lo === null ? 0 : k!.rate!.lo * 1e3, hi: k!.rate!.hi === null ? null : k!.rate!.hi * 1e3, limit: k!.max_share === null ? null : k!.max_share * 1e3,
        tone: k!.answer === "holds" ? 2 : k!.answer === "does not" ? 1 : 4, shape: (k!.answer === "holds" ? "point" : "diamond") as "point" | "diamond",
        after: [el("div", null, k!.answer ? stateMark(k!.answer) : null), el("div", null, text.compare.upTo(text.compare.failedOf(k!.failed, k!.picks), number(k!.rate!.hi === null ? null : k!.rate!.hi * 1e3, text.per1000, 2)))],
      })), 0)] : null,
    any ? table(text.compare.verdicts, [text.compare.setup, text.compare.requirement, text.compare.picks, text.compare.pieces, text.compare.because],
      c.setups.map((v) => [v.setup, v.answer ? stateMark(v.answer) : text.none, String(v.picks) + (v.spoiled ? ` (${text.compare.spoiled(v.spoiled)})` : ""), String(v.pieces), because(v)]), "reasons") : el("p", { class: "empty" }, text.compare.noCriteria)];
}

function choicePanel(app: App, alive: () => boolean) {
  const bags = [...new Set(app.watch.trial.setups.map((s) => s.bag))];
  const shares = new Map(bags.map((b) => [b, el("input", { type: "number", min: 0, max: 100, step: "any", value: +(100 / bags.length).toFixed(2) })]));
  const rate = el("input", { type: "number", min: 0, step: "any", value: app.watch.trial.requirement?.picks_per_minute ?? null });
  const body = el("div", { class: "panel" });
  let asked = false;
  const read = () => {
    const q = new URLSearchParams();
    if (asked) for (const [b, input] of shares) if (Number(input.value) > 0) q.append("mix", `${b}=${input.value} %`);
    if (rate.value) q.set("rate", rate.value + " /min");
    return fillWith<Choice>(body, () => get<Choice>("choose?" + q), (c) => [
      el("p", { class: "lead" }, c.sentence ? sentence(c.sentence) : text.compare.noChoice),
      c.machines.length ? el("details", null, el("summary", null, text.compare.machines), table(text.compare.choice,
        [text.compare.machine, text.compare.answer, text.compare.energy, text.compare.drops, text.compare.lowest],
        c.machines.map((m) => [m.levels, [m.answer ? stateMark(m.answer) : null, m.missing ? el("div", { class: "soft" }, sentence(m.missing)) : null], figure(m.energy_kJ_per_1000, "kJ"), number(m.drops_per_1000_bound, text.per1000, 2), percent(m.share_of_resamples_lowest, 2)]))) : null,
      c.changes > 0 ? el("details", null, el("summary", null, text.compare.changes), table(text.compare.changes, [text.compare.bag, text.compare.machine, text.compare.answer],
        c.change_plan.map((p) => [p.bag, p.setup, p.answer ? stateMark(p.answer) : text.none]))) : null], alive);
  };
  const node = el("section", { class: "panel station", "aria-label": text.compare.choice }, el("h2", null, text.compare.choice), body,
    bags.length ? el("details", null, el("summary", null, text.compare.mix), el("form", {
      class: "row", onsubmit: (e: Event) => {
        e.preventDefault();
        asked = true;
        read();
      },
    }, [...shares].map(([b, input]) => field(text.compare.shareOf(b || text.none), input)), field(text.compare.rate, rate), el("button", null, text.compare.ask))) : null);
  read();
  return { node, read };
}
