// The page as its users use it, in headless Chromium. Pictures are left in PICTURES.
// Accessibility: WCAG 2.1 A and AA by axe-core, no finding of impact serious or critical.
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { Bench, TOKEN, until } from "./bench.mjs";
import { difference, sound } from "./layout.mjs";

const require = createRequire(import.meta.url);
const { chromium } = require("playwright-core");
const axe = require.resolve("axe-core/axe.min.js");
const pictures = process.env.PICTURES || join(tmpdir(), "soakbench-pictures");
const ARGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"];

let bench, record, profile, context, page, folder;
const troubles = [];

before(async () => {
  mkdirSync(pictures, { recursive: true });
  folder = mkdtempSync(join(tmpdir(), "soakbench-browser-"));
  execFileSync(join(process.env.SOAKBENCH_BUILD, "tests", "page_record_maker"), [join(folder, "night.db")], { stdio: "ignore" });
  bench = await Bench.start({ rate: 60 });
  record = { url: await bench.startPageOf(join(folder, "night.db")) };
  await bench.ready();
  profile = mkdtempSync(join(tmpdir(), "soakbench-profile-"));
  context = await chromium.launchPersistentContext(profile, { executablePath: process.env.CHROMIUM || "/usr/bin/chromium", args: ARGS, viewport: { width: 1280, height: 900 } });
  page = await context.newPage();
  page.on("pageerror", (error) => troubles.push(error.message));
  // Nothing may be asked of any other server.
  page.on("request", (request) => { if (!/^(http:\/\/127\.0\.0\.1|data:|blob:)/.test(request.url())) troubles.push(`foreign request: ${request.url()}`); });
  page.on("console", (message) => { if (/Content Security Policy/.test(message.text())) troubles.push(message.text()); });
});

after(async () => {
  await context?.close();
  await bench?.stop();
  for (const d of [profile, folder]) if (d) rmSync(d, { recursive: true, force: true });
  assert.deepEqual(troubles, []);
});

// What the window shows; the whole page where it is to be looked at from top to bottom.
const picture = (name, fullPage = false) => page.screenshot({ path: join(pictures, `${name}.png`), fullPage });
const words = () => page.locator("body").innerText();
const says = (text, milliseconds = 40000) => page.waitForFunction((t) => document.body.innerText.includes(t), text, { timeout: milliseconds });

async function accessible(where, rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]) {
  await page.evaluate(readFileSync(axe, "utf8")); // the page's own policy lets no foreign script tag in
  const result = await page.evaluate((runOnly) => window.axe.run(document, { runOnly }), rules);
  const bad = result.violations.filter((v) => ["serious", "critical"].includes(v.impact)).map((v) => `${v.id}: ${v.nodes.map((n) => n.html.slice(0, 120)).join(" | ")}`);
  assert.deepEqual(bad, [], where);
}

async function inBothSchemes(where, act) {
  for (const colorScheme of ["dark", "light"]) {
    await page.emulateMedia({ colorScheme });
    await accessible(`${where}, ${colorScheme}`, colorScheme === "dark" ? ["color-contrast"] : undefined); // all else is the same
    await sound(page, `${where}, ${colorScheme}`);
    await act(colorScheme);
  }
}

async function giveToken(token) {
  if (!(await page.locator("#hands").evaluate((d) => d.open))) await page.getByText("Name and token for orders").click();
  await page.getByLabel("Your name, for the record").fill("J. Example");
  await page.getByLabel("Token", { exact: true }).fill(token);
  await page.getByRole("button", { name: "Keep until this page is left" }).click();
}

const noSideways = () => page.evaluate(() => document.documentElement.scrollWidth <= document.documentElement.clientWidth);

