// What the checks in a browser share: a browser, a page with all that it says, faults by axe-core, and the count of what failed.
import { existsSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { chromium } from "playwright-core";

const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const executablePath = ["/usr/bin/chromium", "/usr/bin/chromium-browser"].find((path) => existsSync(path));
const browser = await chromium.launch({ executablePath, args: ["--no-sandbox"] });

let failed = 0;
export function holds(what, is, found = "") {
  console.log(`${is ? "ok  " : "FAIL"} ${what}${is ? "" : `: ${found}`}`);
  failed += is ? 0 : 1;
}

/** A page at this address, and what it complains of or asks for from anywhere that does not begin as one of `own` does. */
export async function opened(address, own, options = {}) {
  const { offline, ...more } = options;
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 }, ...more });
  await context.setOffline(Boolean(offline));
  const page = await context.newPage();
  const said = [];
  page.on("console", (message) => ["error", "warning"].includes(message.type()) && said.push(message.text()));
  page.on("pageerror", (error) => said.push(String(error)));
  page.on("dialog", (dialog) => said.push(`a dialog: ${dialog.message()}`));
  page.on("request", (request) => own.some((begin) => request.url().startsWith(begin)) || said.push(`asks for ${request.url()}`));
  await page.goto(address);
  return { page, said };
}

/** A file, opened with the network off. */
export const openedFile = (address, options = {}) => opened(address, ["file:", "data:"], { offline: true, ...options });

/** Serious faults by axe-core, contrast among them. */
export async function faults(page) {
  await page.evaluate(axe);
  const found = await page.evaluate(() => window.axe.run(document, { resultTypes: ["violations"] }));
  return found.violations.filter((one) => ["serious", "critical"].includes(one.impact))
    .map((one) => `${one.id} (${one.nodes.length}): ${one.nodes[0].html.slice(0, 120)} ${one.nodes[0].failureSummary}`);
}

export const openAll = (page) => page.evaluate(() => { for (const one of document.querySelectorAll("details")) one.open = true; });
export const width = (page) => page.evaluate(() => document.documentElement.scrollWidth);

/** The browser is closed; the status says whether all held. */
export async function end() {
  await browser.close();
  process.exit(failed === 0 ? 0 : 1);
}

/** A processor and its load, answered in a moment. */
export const DEPOT = `title = "Depot desktops on one box"
[run]
seed = 1
length = "200 ms"
warm_up = "20 ms"
replications = 4
[design.cpu]
cores = 2
service = { mean = "10 us", shape = "exponential" }
[[class]]
name = "desktops"
machines = 1
load = { rate = "100000/s" }
read = 1
sizes = "4 KiB"
[[objective]]
class = "desktops"
percentile = 99
below = "200 us"
`;
