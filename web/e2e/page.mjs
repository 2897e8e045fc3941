// Carries out a trial on the page as a person would, and looks at every view. The Go test
// beside it starts the server and says by the environment where it is.
import assert from "node:assert/strict";
import { once } from "node:events";
import { readFileSync } from "node:fs";
import net from "node:net";
import { chromium } from "playwright-core";

const page0 = process.env.PAGE, hostile = JSON.parse(process.env.HOSTILE), screens = process.env.SCREENS;
const api = (path, init) => fetch(new URL("/api/v1/" + path, page0), init).then((r) => r.json());
const began = Date.now();
const done = (what) => console.log(`${((Date.now() - began) / 1000).toFixed(1)} s  ${what}`);
const views = ["live", "trial", "picks", "compare", "engine", "placement", "soak", "speed"];

const browser = await chromium.launch({ executablePath: process.env.CHROMIUM, args: ["--no-sandbox"] });
const context = await browser.newContext({ viewport: { width: 1280, height: 900 } });
context.setDefaultTimeout(20000);
const page = await context.newPage();
process.on("uncaughtException", async (e) => {
  console.error(e);
  console.error("the page then said:\n" + (await page.locator("main").innerText().catch(() => "nothing")).slice(0, 3000));
  process.exit(1);
});
const faults = [];
page.on("pageerror", (e) => faults.push(`error: ${e.message}`));
page.on("console", (m) => {
  // Chromium itself tells of requests that a network that is off has cut.
  if (["error", "warning"].includes(m.type()) && !/ERR_INTERNET_DISCONNECTED|ERR_NETWORK_CHANGED/.test(m.text())) faults.push(`${m.type()}: ${m.text()}`);
});
page.on("request", (r) => {
  const u = new URL(r.url());
  if (u.protocol !== "blob:" && u.origin !== new URL(page0).origin) faults.push(`asked for ${r.url()}`);
});
page.on("dialog", (d) => faults.push(`a dialog: ${d.message()}`));

const has = (where, what) => page.locator(where, { hasText: what }).first().waitFor();
const button = (name) => page.getByRole("button", { name, exact: true });

// A viewer behind a cable that is pulled for 30 s while all else goes on: nothing is refused or
// closed, nothing arrives. It hears of every pick once, in order.
const cable = { pulled: false, ends: new Set(), server: null };
cable.server = net.createServer((near) => {
  const far = net.connect(new URL(page0).port, "127.0.0.1");
  for (const [from, to] of [[near, far], [far, near]]) {
    cable.ends.add(from);
    from.on("data", (d) => to.write(d)).on("close", () => { cable.ends.delete(from); to.destroy(); }).on("error", () => {});
    if (cable.pulled) from.pause(); // a listener lets it flow
  }
}).listen(0, "127.0.0.1");
await once(cable.server, "listening");
const pull = (pulled) => {
  cable.pulled = pulled;
  for (const s of cable.ends) pulled ? s.pause() : s.resume();
};
const cutOff = (async () => {
  // A browser's proxy may be the server itself, as far as the server cares.
  const away = await browser.newContext({ proxy: { server: `http://127.0.0.1:${cable.server.address().port}` } });
  const viewer = await away.newPage();
  await viewer.addInitScript(() => {
    window.heard = [];
    const Plain = EventSource;
    window.EventSource = class extends Plain {
      constructor(...a) {
        super(...a);
        this.addEventListener("pick", (e) => heard.push(JSON.parse(e.data)));
      }
    };
  });
  await viewer.goto(new URL("#/trial", page0).href);
  await viewer.waitForFunction(() => heard.length > 0, undefined, { timeout: 20000 });
  const began = Date.now();
  pull(true);
  await viewer.locator(".state", { hasText: "no connection" }).waitFor({ timeout: 20000 });
  const before = await viewer.evaluate(() => heard.length);
  const least = (await api("picks?limit=1")).total;
  if (screens) await viewer.screenshot({ path: `${screens}/cut-off.png` });
  await new Promise((r) => setTimeout(r, 30000 - (Date.now() - began)));
  assert.equal(await viewer.evaluate(() => heard.length), before, "the cable was not pulled");
  const made = (await api("picks?sort=order&limit=1000")).picks;
  assert.ok(made.length >= least + 2, `${made.length} picks after ${least}: too few were made meanwhile to show anything`);
  pull(false);
  await viewer.locator(".state", { hasText: "recording" }).waitFor({ timeout: 20000 });
  const names = made.map((p) => `${p.n} ${p.station}`);
  await viewer.waitForFunction((last) => heard.some((p) => `${p.n} ${p.station}` === last), names.at(-1), { timeout: 20000 });
  const heard = (await viewer.evaluate(() => heard.map((p) => `${p.n} ${p.station}`)));
  const from = names.indexOf(heard[0]);
  assert.ok(from >= 0);
  assert.deepEqual(heard.slice(0, names.length - from), names.slice(from), "not every pick once, in order");
  // The newest one is among those shown.
  await viewer.waitForFunction(() => [...document.querySelectorAll("th")].some((h) => h.textContent === `${window.heard.at(-1).n} ${window.heard.at(-1).station}`));
  await away.close();
  cable.server.close();
  done(`cut off for 30 s: ${names.length - from - before} picks caught up`);
})();

