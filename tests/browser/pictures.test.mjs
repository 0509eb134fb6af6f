// The pictures of the guided pages, made from the real program: the live page of a bench at work, and from the record of
// one night a run's page, the paper, the morning sheet and the curves. They are left in PICTURES; RENEW=1 puts them into
// docs/pictures as well. The test: each is made, each that docs/ shows is one of these, and is as large as the new one, give
// or take some lines of text.
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { copyFileSync, existsSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { Bench, program, until } from "./bench.mjs";

const { chromium } = createRequire(import.meta.url)("playwright-core");
const source = process.env.SOAKBENCH_SOURCE, docs = join(source, "docs", "pictures");
const made = join(process.env.PICTURES || tmpdir(), "docs");
const ARGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"];
const UNITS = { A: "HQ-0147", B: "HQ-0152", C: "HQ-0163", D: "HQ-0171" };

let bench, night, folder, context, page;

before(async () => {
  rmSync(made, { recursive: true, force: true });
  mkdirSync(made, { recursive: true });
  folder = mkdtempSync(join(tmpdir(), "soakbench-pictures-"));
  night = join(folder, "night.db");
  execFileSync(join(process.env.SOAKBENCH_BUILD, "tests", "page_record_maker"), [night, "night"], { stdio: "ignore" });
  bench = await Bench.start({ name: "harrow-quay", rate: 60 });
  context = await chromium.launchPersistentContext(join(folder, "profile"), { executablePath: process.env.CHROMIUM || "/usr/bin/chromium", args: ARGS, viewport: { width: 1040, height: 1160 }, deviceScaleFactor: 0.75, colorScheme: "light" });
  page = await context.newPage();
});

after(async () => {
  await context?.close();
  await bench?.stop();
  if (folder) rmSync(folder, { recursive: true, force: true });
});

const cli = (args) => execFileSync(program("soakbench"), ["--journal", night, ...args], { encoding: "utf8", cwd: folder });
const shoot = (name, options = {}) => page.screenshot({ path: join(made, `${name}.png`), ...options });

test("the live page of a bench at work", async () => {
  await bench.ready();
  for (const [channel, unit] of Object.entries(UNITS)) {
    await bench.enter(unit);
    await bench.must(["rig", channel, "--who", "R. Tern"]);
    await bench.must(["rigged", channel, "--who", "R. Tern"]);
    await bench.must(["run", "start", channel, "--unit", unit, "--point", "1", "--procedure", "proof", "--cycles", "90", "--start", "warm", "--accept", "time-to-open circuit start", "--who", "R. Tern", "--confirm-setup"]);
  }
  await page.goto(`${bench.url}/`);
  await page.waitForFunction(() => [...document.querySelectorAll(".channel .state")].filter((e) => /on load|pause/.test(e.textContent)).length >= 3 && document.getElementById("freshness").textContent === "live", null, { timeout: 60000 });
  await page.waitForFunction(() => /(\d+) min \d\d s/.test(document.querySelector(".strip-words").textContent), null, { timeout: 60000 });
  await shoot("live-page");
});

test("a run of the night", async () => {
  await page.goto(`${await bench.startPageOf(night)}/run/2`);
  await page.locator(".chart path.curve").first().waitFor();
  await page.waitForFunction(() => document.getElementById("freshness").textContent === "live");
  const top = await page.getByRole("heading", { name: "Run 2" }).boundingBox(), curves = await page.locator("#curves .chart").boundingBox();
  await shoot("run-page", { clip: { x: 0, y: top.y - 12, width: 1040, height: curves.y + 205 - top.y }, fullPage: true }); // down to the current's curve
});

test("the morning sheet", async () => {
  const sheet = cli(["morning"]);
  assert.match(sheet, /1 held, 1 shut off, 2 without a result/);
  page = await context.newPage(); // without the page's content policy
  await page.setContent("<pre></pre>");
  await page.evaluate((text) => { const p = document.querySelector("pre"); p.textContent = text; p.style.cssText = "font: 13px/1.35 'DejaVu Sans Mono', monospace; margin: 0; padding: 12px; width: max-content; max-width: 1060px; white-space: pre-wrap; background: #fff; color: #000"; }, sheet);
  await page.locator("pre").screenshot({ path: join(made, "morning-sheet.png") });
});

test("record and curves on paper", async () => {
  cli(["record", "2", "--pdf", join(folder, "record.pdf"), "--customer", "Farrow Steel Erectors", "--job", "HQ-J-88", "--png", join(folder, "curves.png")]);
  execFileSync("pdftoppm", ["-png", "-gray", "-r", "70", "-f", "1", "-l", "1", "-singlefile", join(folder, "record.pdf"), join(made, "record")]);
  const curves = readFileSync(join(folder, "curves.png")).toString("base64");
  await page.setContent(`<body style="margin: 0"><img alt="" width="1100" style="display: block" src="data:image/png;base64,${curves}">`);
  await page.waitForFunction(() => document.querySelector("img").complete && document.querySelector("img").naturalWidth > 0);
  await page.locator("img").screenshot({ path: join(made, "curves.png") });
});

test("docs/pictures holds these pictures, and the pages show each of them", () => {
  const names = readdirSync(made).filter((n) => n.endsWith(".png")).sort();
  assert.deepEqual(names, ["curves.png", "live-page.png", "morning-sheet.png", "record.png", "run-page.png"]);
  if (process.env.RENEW) for (const n of names) { mkdirSync(docs, { recursive: true }); copyFileSync(join(made, n), join(docs, n)); }
  const pages = readdirSync(join(source, "docs")).filter((n) => n.endsWith(".md")).map((n) => readFileSync(join(source, "docs", n), "utf8")).join("\n");
  const size = (path) => { const b = readFileSync(path); return [b.readUInt32BE(16), b.readUInt32BE(20), b.length]; }; // PNG, ISO/IEC 15948: the IHDR chunk comes first
  for (const n of names) {
    assert.ok(existsSync(join(docs, n)), `docs/pictures/${n} is missing: RENEW=1 sh tests/browser/run.sh BUILD pictures.test.mjs`);
    assert.ok(pages.includes(`](pictures/${n})`), `no page shows ${n}`);
    const [w, h, bytes] = size(join(docs, n)), [w2, h2] = size(join(made, n));
    assert.ok(Math.abs(w - w2) <= 40 && Math.abs(h - h2) <= 80, `${n} is ${w} x ${h}, now ${w2} x ${h2}: renew it`);
    assert.ok(bytes < 180000, `${n} is ${bytes} bytes long`);
  }
});
