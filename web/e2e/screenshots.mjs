// Takes README's pictures of the page from a running demo.
import { chromium } from "playwright-core";

const browser = await chromium.launch({ executablePath: process.env.CHROMIUM, args: ["--no-sandbox"] });
const shot = async (view, theme, size, ready, name) => {
  const page = await browser.newPage({ viewport: size, colorScheme: theme });
  await page.goto(new URL("#/" + view, process.env.PAGE).href);
  await ready(page);
  await page.screenshot({ path: `${process.env.TO}/${name}.png` });
  await page.close();
};
// In the middle of a run, while a bag is held.
await shot("live", "dark", { width: 1120, height: 760 }, async (page) => {
  await page.locator(".last dd", { hasText: "±" }).first().waitFor();
  await page.waitForTimeout(12000);
  await page.waitForFunction(() => [...document.querySelectorAll(".gauge")].every((g) => parseFloat(g.textContent) > 40) &&
    [...document.querySelectorAll(".last dd")].filter((d) => d.textContent.includes("±")).length > 8, undefined, { polling: 50, timeout: 120000 });
}, "live");
await shot("picks", "light", { width: 1240, height: 900 }, async (page) => {
  await page.locator("canvas").waitFor();
  await page.locator("tbody tr").nth(10).waitFor();
  await page.waitForFunction(() => /median of [6-9] picks.*median of [6-9] picks/s.test(document.querySelector(".key")?.textContent ?? ""), undefined, { timeout: 60000 });
  await page.waitForTimeout(1000);
}, "picks");
await shot("engine", "light", { width: 1120, height: 860 }, async (page) => {
  await page.locator("canvas").waitFor({ timeout: 60000 });
  await page.waitForTimeout(500);
}, "engine");
await browser.close();
