// Carries out a trial on the page as a person would, and looks at every view. The Go test
// beside it starts the server and says by the environment where it is.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
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
await has(".steps strong", /^−?[\d.]+ kPa$/);
const zero = (await api("bench")).steps[0];
assert.ok(zero.name === "zero" && Number.isFinite(zero.before.value_kPa), "the step was not read");
await page.getByLabel("Piece id").fill(hostile.piece + " b");
await button("Start the run").click();
await has("h2", "Run 1 in progress");
const counts = () => page.waitForFunction(() => [...document.querySelectorAll(".count")].some((c) => /^[012]/.test(c.textContent))); // of 3
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

// Cut off: the recorder goes on, and the page catches up with all that it missed.
const before = (await api("state")).picks;
await page.evaluate(() => {
  window.seen = new Set();
  const look = () => document.querySelectorAll("button[aria-label]").forEach((b) => window.seen.add(b.getAttribute("aria-label").replace(/^.* pick (\d+ of .*?)( count again)?$/, "$1")));
  new MutationObserver(look).observe(document.querySelector("main"), { childList: true, subtree: true });
});
await context.setOffline(true);
await has(".state", "no connection");
await page.waitForTimeout(5000);
await context.setOffline(false);
await has(".state", "recording");
const after = await api("picks?sort=order&descending=true&limit=4");
assert.ok(after.total >= before + 2, `${after.total} picks after ${before}: too few were made meanwhile to show anything`);
await page.waitForFunction((all) => all.every((p) => window.seen.has(p)), after.picks.filter((p) => !p.provisional).map((p) => `${p.n} of ${p.station}`));
done(`cut off for 5 s: ${after.total - before} picks caught up`);
await page.locator("main").focus();
if ((await api("state")).run === 2) await page.keyboard.press("s");
await has("h2", "Mount next: Run 3");
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

// Every view in both themes: no serious finding of axe, no overflow, names as text.
const axe = readFileSync(new URL("node_modules/axe-core/axe.min.js", import.meta.url), "utf8");
await page.addInitScript({ content: axe });
const shown = async (view) => {
  await page.goto(new URL("#/" + view, page0).href);
  await page.waitForFunction(() => document.querySelector(".view")?.childElementCount > 0 && !document.querySelector("[aria-busy]"));
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
  assert.ok(wide <= 0, `${view} is ${wide} px too wide`);
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
await page.setViewportSize({ width: 390, height: 844 });
for (const view of views) {
  await shown(view);
  if (screens) await page.screenshot({ path: `${screens}/${view}-phone.png`, fullPage: true });
}
done("phone");

assert.equal(await page.evaluate(() => window.taken), undefined, "a name was taken for markup");
assert.equal(await page.locator("main script, main b, img").count(), 0);
assert.deepEqual(faults, []);
await browser.close();
done("all done");