// Two cups in two hands, by mouse: begin a run; readings come in meanwhile.
const hands = await browser.newPage({ viewport: { width: 1180, height: 820 } });
hands.setDefaultTimeout(20000);
await hands.goto(new URL("#/trial", process.env.HANDS).href);
await hands.getByLabel("Token").fill(process.env.OPERATOR);
await hands.getByRole("button", { name: "Enter" }).click();
await hands.locator("h2", { hasText: "Mount next: Run 1" }).waitFor();
await hands.getByRole("button", { name: "Start the run" }).click();
await hands.locator(".huge", { hasText: /^No readings yet|by \d/ }).waitFor();
done("by hand: a run begun");

// Live: the vacuum as a large number with its unit, moving.
await page.goto(page0);
await has(".station h2", "left");
await page.waitForFunction(() => /\d/.test(document.querySelector(".gauge").textContent));
const readings = new Set();
for (let i = 0; i < 200 && readings.size < 3; i++) {
  readings.add(await page.locator(".gauge").first().textContent());
  await page.waitForTimeout(50);
}
assert.ok(readings.size >= 3, `the reading does not move: ${[...readings]}`);
for (const r of readings) assert.match(r, /^−?[\d.]+kPa$/);
done("live: readings move");

// By mouse: start the run, picks arrive, spoil one, write a note, stop the run.
await page.getByRole("link", { name: "Trial" }).click();
await has("h2", "Mount next: Run 1");
assert.equal(await page.getByLabel("Piece id").inputValue(), hostile.piece);
await button("Read zero of left").click();
await has(".steps", /swings from -?[\d.]+ to [\d.]+ kPa: keep it still/); // the simulated rig goes on picking
const zero = (await api("bench")).steps[0];
assert.ok(zero.name === "zero" && zero.before.value_kPa === null && zero.before.pass === false && /^swings/.test(zero.before.why), `the step was not refused: ${JSON.stringify(zero.before)}`);
await page.getByLabel("Piece id").fill(hostile.piece + " b");
await button("Start the run").click();
await has("h2", "Run 1 in progress");
const counts = () => page.waitForFunction(() => [...document.querySelectorAll(".count")].some((c) => parseInt(c.textContent) < 40)); // of 40
await counts();
const label = await page.getByRole("button", { name: /^Spoil pick \d+ of/ }).first().getAttribute("aria-label");
const spoiled = label.match(/pick (\d+) of (.*)$/);
await button(label).click(); // by its name: new picks come above it
await page.getByLabel("Reason").fill("<b>the bag</b> was held by hand");
await button("Save").click();
await has("body", "spoiled: <b>the bag</b> was held by hand");
assert.equal((await api(`picks/${spoiled[2]}/${spoiled[1]}`)).pick.spoiled, "<b>the bag</b> was held by hand");
await page.getByLabel("Note").fill(hostile.note);
await button("Write it down").click();
await has(".key", hostile.note.slice(0, 200));
await button("Stop the run").click();
await has("h2", "Mount next: Run 2");
let trial = await api("trial");
assert.equal(trial.runs[0].piece, hostile.piece + " b");
assert.equal(trial.notes[0].text, hostile.note.trim());
assert.equal(trial.runs[0].status, "stopped");
done("trial by mouse");