// On a phone nothing is to be moved sideways either: tables stand as blocks, each figure with its heading, and are tables still.
async function stacked(where) {
  const seen = await page.evaluate(() => [...document.querySelectorAll(".scroll")].map((s) => ({ name: s.getAttribute("aria-label"), wide: s.scrollWidth > s.clientWidth + 1,
    bare: [...s.querySelectorAll("tbody td[data-head]")].filter((c) => !/"/.test(getComputedStyle(c, "::before").content)).length, heads: s.querySelectorAll("tbody [data-head]").length })));
  assert.ok(seen.length > 0, where);
  for (const s of seen) assert.deepEqual({ ...s, wide: false, bare: 0 }, s, `${where}: ${s.name}`);
  assert.ok(seen.every((s) => s.heads > 0), `${where}: ${JSON.stringify(seen)}`);
  assert.ok(await page.getByRole("row").count() > 1 && await page.getByRole("cell").count() > 1, where);
}

test("watching a run", async () => {
  await bench.begin("A", "HQ-0147", ["--procedure", "proof", "--cycles", "90"]);
  await page.goto(`${bench.url}/`);
  await says("on load");
  await page.getByRole("img", { name: /Cycle 1: .* on load; 4 min 00 s is the rated share/ }).waitFor();
  await says("in the test band");
  await page.locator("summary", { hasText: "all figures of channel A" }).click();
  await says("in the supply band");
  await page.locator("summary", { hasText: "all figures of channel A" }).click();
  await says("stand clear, the output is live");
  await says("Virtual bench: no real unit is tested here.");
  assert.match(await page.locator(".freshness").innerText(), /^live$/);
  await inBothSchemes("bench", (scheme) => picture(`bench-${scheme}`, scheme === "light"));
  await page.setViewportSize({ width: 360, height: 740 });
  assert.ok(await noSideways(), "at 360 px nothing of the page lies beside it");
  await sound(page, "bench on a phone");
  await picture("bench-phone");
  await page.setViewportSize({ width: 1280, height: 900 });
});

test("a wrong token ends nothing, the right one ends the run and says so", async () => {
  await giveToken("not-the-token-at-all");
  await page.getByRole("button", { name: "End run on A" }).click();
  await says("the token is missing or wrong");
  assert.notEqual((await bench.status()).channels[0].state, "done");
  await picture("wrong-token");
  await giveToken(TOKEN);
  await page.getByRole("button", { name: "End run on A" }).click();
  await says("the run was ended and the load opened");
  await until("run ended", async () => ["done", "recovering"].includes((await bench.status()).channels[0].state));
  await says("finished");
  assert.equal((await bench.status()).channels[0].signals.i2.value < 1, true);
});

test("starting a run by its plan", async () => {
  await bench.enter("HQ-0152");
  await bench.must(["rig", "B", "--who", "J. Example"]);
  await bench.must(["rigged", "B", "--who", "J. Example"]);
  await page.goto(`${bench.url}/start?channel=B`);
  await giveToken(TOKEN);
  await page.getByLabel("Unit", { exact: true }).selectOption("HQ-0152");
  await says("The bench's key switch is on.");
  await accessible("start");
  await sound(page, "start");
  await page.setViewportSize({ width: 360, height: 740 });
  await page.getByLabel("Procedure").selectOption("soak");
  await page.getByLabel("Hours at least").waitFor();
  await sound(page, "start of a soak on a phone");
  await picture("start-phone");
  await page.setViewportSize({ width: 1280, height: 900 });
  await page.getByLabel("Procedure").selectOption("screen");
  assert.equal(await page.getByLabel("Hours at least").isVisible(), false);
  for (const box of await page.locator(".tick input[required]").all()) await box.check();
  await page.getByLabel("The current control was seen at its maximum").check();
  await page.getByRole("button", { name: "Start this run" }).click();
  await says("time-to-open"); // a fast clock makes the bench warn: the checks' own words come through
  await picture("start-refused");
  await page.getByRole("checkbox", { name: /^time-to-open: / }).check();
  await page.getByRole("button", { name: "Start this run" }).click();
  await page.waitForURL(`${bench.url}/`);
  await until("B runs, or has run by now", async () => ["preflight", "on-load", "pause", "done"].includes((await bench.status()).channels[1].state));
});

// Tab until the wished thing has the focus; each stop on the way is seen: in the window, with a mark of focus. The page draws
// itself anew all the while, and may not lose the place.
async function tabTo(name, most = 60) {
  const seen = [];
  for (let i = 0; i < most; i++) {
    await page.keyboard.press("Tab");
    const at = await page.evaluate(() => {
      const e = document.activeElement, r = e.getBoundingClientRect();
      const label = e.labels?.[0]?.textContent || e.getAttribute("aria-label") || e.textContent.trim();
      return { name: `${e.tagName.toLowerCase()} ${label}`.trim().slice(0, 90), outline: getComputedStyle(e).outlineStyle, seen: r.bottom > 0 && r.top < innerHeight && r.right > 0 && r.left < innerWidth };
    });
    assert.ok(i === 0 || !at.name.startsWith("body"), `the focus was lost behind ${seen.at(-1)}`);
    assert.ok(at.name.startsWith("body") || (at.seen && at.outline !== "none"), `focus without a mark or out of sight: ${JSON.stringify(at)}`);
    seen.push(at.name);
    if (name.test(at.name)) return seen;
  }
  throw new Error(`not reached by keys: ${name}; came by ${seen.join(" | ")}`);
}

test("by keys alone, on a phone: start a run, follow it, end it", async () => {
  await bench.must(["run", "release", "A", "--who", "J. Example"]);
  await until("A is free", async () => (await bench.status()).channels[0].state === "free");
  await bench.must(["rig", "A", "--who", "J. Example"]);
  await bench.must(["rigged", "A", "--who", "J. Example"]);
  await page.setViewportSize({ width: 360, height: 740 });
  await page.goto(`${bench.url}/`);
  await says("rigged: may be started");
  assert.match((await tabTo(/^a To the content/))[0], /To the content/);
  await page.keyboard.press("Enter");
  await tabTo(/^summary all figures of channel A/);
  await page.keyboard.press("Enter");
  await says("exhaust air");
  for (let i = 0; i < 3; i++) { // each time the page has drawn itself anew the focus is on the new element
    await page.evaluate(() => { window.old = document.activeElement; });
    await page.waitForFunction(() => !window.old.isConnected);
    assert.equal(await page.evaluate(() => document.activeElement.textContent), "all figures of channel A");
  }
  await page.keyboard.press("Shift+Tab");
  await page.keyboard.press("Enter"); // "Start a run on A"
  await page.waitForURL(/\/start\?channel=A/);
  await page.getByRole("option", { name: "channel A" }).waitFor({ state: "attached" });
  await tabTo(/^select Unit/);
  await page.keyboard.type("HQ-0147");
  await tabTo(/^select Procedure/);
  await page.keyboard.type("proof");
  await tabTo(/^input Cycles/);
  await page.keyboard.press("Control+A");
  await page.keyboard.type("90");
  for (let i = await page.locator(".tick input[required]").count(); i > 0; i--) {
    await tabTo(/^input (?!Let it|Nobody stays|The intake)/);
    await page.keyboard.press("Space");
  }
  await tabTo(/^summary Name and token/);
  await page.keyboard.press("Enter");
  await tabTo(/^input Your name/);
  await page.keyboard.type("J. Example");
  await tabTo(/^input Token/);
  await page.keyboard.type(TOKEN);
  await page.keyboard.press("Enter");
  await page.evaluate(() => document.getElementById("accept").focus());
  await page.keyboard.press("Enter"); // sends the form
  await page.getByRole("checkbox", { name: /^time-to-open: / }).waitFor();
  assert.match(await page.evaluate(() => document.activeElement.id), /^accept-/); // the warning itself has the focus
  await sound(page, "warnings on a phone");
  for (const box of await page.locator("[id^=accept-]:not(p)").all()) {
    await box.focus();
    await page.keyboard.press("Space");
  }
  await tabTo(/^button Start this run/);
  await page.keyboard.press("Enter");
  await page.waitForURL(`${bench.url}/`);
  await until("A runs", async () => ["on-load", "pause"].includes((await bench.status()).channels[0].state), 60000);
  await page.getByRole("button", { name: "End run on A" }).waitFor();
  await tabTo(/^button End run on A/);
  await page.keyboard.press("Enter"); // name and token were forgotten with the page that was left: it asks for them
  assert.equal(await page.evaluate(() => document.activeElement.id), "who");
  await page.keyboard.type("J. Example");
  await page.keyboard.press("Tab");
  await page.keyboard.type(TOKEN);
  await page.keyboard.press("Enter");
  await page.evaluate(() => document.getElementById("main").focus());
  await tabTo(/^button End run on A/);
  await page.keyboard.press("Enter");
  await says("the run was ended and the load opened");
  await picture("phone-by-keys");
  await page.setViewportSize({ width: 1280, height: 900 });
});

test("what is typed, where the keys are and how far a table is moved survive the redrawing", async () => {
  await page.goto(`${bench.url}/`);
  await says("live");
  const kept = await page.evaluate(async () => {
    const { el, redraw, table } = await import("/assets/base.js");
    const box = el("div"), wide = () => table("a wide table", ["x".repeat(4000)], []);
    const children = () => [el("input", { id: "reason" }), el("button", {}, "Reset"), wide()];
    document.getElementById("main").append(box);
    redraw(box, ...children());
    box.querySelector("input").value = "fan mended";
    box.querySelector("button").focus();
    box.querySelector(".scroll").scrollLeft = 70;
    redraw(box, ...children());
    const was = { typed: box.querySelector("input").value, focus: document.activeElement === box.querySelector("button"), moved: box.querySelector(".scroll").scrollLeft };
    redraw(box, el("p", {}, "gone")); // what had the focus is no more: nothing else gets it
    return { ...was, after: document.activeElement.tagName };
  });
  assert.deepEqual(kept, { typed: "fan mended", focus: true, moved: 70, after: "BODY" });
});

test("losing the daemon and getting it back", async () => {
  await page.goto(`${bench.url}/`);
  await says("live");
  const still = await context.newPage(), lab = await context.newPage(); // a finished run beside it: nothing moves on it
  const settled = async (text) => {
    await still.waitForFunction((t) => document.getElementById("freshness").textContent.startsWith(t), text, { timeout: 20000 });
    return still.screenshot({ clip: { x: 0, y: 0, width: 1280, height: 900 } });
  };
  await still.setViewportSize({ width: 1280, height: 900 });
  await still.goto(`${record.url}/run/5`);
  await still.locator(".chart path.curve").first().waitFor();
  await still.locator("#customer").waitFor({ state: "attached" });
  const before = await settled("live");
  await still.reload();
  await still.locator(".chart path.curve").first().waitFor();
  await still.locator("#customer").waitFor({ state: "attached" });
  assert.deepEqual((await difference(lab, before, await settled("live"))).share, 0, "the same run drawn twice is the same picture");
  await bench.stopDaemon("SIGKILL");
  await says("The daemon does not answer: what you see is");
  await says("treat this output as live until you have seen it dead");
  await picture("daemon-lost");
  await sound(page, "daemon lost");
  const lost = await difference(lab, before, await settled("The daemon does not answer"));
  assert.ok(lost.share > 0 && lost.last < 60, `only the line at the top tells: ${JSON.stringify(lost)}`);
  await bench.startDaemon();
  assert.deepEqual((await difference(lab, before, await settled("live"))).share, 0, "with the daemon back the picture is as before");
  await still.close();
  await lab.close();
  await page.waitForFunction(() => document.getElementById("freshness").textContent === "live", null, { timeout: 40000 });
});

test("losing this page's server and getting it back", async () => {
  await bench.stopWeb("SIGKILL");
  await says("This page's server does not answer");
  await bench.startWeb();
  await page.waitForFunction(() => document.getElementById("freshness").textContent === "live", null, { timeout: 40000 });
});

test("finding in the morning why a unit shut off", async () => {
  await page.goto(`${record.url}/runs`);
  await page.getByRole("row", { name: /HQ-0152 .* soak did not meet its rating/ }).getByRole("link").first().click();
  await says("Why it shut off");
  await says("thermal cut-out of the unit");
  await page.locator(".chart path.curve").first().waitFor();
  await inBothSchemes("run", (scheme) => picture(`run-${scheme}`, scheme === "light"));
  await page.getByRole("button", { name: "Show on the curves" }).first().click();
  await page.waitForFunction(() => document.querySelector(".readout").textContent.includes("welding current"));
  await picture("run-shutoff");
});

test("reading the curves by keys alone", async () => {
  await page.getByRole("button", { name: "Whole run" }).focus();
  await page.keyboard.press("Enter");
  await page.waitForFunction(() => document.querySelector(".chart").textContent.includes("hours:minutes"));
  const slider = page.getByRole("slider", { name: "Read values at" });
  await slider.focus();
  await page.keyboard.press("Home");
  for (let i = 0; i < 40; i++) await page.keyboard.press("ArrowRight");
  const text = await slider.getAttribute("aria-valuetext");
  assert.match(text, /welding current 1(3|4)\d\.\d/); // rated: 140 A
  assert.match(text, /case|exhaust/);
  await page.keyboard.press("ArrowRight");
  assert.notEqual(await slider.getAttribute("aria-valuetext"), text);
});

test("a unit's page on a phone, and its tag", async () => {
  await page.setViewportSize({ width: 360, height: 740 });
  await page.goto(`${record.url}/unit?serial=HQ-0152`);
  await says("Over its life");
  await page.locator('[data-head^="baseline: run 1"]').first().waitFor(); // a heading, before its figures
  await says("TO SERVICE");
  await says("no worse, as far as this bench can tell"); // run 3 to the cut-out against run 1, both from warm
  await says("this bench repeats: times to 2.0 % (as its configuration states)");
  assert.ok(await noSideways());
  await stacked("unit on a phone");
  await inBothSchemes("unit", (scheme) => picture(`unit-phone-${scheme}`, scheme === "light"));
  await page.goto(`${record.url}/run/5`);
  await says("Why it shut off");
  assert.ok(await noSideways());
  await stacked("run on a phone");
  await page.locator(".chart path.curve").first().waitFor();
  await sound(page, "run on a phone");
  await picture("run-phone");
  await page.setViewportSize({ width: 1280, height: 900 });
  await page.goto(`${record.url}/unit?serial=HQ-0152`);
  await says("no worse, as far as this bench can tell");
  await sound(page, "unit");
  await picture("unit", true);
  for (const list of ["runs", "units"]) {
    await page.goto(`${record.url}/${list}`);
    await page.getByRole("row", { name: /HQ-0152/ }).first().waitFor();
    await sound(page, list);
    await page.setViewportSize({ width: 360, height: 740 });
    await stacked(`${list} on a phone`);
    await sound(page, `${list} on a phone`);
    await picture(`${list}-phone`);
    await page.setViewportSize({ width: 1280, height: 900 });
  }
});

test("printing a run", async () => {
  await page.goto(`${record.url}/run/5`);
  await says("Why it shut off");
  await page.pdf({ path: join(pictures, "run.pdf"), format: "A4" });
  await page.emulateMedia({ media: "print" });
  assert.equal(await page.getByRole("navigation").isVisible(), false);
  assert.equal(await page.getByRole("heading", { name: "Did not meet its rating" }).isVisible(), true);
  assert.match(await words(), /emergency stop/); // the caution is printed too
  await picture("run-print");
  await page.emulateMedia({ media: "screen" });
  await page.getByText("Make the record out to a customer").click();
  await page.getByLabel("Customer").fill("Farrow Steel Erectors");
  await page.getByLabel("Received on").fill("2026-01-04");
  await page.getByLabel("Other run of the pair").selectOption("as_found=3");
  const asked = page.waitForRequest(/record\.pdf/);
  await page.route(/record\.pdf/, (route) => route.abort()); // the browser's own viewer is not what is looked at
  await page.getByRole("button", { name: "Record as PDF, made out" }).click();
  const answer = await fetch((await asked).url());
  assert.equal(answer.status, 200);
  const paper = join(pictures, "record.pdf");
  writeFileSync(paper, Buffer.from(await answer.arrayBuffer()));
  const text = execFileSync("pdftotext", ["-layout", paper, "-"], { encoding: "utf8" });
  for (const of of [/Farrow Steel Erectors/, /2026-01-04/, /as found/, /as left/, /Harrow Quay Hire, Workshop 2/]) assert.match(text, of);
});

test("a plate with four rating points", async () => {
  await page.goto(`${bench.url}/units`);
  await giveToken(TOKEN);
  await page.getByText("Enter a rating plate").click();
  await page.getByLabel("Serial number").fill("HQ-0188");
  for (let n = 1; n <= 4; n++) {
    if (n > 1) await page.getByRole("button", { name: "Another rating point" }).click();
    const point = page.getByRole("group", { name: `Rating point ${n}` });
    await point.getByLabel("Process").selectOption("mig");
    await point.getByLabel("Rated current I2, A").fill(String(240 - 40 * n));
    await point.getByLabel("Duty cycle X, %").fill(String(20 * n));
    await point.getByLabel("Supply U1, V").fill("230");
  }
  await sound(page, "plate entry");
  await accessible("plate entry");
  await page.getByRole("button", { name: "Put the plate on file" }).click();
  await page.getByRole("heading", { name: "Unit HQ-0188" }).waitFor();
  await says("mig dc 80 A at 80 %");
  await says("18.0 by formula"); // 14 V + 0.05 V/A * 80 A: IEC 60974-1, 11.2
});

test("a hostile unit stays text", async () => {
  const plate = { serial: "<img src=x onerror=\"window.struck=1\">/../\"'&é", maker: "</script><script>window.struck=1</script>", ratings: [{ process: "tig", output_control: "trigger", percent_on: 40, current_a: 160 }] };
  const answer = await fetch(`${bench.url}/api/orders`, { method: "POST", headers: { Authorization: `Bearer ${TOKEN}`, "Content-Type": "application/json" }, body: JSON.stringify({ do: "unit-add", who: "J. Example", plate }) });
  assert.equal(answer.status, 200, await answer.text());
  await page.goto(`${bench.url}/units`);
  await page.getByRole("link", { name: plate.serial }).click();
  await page.getByRole("heading", { name: `Unit ${plate.serial}` }).waitFor();
  assert.equal(await page.evaluate(() => window.struck), undefined);
  assert.equal(await page.locator("main img").count(), 0);
});
