// The page: its head, the views, keys, and the foot with the cautions.
import "uplot/dist/uPlot.min.css";
import "./style.css";
import { post } from "./api";
import { why, dialog, type App, type View } from "./app";
import { el, field, put, say, select, sentence } from "./dom";
import { duration } from "./format";
import { mark, stateMark } from "./mark";
import { locked, Watch } from "./state";
import { text, word } from "./text";
import { setTheme, theme, type Theme } from "./theme";
import type { Session } from "./types";
import { compare } from "./views/compare";
import { engine } from "./views/engine";
import { live } from "./views/live";
import { picks } from "./views/picks";
import { placement } from "./views/placement";
import { soak } from "./views/soak";
import { speed } from "./views/speed";
import { trial } from "./views/trial";

const views: View[] = [live, trial, picks, compare, engine, placement, soak, speed];
const keysOff = "griptrial.keys";

const watch = new Watch();
const heading = el("h1", { class: "user" }), state = el("div", { class: "state", role: "status" }), clock = el("div", { class: "soft" });
const main = el("main", { id: "content", tabindex: -1 }), nav = el("nav", { class: "views", "aria-label": text.views });
const said = el("p", { class: "unseen", role: "status" }), alert = el("div", { role: "alert" });
const foot = el("footer");
let end: () => void = () => {};
let shown = "";
let viewKeys = new Map<string, () => void>();
let alertTimer = 0;

const app: App = {
  watch,
  operator: false,
  announce(words, bad = false) {
    clearTimeout(alertTimer);
    if (!bad) {
      put(said, words);
      put(alert, el("p", { class: "remark toast" }, words));
    } else {
      put(alert, el("p", { class: "remark bad toast" }, words));
    }
    alertTimer = window.setTimeout(() => put(alert), bad ? 12000 : 4000);
  },
  key: (key, f) => viewKeys.set(key, f),
};

function show(): void {
  const name = location.hash.replace(/^#\/?/, "") || "live";
  const view = views.find((v) => v.name === name) ?? live;
  if (shown === view.name) return;
  end();
  viewKeys = new Map();
  const first = shown === "";
  shown = view.name;
  for (const a of nav.querySelectorAll("a")) {
    const on = a.getAttribute("href") === "#/" + view.name;
    if (on) a.setAttribute("aria-current", "page");
    else a.removeAttribute("aria-current");
    if (on) a.scrollIntoView({ block: "nearest", inline: "nearest" });
  }
  put(main, el("h2", { class: "unseen" }, text.view[view.name]));
  const root = el("div", { class: "view" });
  main.append(root);
  end = view.show(root, app);
  document.title = `${text.view[view.name]} · ${text.title(watch.trial.name)}`;
  if (!first) {
    main.focus({ preventScroll: true });
    scrollTo(0, 0);
  }
}

let inProgress = 0;

/** Says when the run in progress has ended by itself, on whatever view. */
function showComplete(): void {
  const r = watch.trial.runs.find((x) => x.n === inProgress);
  if (r && watch.state.run === 0 && r.status === "done") app.announce(text.trial.complete(r.n, r.picks));
  inProgress = watch.state.run;
}

const lostLong = el("div", { class: "remark bad", role: "alert", hidden: true }, text.state.lostLong);

function showState(): void {
  const s = watch.state;
  inProgress ||= s.run;
  if (watch.link === "lost" || watch.link === "opening" && s.live) put(state, stateMark(watch.link, watch.link === "lost" ? text.state.lost : text.state.opening));
  else if (s.recording_error) put(state, mark("✕", "bad", [`${text.state.failed}: `, sentence(s.recording_error)]));
  else if (s.live) put(state, stateMark("recording", text.state.recording));
  else put(state, stateMark("finished", s.finished ? text.state.finished : text.state.ended));
  lostLong.hidden = watch.link !== "lost";
  say(clock, [s.t_s === null ? "" : duration(s.t_s), s.live ? (s.run > 0 ? text.state.run(s.run, s.runs) : s.runs > 0 ? text.state.noRun : "") : "", text.live.picks(s.picks)].filter((x) => x).join(" · "));
}

function keysOn(): boolean {
  try {
    return localStorage.getItem(keysOff) === null;
  } catch {
    return true;
  }
}

function keyList(): void {
  const box = el("input", {
    type: "checkbox", checked: keysOn(), onchange: () => {
      try {
        if (box.checked) localStorage.removeItem(keysOff);
        else localStorage.setItem(keysOff, "off");
      } catch {
        // it stays as it is
      }
    },
  });
  dialog(text.keys.heading, [field(text.keys.on, box),
    el("table", null, el("tbody", null, text.keys.list.map(([k, what]) => el("tr", null, el("th", { scope: "row" }, el("kbd", null, k)), el("td", null, what)))))]);
}

addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.altKey || e.metaKey || e.defaultPrevented || !keysOn() || document.querySelector("dialog[open]")) return;
  const at = e.target as HTMLElement;
  if (at.closest("input:not([type=checkbox]):not([type=range]), textarea, select")) return;
  const i = "12345678".indexOf(e.key);
  if (e.key.length === 1 && i >= 0) location.hash = "#/" + views[i].name;
  else if (e.key === "?") keyList();
  else if (viewKeys.has(e.key)) viewKeys.get(e.key)!();
  else return;
  e.preventDefault();
});