// By keyboard alone: the next run, a note, a spoiled pick, stop.
await page.keyboard.press("1");
await has(".station", "kPa");
await page.keyboard.press("2");
await has("h2", "Mount next: Run 2");
await page.keyboard.press("s");
await has("h2", "Run 2 in progress");
await page.keyboard.press("n");
await page.keyboard.type("written by keyboard, s does not stop the run");
await page.keyboard.press("Tab");
await page.keyboard.press("Enter");
await has(".key", "written by keyboard");
assert.equal((await api("state")).run, 2);
await counts();
await page.locator("main").focus();
await page.keyboard.press("x");
await page.getByLabel("Reason").waitFor();
await page.keyboard.type("by keyboard");
await page.keyboard.press("Enter");
await has("body", "spoiled: by keyboard");
done("trial by keyboard, half");

await page.locator("main").focus();
await page.keyboard.press("s");
await has("h2", "Mount next: Run 3");
await page.evaluate(() => {
  window.told = new Set();
  const aloud = document.querySelector("p.unseen[role=status]");
  new MutationObserver(() => told.add(aloud.textContent)).observe(aloud, { childList: true });
});
await page.keyboard.press("s"); // a short one, which ends by itself below
await has("h2", "Run 3 in progress");
done("trial by keyboard");

// Picks: sorted by a figure, one opened with its budget, by keyboard.
await page.keyboard.press("3");
await has("h2", "Picks laid over each other");
await page.getByRole("button", { name: "seal time" }).click();
await has("th[aria-sort=descending]", "seal time");
await page.locator("main").focus();
await page.keyboard.press("j");
await page.keyboard.press("Enter");
await has("dialog h3", "Where the uncertainty comes from");
await has("dialog td", " ms");
await page.locator("dialog canvas").waitFor();
await page.keyboard.press("Escape");
await page.locator("dialog").waitFor({ state: "detached" });
done("picks");

// Placement: a lip dragged by mouse and moved by key; the gap comes from the server.
await page.keyboard.press("6");
const gap = () => page.locator(".huge").textContent();
await has(".huge", "15.0 mm");
const lip = page.locator("circle.lip").first(), box = await lip.boundingBox();
await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
await page.mouse.down();
await page.mouse.move(box.x + box.width / 2 + 30, box.y + box.height / 2 + 25, { steps: 5 });
await page.mouse.up();
await has("p", "as dragged");
await page.waitForFunction(() => document.querySelector(".huge").textContent !== "15.0 mm");
const dragged = await gap();
await lip.focus();
await page.keyboard.press("Shift+ArrowDown");
await page.waitForFunction((d) => document.querySelector(".huge").textContent !== d, dragged);
const download = page.waitForEvent("download");
await button("Sheet to print").click();
assert.equal(readFileSync(await (await download).path()).subarray(0, 5).toString(), "%PDF-");
done("placement");

// Engine: a slider asks the server.
await page.keyboard.press("5");
await has(".lead", "holds");
const answered = page.waitForResponse((r) => r.url().endsWith("/engine") && r.request().postData().includes("required_kPa"));
await page.getByLabel("Required vacuum").focus();
await page.keyboard.press("End");
assert.equal((await answered).status(), 200);
await has(".field output", "85 kPa");
done("engine");

// The short run has ended by itself: the page says so, and leads to the next one.
await page.waitForFunction(() => told.has("Run 3 is complete: each station has its 1 pick."));
assert.equal((await api("state")).run, 0);
assert.equal((await api("trial")).runs[2].status, "done");
await page.keyboard.press("1");
await has(".remark", "Run 3 is complete");
await page.getByRole("link", { name: "Mount run 4" }).click();
await has("h2", "Mount next: Run 4");
await has(".complete", "Run 3 is complete");
done("a run that ends by itself");
await button("Go on with run 1").click(); // from the run sheet
await has("h2", "Run 1 in progress");
await button("Stop the run").click();
await has("h2", "Mount next: Run 4");

