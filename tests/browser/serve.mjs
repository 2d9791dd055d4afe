// The served folder in a real browser: node tests/browser/serve.mjs FOREBAY [FOLDER-FOR-PICTURES]
// A scenario is opened by keyboard, changed and asked again; both curves come; a mistake is told; a store is followed while its
// sweep runs. No complaint on the console, no serious fault by axe-core in light and dark, a phone need not scroll sideways.
import { spawn, spawnSync } from "node:child_process";
import { existsSync, mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join, resolve } from "node:path";
import { DEPOT, end, faults, holds, opened as openedAt, width } from "./browser.mjs";

const [program, pictures] = [resolve(process.argv[2]), process.argv[3]];
const folder = mkdtempSync(join(tmpdir(), "forebay-serve-"));
writeFileSync(join(folder, "depot.toml"), DEPOT);
writeFileSync(join(folder, "night.toml"), `title = "Cores against load"
base = "depot.toml"
[front]
least = ["run.desktops.all.p99_us"]
[vary]
design.cpu.cores = [2, 3, 4, 6]
"class.desktops.load.rate" = { from = "20000/s", to = "160000/s", points = 100 }
`);
writeFileSync(join(folder, "<img src=x onerror=alert(1)>.toml"), "title = \"<script>alert(1)</script>\"\n");
spawnSync(program, ["run", "depot.toml", "--json", "run.json", "--quiet"], { cwd: folder });
const server = spawn(program, ["serve", folder, "--port", "0"], { stdio: ["ignore", "pipe", "inherit"] });
const address = await new Promise((found) => server.stdout.on("data", (text) => found(/http:\S+/.exec(String(text))[0])));
const opened = (options) => openedAt(address, [address, "data:"], options);

const { page, said } = await opened({});
const visited = {};
async function visit(name) {
  visited[name] = page.url();
  if (pictures) await page.screenshot({ path: join(pictures, `${name}.png`), fullPage: true });
}

// By keyboard alone from the folder to a job.
async function tabTo(selector) {
  for (let step = 0; step < 60; step += 1) {
    await page.keyboard.press("Tab");
    if (await page.evaluate((wanted) => document.activeElement.matches(wanted), selector)) return true;
  }
  return false;
}
await visit("folder");
holds("the folder's scenario is reached by keyboard", await tabTo("a[href='/scenario/depot.toml']"));
await page.keyboard.press("Enter");
await page.waitForURL("**/scenario/depot.toml");
await visit("scenario");
holds("and its form", await tabTo("textarea"));
await page.keyboard.type("design.cpu.cores=3");
holds("and what to ask", await tabTo("input[type=radio]"));
holds("and the button", await tabTo("button.main"));
await page.keyboard.press("Enter");
await page.waitForURL("**/job/*");
await page.waitForSelector("svg.chart", { timeout: 120000 });
await visit("job");
const key = await page.locator("svg.chart").first().textContent();
holds("both curves are drawn", key.includes("as stated") && key.includes("changed"), key);
const stated = await (await page.request.get(`${page.url()}/stated.json`)).json();
const own = JSON.parse(spawnSync(program, ["knee", join(folder, "depot.toml"), "--json", "-"]).stdout);
holds("the stated curve is that of forebay knee", JSON.stringify(stated.curve) === JSON.stringify(own.curve));
await page.locator("svg.chart").focus();
await page.keyboard.press("ArrowRight");
holds("a point is read off by arrow key", (await page.locator("#tip").textContent()).includes("as stated"));

// A second change and a mistake, from the page of the job.
await page.fill("textarea", "design.cpu.core=3");
await page.click("button.main");
await page.waitForURL("**/job/2");
await visit("mistake");
holds("a mistake is told with its repair", (await page.locator("main pre").innerText()).includes("did you mean"));
await page.fill("textarea", "design.cpu.cores=4");
await page.check("input[value=compare]");
await page.click("button.main");
await page.waitForURL("**/job/3");
await page.waitForSelector("text=The stated load on both", { timeout: 120000 });
await visit("compared");
await page.goto(`${address}result/run.json`);
await page.waitForSelector("#answer");

// A store is followed while its sweep runs.
const sweep = spawn(program, ["sweep", "run", "night.toml", "--quiet", "--threads", "1"], { cwd: folder, stdio: "ignore" });
const ended = new Promise((over) => sweep.on("exit", over));
while (!existsSync(join(folder, "night.db"))) await new Promise((wake) => setTimeout(wake, 20));
await new Promise((wake) => setTimeout(wake, 300));
await page.goto(`${address}store/night.db`);
const count = async () => Number(/^\d+/.exec(await page.locator(".state [data-words]").textContent()));
const before = await count();
await page.waitForFunction((was) => parseInt(document.querySelector(".state [data-words]").textContent, 10) > was, before, { timeout: 30000 });
holds("the count of a running sweep grows without a reload", (await count()) > before);
await visit("growing");
await ended;
await page.waitForFunction(() => document.querySelector("[data-growth]").textContent === "finished", null, { timeout: 120000 });
await page.waitForSelector("#front table");
holds("and is finished when it is", (await count()) === 400, await count());
await visit("store");
await page.goto(`${address}sweep/night.toml`);
await visit("sweep");
await page.goto(address);
await page.click("text=onerror");
await page.waitForSelector("h1");
holds("nothing on the console, nothing from elsewhere", said.length === 0, said.join("\n"));

for (const colorScheme of ["light", "dark"]) {
  const { page } = await opened({ colorScheme });
  const wrong = [];
  for (const url of Object.values(visited)) {
    await page.goto(url);
    wrong.push(...(await faults(page)).map((one) => `${url}: ${one}`));
  }
  holds(`${colorScheme}: no serious fault by axe-core, contrast among them`, wrong.length === 0, wrong.join("\n"));
  if (pictures && colorScheme === "dark") {
    await page.goto(visited.job);
    await page.screenshot({ path: join(pictures, "job-dark.png"), fullPage: true });
  }
}
const phone = await opened({ viewport: { width: 360, height: 740 } });
for (const [name, url] of Object.entries(visited)) {
  await phone.page.goto(url);
  const wide = await width(phone.page);
  holds(`a phone need not scroll sideways: ${name}`, wide <= 360, wide);
  if (pictures) await phone.page.screenshot({ path: join(pictures, `${name}-phone.png`), fullPage: true });
}

// The browser still holds its connections.
const stopped = new Promise((over) => server.on("exit", over));
const began = Date.now();
server.kill("SIGINT");
holds("an interrupt ends it well and soon", (await stopped) === 0 && Date.now() - began < 3000, Date.now() - began);
rmSync(folder, { recursive: true, force: true });
await end();
