// The page in a real browser: node tests/browser/page.mjs PAGE.html KNEE.json
// Network off, no complaint on the console, the answer on the first screen, a point read off equals the JSON, arrow keys, print
// with every section, dark mode, phone width, and no serious fault by axe-core.
import { execFileSync } from "node:child_process";
import { mkdtempSync, readFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { end, faults, holds, openedFile, width } from "./browser.mjs";

const [file, kneeFile] = process.argv.slice(2);
const opened = (options) => openedFile(pathToFileURL(file).href, options);

for (const colorScheme of ["light", "dark"]) {
  const { page, said } = await opened({ colorScheme });
  const wrong = await faults(page);
  holds(`${colorScheme}: no serious fault by axe-core, contrast among them`, wrong.length === 0, wrong.join("\n"));
  holds(`${colorScheme}: nothing on the console, nothing fetched`, said.length === 0, said.join("\n"));
  await page.close();
}

const { page, said } = await opened({});
const bottom = await page.$eval("#answer", (answer) => answer.getBoundingClientRect().bottom);
holds("the answer is on the first screen", bottom <= 800, bottom);

// Every point of p99, by pointer: the words are those of the JSON's figure.
const knee = JSON.parse(readFileSync(kneeFile, "utf8"));
const wanted = knee.curve.filter((point) => point.state === "stable").map((point) => point.latency_us.p99.value)
  .filter((value) => value !== null);
const marks = page.locator("#curve .dot[data-words^='p99']");
holds("a point for each load that is carried", (await marks.count()) === wanted.length, await marks.count());
const unit = { ns: 1e-3, us: 1, ms: 1e3, s: 1e6 };
let worst = 0;
for (let nth = 0; nth < wanted.length; nth += 1) {
  await marks.nth(nth).scrollIntoViewIfNeeded();
  const box = await marks.nth(nth).boundingBox();
  await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
  const words = await page.locator("#tip").textContent();
  const [, value, name] = /: ([\d.,]+) (ns|us|ms|s)\b/.exec(words) || [];
  const found = Number((value || "NaN").replaceAll(",", "")) * unit[name];
  // Neighbours may lie on top of each other: one of them is read.
  worst = Math.max(worst, Math.min(...wanted.map((want) => Math.abs(found / want - 1))) || 0);
  if (!Number.isFinite(found)) worst = Infinity;
}
holds("what is read off is the JSON's figure, to three digits", worst < 5.1e-3, worst);
await page.mouse.move(0, 0);
await page.locator("#curve svg.chart").focus();
await page.keyboard.press("ArrowRight");
holds("arrow keys read off, too", (await page.locator("#tip").textContent()).length > 0 && (await page.locator("#tip").isVisible()));
await page.keyboard.press("Escape");
holds("and escape ends it", await page.locator("#tip").isHidden());
const names = await page.$$eval("button[data-picture]", (all) => all.map((one) => one.dataset.picture + ".png"));
const kept = [];
for (const button of await page.locator("button[data-picture]").all()) {
  const download = page.waitForEvent("download");
  await button.click();
  const picture = readFileSync(await (await download).path());
  if (picture.subarray(1, 4).toString() === "PNG" && picture.length > 5000) kept.push((await download).suggestedFilename());
}
holds(`all ${names.length} charts are kept as pictures`, names.length > 3 && kept.join() === names.join(), kept.join());
holds("nothing on the console after all that", said.length === 0, said.join("\n"));

const sections = await page.$$eval("main > section", (all) => all.map((one) => one.id));
await page.emulateMedia({ media: "print" });
const unseen = await page.$$eval("main > section", (all) => all.filter((one) => one.getBoundingClientRect().height < 20).map((one) => one.id));
// What was printed is read back: every heading, and the tables that are folded on the screen.
const folder = mkdtempSync(join(tmpdir(), "forebay-page-"));
await page.pdf({ format: "A4", path: join(folder, "page.pdf") });
const read = (...how) => execFileSync("pdftotext", [...how, join(folder, "page.pdf"), "-"], { encoding: "utf8" }).replace(/\s+/g, " ");
const [printed, rows] = [read(), read("-layout")];
const headings = await page.$$eval("main h2, main h3", (all) => all.map((one) => one.textContent.replace(/\s+/g, " ").trim()));
const lost = headings.filter((one) => !printed.includes(one));
holds(`prints every one of ${sections.length} sections, with ${headings.length} headings`, unseen.length === 0 && lost.length === 0, [...unseen, ...lost].join("; "));
holds("prints the tables behind the charts", wanted.length > 3 && rows.includes("× stated offered carried p50"), rows.slice(0, 400));
await page.emulateMedia({ media: "screen" });

const phone = await opened({ viewport: { width: 360, height: 740 } });
const wide = await width(phone.page);
holds("a phone need not scroll sideways", wide <= 360, wide);
await end();