// Every view, of a trial that is being recorded, in both themes: no serious finding of axe.
const axe = readFileSync(new URL("node_modules/axe-core/axe.min.js", import.meta.url), "utf8");
await page.addInitScript({ content: axe });
// shown opens a view and looks whether all of it can be seen.
const shown = async (view) => {
  await page.goto(new URL("#/" + view, page0).href);
  await page.waitForFunction(() => document.querySelector(".view")?.childElementCount > 0 && !document.querySelector("[aria-busy]"));
  const wrong = await page.evaluate(() => {
    const out = [], seen = (e) => e.checkVisibility() && !e.closest(".unseen, .skip");
    if (document.documentElement.scrollWidth > innerWidth) out.push(`it is ${document.documentElement.scrollWidth - innerWidth} px too wide: ${[...document.querySelectorAll("main *")].filter((e) => e.getBoundingClientRect().right > innerWidth && !e.closest(".scroll")).map((e) => e.outerHTML.slice(0, 120)).slice(-3).join(" ; ")}`);
    let small = Infinity;
    for (const e of document.querySelectorAll("body *")) {
      if (!seen(e)) continue;
      const r = e.getBoundingClientRect(), text = [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
      if (text && !e.closest("noscript")) small = Math.min(small, parseFloat(getComputedStyle(e).fontSize) * (e.getScreenCTM?.().a ?? 1));
      if (text && !e.closest(".scroll, .views, svg, h1") && (r.right > innerWidth + 1 || r.left < -1)) out.push(`beyond the edge: ${e.outerHTML.slice(0, 100)}`);
      if (text && e.scrollWidth > e.clientWidth + 2 && getComputedStyle(e).overflowX !== "visible" && !e.matches("h1, select, textarea, .scroll")) out.push(`cut short: ${e.outerHTML.slice(0, 100)}`);
    }
    // From two metres: on a wall no word smaller than 0.8 % of its width, the large numbers 5 %,
    // and those in sight without scrolling.
    const wall = innerWidth >= 2000;
    if (small < (wall ? innerWidth * 0.008 : 11)) out.push(`words of ${small} px`);
    for (const n of document.querySelectorAll(".gauge")) {
      const size = parseFloat(getComputedStyle(n).fontSize), r = n.getBoundingClientRect();
      if (size < innerWidth * (wall ? 0.05 : 0.04)) out.push(`a large number of ${size} px`);
      if (innerWidth > 700 && (r.bottom > innerHeight || r.top < 0)) out.push("a large number out of sight");
    }
    return out;
  });
  assert.deepEqual(wrong, [], `${view} at ${JSON.stringify(page.viewportSize())}`);
};
await page.reload(); // with axe
for (const view of views) {
  await shown(view);
  // What does not depend on colours is the same in both themes.
  for (const [theme, rules] of [["light", ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]], ["dark", ["cat.color"]]]) {
    await page.emulateMedia({ colorScheme: theme });
    await page.waitForFunction((t) => document.documentElement.dataset.theme === t, theme);
    const found = await page.evaluate((r) => axe.run(document, { runOnly: r, resultTypes: ["violations"] }), rules);
    assert.deepEqual(found.violations.filter((v) => ["serious", "critical"].includes(v.impact)).map((v) => `${v.id}: ${v.nodes[0].html.slice(0, 200)}`), [], `${view}, ${theme}`);
    assert.ok(found.passes.length + found.incomplete.length + found.inapplicable.length > 0, "axe looked at nothing");
    if (screens) await page.screenshot({ path: `${screens}/${view}-${theme}.png`, fullPage: true });
  }
}
done("axe, both themes");
const sizes = { phone: [390, 844], tablet: [820, 1180], wall: [2560, 1440], "wall-4k": [3840, 2160] };
for (const [size, [width, height]] of Object.entries(sizes)) {
  await page.setViewportSize({ width, height });
  // Twice the size is the same layout, twice as large.
  for (const view of size === "wall-4k" && !screens ? ["live", "trial"] : views) {
    await shown(view);
    if (screens) await page.waitForTimeout(800).then(() => page.screenshot({ path: `${screens}/${view}-${size}.png`, fullPage: size === "phone" }));
  }
  done(size);
}
await page.setViewportSize({ width: 1280, height: 900 });