function frame(): void {
  nav.append(...views.map((v, i) => el("a", { href: "#/" + v.name }, el("kbd", { "aria-hidden": "true" }, String(i + 1)), text.view[v.name])));
  const colours = select(Object.entries({ system: text.theme.system, light: text.theme.light, dark: text.theme.dark }), theme(), (v) => setTheme(v as Theme));
  colours.setAttribute("aria-label", text.theme.label);
  document.body.append(
    el("a", { class: "skip", href: "#content", onclick: (e: Event) => { e.preventDefault(); main.focus(); } }, text.skip),
    el("header", null, el("div", { class: "head" }, state, heading, clock, el("div", { class: "tools" }, el("button", { onclick: keyList }, text.keys.button), colours)), nav),
    lostLong, alert, said, main, foot);
}

function head(): void {
  say(heading, watch.trial.name || watch.trial.file);
  app.operator = watch.session.role === "operator" && !watch.session.read_only;
  put(foot, el("strong", null, text.cautions), watch.session.cautions.map((c) => el("p", null, word(c))), el("p", null, text.version(watch.session.version)));
}

/** Asks for a token, and begins again with it. */
function login(): void {
  const token = el("input", { type: "password", autocomplete: "current-password", required: true }), wrong = el("p", { class: "remark bad", hidden: true });
  put(main, el("form", {
    class: "panel", onsubmit: async (e: Event) => {
      e.preventDefault();
      try {
        await post<Session>("session", { token: token.value });
        await begin();
      } catch (err) {
        put(wrong, locked(err) ? text.login.wrong : why(err));
        wrong.hidden = false;
      }
    },
  }, el("h2", null, text.login.heading), field(text.login.label, token), wrong, el("div", { class: "row" }, el("button", { class: "main" }, text.login.enter))));
  token.focus();
}

async function begin(): Promise<void> {
  try {
    await watch.load();
  } catch (e) {
    if (locked(e)) return login();
    put(main, el("div", { class: "remark bad" }, el("p", null, text.failed, why(e)), el("button", { onclick: begin }, text.retry)));
    return;
  }
  head();
  watch.on("trial", head);
  watch.on("trial", showComplete);
  watch.on("state", showState);
  watch.on("link", showState);
  watch.follow();
  showState();
  show();
  addEventListener("hashchange", show);
}

frame();
put(main, el("p", { class: "soft" }, text.loading));
begin();
