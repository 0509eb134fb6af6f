"use strict";
/* Start of the page: which view, the live snapshot, how old it is, name and token. Views are files of their own. */
import { announce, duration, get, hands, say } from "/assets/base.js";
import { benchView } from "/assets/bench.js";
import { runView, runsView } from "/assets/run.js";
import { startView } from "/assets/start.js";
import { unitView, unitsView } from "/assets/unit.js";

const OLD_MS = 3000, PERIOD_MS = 700;
let live = null, liveAt = 0, view = null, unreached = false;

function ageWords() {
  const age = live.age_ms < 0 ? NaN : live.age_ms + (performance.now() - liveAt);
  return isNaN(age) ? "nothing was ever seen" : `what you see is ${duration(age / 1000)} old`;
}

function freshness() {
  const p = document.getElementById("freshness");
  let text, old = true;
  if (unreached) text = "This page's server does not answer" + (live && live.age_ms >= 0 ? `: ${ageWords()}` : "");
  else if (live === null) text = "asking the daemon";
  else if (!live.reachable) text = `The daemon does not answer: ${ageWords()}`;
  else if (live.age_ms + (performance.now() - liveAt) > OLD_MS) text = `Old figures: ${ageWords()}`;
  else { text = "live"; old = false; }
  if (p.textContent !== text) p.textContent = text;
  if (p.classList.contains("old") !== old) announce(old ? text : "live again");
  p.classList.toggle("old", old);
  document.body.classList.toggle("stale", old);
}

function take(answer) {
  const changed = live === null || answer.sequence !== live.sequence || answer.reachable !== live.reachable;
  live = answer;
  if (!changed) return;
  liveAt = performance.now();
  if (live.status) document.getElementById("bench-name").textContent = `Bench ${live.status.bench}`;
  document.getElementById("virtual").hidden = !(live.status && live.status.virtual);
  document.getElementById("about").textContent = `soakbench ${live.version}. ${live.may_act ? "Orders need your name and the token." : "This page only looks: no token is configured."}`;
  document.getElementById("hands").hidden = !live.may_act;
  document.getElementById("start-link").hidden = !live.may_act;
  if (view && view.live) view.live(live);
}

async function poll() {
  try {
    const before = live, at = performance.now();
    const answer = await get("/api/status");
    unreached = false;
    if (before !== null && answer.sequence === before.sequence) liveAt = at;
    take(answer);
  } catch { unreached = true; }
  freshness();
  setTimeout(poll, PERIOD_MS);
}

async function show() {
  const main = document.getElementById("main");
  const kind = location.pathname.split("/")[1];
  const current = kind === "" ? "bench" : kind === "run" ? "runs" : kind === "unit" ? "units" : kind;
  for (const a of document.querySelectorAll("nav a")) if (a.dataset.view === current) a.setAttribute("aria-current", "page");
  const query = new URLSearchParams(location.search);
  try {
    if (kind === "run") view = await runView(main, location.pathname.split("/")[2]);
    else if (kind === "runs") view = await runsView(main);
    else if (kind === "units") view = await unitsView(main);
    else if (kind === "unit") view = await unitView(main, query.get("unit") || "", query.get("serial") || "");
    else if (kind === "start") view = await startView(main, query);
    else view = benchView(main);
    if (live && view && view.live) view.live(live);
  } catch (e) { say(e.message); }
}

document.getElementById("token-form").addEventListener("submit", (e) => {
  e.preventDefault();
  hands.token = document.getElementById("token").value;
  hands.who = document.getElementById("who").value.trim();
  announce(hands.token && hands.who ? "Kept until this page is left." : "Both name and token are needed.");
  if (hands.token && hands.who) document.getElementById("hands").open = false;
});
show();
poll();