// Every word stands in text.ts: with all of those between brackets, nothing is left without but
// names, numbers, units, and sentences of the server, which say in which language they are.
const marked = await browser.newContext({ viewport: { width: 1280, height: 900 } });
await marked.addInitScript(() => {
  window.drawn = new Set();
  for (const f of ["fillText", "strokeText"]) {
    const plain = CanvasRenderingContext2D.prototype[f];
    CanvasRenderingContext2D.prototype[f] = function (words, ...a) {
      drawn.add(words);
      return plain.call(this, words, ...a);
    };
  }
});
const strange = await marked.newPage();
await strange.route("**/page.js", (r) => r.fulfill({ path: process.env.MARKED, contentType: "text/javascript" }));
const named = new Set();
const name = (x) => {
  if (typeof x === "string") named.add(x);
  else if (x && typeof x === "object") Object.values(x).forEach(name);
};
trial = await api("trial");
["griptrial", trial.name, trial.file, trial.notes.map((x) => [x.text, [...x.text].slice(0, 120).join("")]), trial.stations.map((x) => [x.name, x.engine]), trial.channels.map((x) => [x.name, x.group]), trial.setups.map((x) => Object.values(x)), trial.runs.map((x) => x.piece), trial.engines,
  (await api("engine", { method: "POST", headers: { "Content-Type": "application/json" }, body: "{}" })).leaks.map((x) => x.name), (await api("health")).buses.map((b) => [b.name, b.devices.map((d) => d.name)]), (await api("picks?limit=1000")).picks.map((p) => p.spoiled), (await api("session")).version].forEach(name);
const unmarked = (names) => {
  const out = new Set(), units = /\b(kPa|L|min|ANR|ms|s|J|kJ|W|kWh|Hz|mm|h|n|p)\b|×|kPaⁿ/g;
  const look = (words, where) => {
    for (let before = ""; before !== words; ) [before, words] = [words, words.replace(/⟦[^⟦⟧]*⟧/g, " ")];
    for (const n of names) words = words.replaceAll(n, " ");
    words = words.replace(units, " ");
    if (/\p{L}{2,}/u.test(words)) out.add(`${where}: ${words.trim().slice(0, 120)}`);
  };
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT | NodeFilter.SHOW_ELEMENT);
  for (let n = walk.currentNode; n; n = walk.nextNode()) {
    const e = n.nodeType === 3 ? n.parentElement : n;
    if (e.closest("noscript, body [lang]")) continue;
    if (n.nodeType === 3) look(n.data, e.tagName.toLowerCase() + (e.className.baseVal ?? (e.className && "." + e.className)));
    else for (const a of ["aria-label", "title", "placeholder", "alt", "aria-valuetext"]) if (n.hasAttribute(a)) look(n.getAttribute(a), `${a} of ${n.tagName.toLowerCase()}`);
  }
  for (const words of drawn) look(words, "canvas");
  look(document.title, "title");
  return [...out];
};
const look = async (where) => {
  const found = await strange.evaluate(unmarked, [...named].filter((x) => x).sort((a, b) => b.length - a.length));
  for (const x of found) strangers.add(`${where}, ${x}`);
};
const strangers = new Set();
for (const view of views) {
  await strange.goto(new URL("#/" + view, page0).href);
  await strange.waitForFunction(() => document.querySelector(".view")?.childElementCount > 0 && !document.querySelector("[aria-busy]"));
  await strange.waitForTimeout(200);
  await look(view);
}
await strange.goto(new URL("#/picks", page0).href);
await strange.locator("tbody tr").last().click();
await strange.locator("dialog .pair td").first().waitFor();
await look("a pick");
await strange.keyboard.press("Escape");
await strange.keyboard.press("?");
await strange.locator("dialog kbd").first().waitFor();
await look("the keys");
await strange.goto(process.env.LOCKED);
await strange.locator("input[type=password]").fill("a wrong token, of some length");
await strange.keyboard.press("Enter");
await strange.locator("form .remark").waitFor();
await look("the login");
await marked.close();
assert.deepEqual([...strangers], [], "words that are not in text.ts");
done("every word is in text.ts");

// Two cups in two hands: which is better, by how much, as the server says.
const grip = () => hands.evaluate(() => fetch("/api/v1/grip?run=1").then((r) => r.json()));
await hands.locator(".huge", { hasText: /better by \d/ }).waitFor({ timeout: 60000 });
await hands.waitForFunction(() => parseInt(document.querySelector("[aria-label='Grip reading'] p.user:not(.huge)").textContent.match(/\d+ pairs/)) >= 8, undefined, { timeout: 60000 });
const large = await hands.locator(".huge").textContent(), g = await grip();
assert.equal(g.better, "left", JSON.stringify(g));
assert.match(large, /^left better by [\d.]+ %$/);
assert.ok(Math.abs(parseFloat(large.match(/[\d.]+/)) - g.better_by_percent.value) <= 2, `${large}; the server has ${g.better_by_percent.value}`);
assert.ok(g.better_by_percent.lo > 0 && g.better_by_percent.hi > g.better_by_percent.value);
await hands.locator(".lead", { hasText: /^95 % interval [\d.]+ to [\d.]+ %/ }).waitFor();
if (screens) await hands.screenshot({ path: `${screens}/grip.png` });
await hands.getByRole("button", { name: "From now on" }).click();
await hands.locator(".huge", { hasText: /^No readings yet|leads by|No difference/ }).waitFor();
await hands.getByLabel("A", { exact: true }).selectOption("right");
await hands.getByLabel("B", { exact: true }).selectOption("left");
await hands.getByRole("button", { name: "All", exact: true }).click();
await hands.locator(".huge", { hasText: /^left better by \d/ }).waitFor();
await hands.locator("summary", { hasText: "Readings" }).click();
await hands.locator("[aria-label='Grip reading'] td", { hasText: " kPa" }).first().waitFor();
// A session that has run out, as one does overnight: the page asks for the token again.
await hands.context().clearCookies();
await hands.context().setOffline(true);
await hands.locator(".state", { hasText: "no connection" }).waitFor();
await hands.context().setOffline(false);
await hands.getByLabel("Token").fill(process.env.OPERATOR);
await hands.keyboard.press("Enter");
await hands.locator(".state", { hasText: "recording" }).waitFor();
await hands.close();
done("by hand: " + large);
await cutOff;

// End the recording; the finished trial is compared.
await page.keyboard.press("2");
await button("End the recording").click();
await page.locator("dialog").getByRole("button", { name: "End the recording" }).click();
await has(".state", "finished");
await page.keyboard.press("4");
await has(".lead", /\w/);
await has("h3", "Drops");
await has(".grid td", "flat");
// The middles shown lie among the picks' own seal times.
const seals = (await api("picks?limit=1000")).picks.filter((p) => p.seal_time_s && p.spoiled === null).map((p) => 1e3 * p.seal_time_s.value);
const middles = await page.locator("[aria-label=Middles] tbody tr td:nth-child(2)").allTextContents();
assert.ok(middles.length >= 2, "no middles");
for (const m of middles) assert.ok(/ ms$/.test(m) && parseFloat(m) >= Math.min(...seals) && parseFloat(m) <= Math.max(...seals), `a middle of ${m}, seal times from ${Math.min(...seals)} to ${Math.max(...seals)} ms`);
done("the end, and compare");

// A page that asks for a token: a wrong one is told, a viewer has no controls, an operator has.
const other = await context.newPage();
await other.goto(process.env.LOCKED);
await other.getByLabel("Token").fill("a wrong token, of some length");
await other.keyboard.press("Enter");
await other.locator("p", { hasText: "This token is not known." }).waitFor();
await other.getByLabel("Token").fill(process.env.VIEWER);
await other.keyboard.press("Enter");
await other.locator(".state", { hasText: "finished" }).waitFor();
await other.goto(new URL("#/picks", process.env.LOCKED).href);
await other.locator("tbody tr").first().click();
await other.locator("dialog td", { hasText: " ms" }).first().waitFor();
assert.equal(await other.getByRole("button", { name: /^Spoil/ }).count(), 0);
await context.clearCookies();
await other.reload();
await other.getByLabel("Token").fill(process.env.OPERATOR);
await other.keyboard.press("Enter");
await other.locator("tbody tr").first().click();
await other.getByRole("button", { name: /^Spoil/ }).waitFor();
await other.close();
done("tokens");

for (const view of views) await shown(view); // finished, too
done("every view of the finished trial");

assert.equal(await page.evaluate(() => window.taken), undefined, "a name was taken for markup");
assert.equal(await page.locator("main script, main b, img").count(), 0);
assert.deepEqual(faults, [], "faults");
await browser.close();
done("all done");
