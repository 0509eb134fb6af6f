"use strict";
/* The bench now: what wants a person, every channel with its cycle, circuits with what they carry, record and stores. */
import { announce, causeWords, cell, duration, el, EVENT_WORDS, figure, figureCell, get, INTERLOCK_WORDS, known, lineCell, moment, order, redraw,
  runLink, say, SIGNAL_WORDS, STATE_WORDS, table, unitLink, unitWord, VERDICT_WORDS } from "/assets/base.js";
import { make } from "/assets/chart.js";

const LIVE_STATES = ["on-load", "setting"], CYCLE_STATES = ["on-load", "pause", "recovering", "setting"];

/* The running cycle: its whole length from left to right, the rated share marked, on-load time filling it. */
function strip(c) {
  const length = c.point.cycle_s || 600, w = 600;
  const x = (s) => Math.min(w, Math.max(0, (s || 0) / length * w));
  const rated = length * c.point.percent_on / 100;
  const svg = make("svg", { class: "strip", viewBox: `0 0 ${w} 46`, role: "img", preserveAspectRatio: "none",
    "aria-label": `Cycle ${c.cycle}: ${duration(c.on_load_s)} on load; ${duration(rated)} is the rated share; ${duration(c.cycle_elapsed_s)} of ${duration(length)} are gone.` });
  svg.append(make("rect", { class: "whole", x: 0, y: 10, width: w, height: 24 }));
  svg.append(make("rect", { class: "gone", x: 0, y: 10, width: x(c.cycle_elapsed_s), height: 24 }));
  svg.append(make("rect", { class: "carried", x: 0, y: 10, width: x(c.on_load_s), height: 24 }));
  svg.append(make("path", { class: "rated", d: `M${x(rated)} 2V44M${x(rated) - 6} 2H${x(rated) + 6}` }));
  svg.append(make("path", { class: "now", d: `M${x(c.cycle_elapsed_s)} 6V38` }));
  if (c.cause && c.cause !== "none") svg.append(make("path", { class: "shutoff", d: `M${x(c.on_load_s) - 7} 15l14 14m0 -14l-14 14` }));
  return svg;
}

function stripWords(c) {
  const length = c.point.cycle_s || 600, rated = length * c.point.percent_on / 100;
  return el("p", { class: "strip-words" }, el("span", {}, `cycle ${c.cycle}: on load ${duration(c.on_load_s)}`), el("span", {}, `rated ${duration(rated)} of ${duration(length)}`));
}

function nextChange(c) {
  const length = c.point.cycle_s || 600;
  if (c.state === "on-load" && known(c.on_load_goal_s)) return `Load opens in ${duration(c.on_load_goal_s - c.on_load_s)}.`;
  if (c.state === "pause") return `Next on-load in ${duration(length - c.cycle_elapsed_s)}.`;
  return "";
}

const on = (c, name) => c.signals && c.signals[name] && c.signals[name].quality === "good" && c.signals[name].value > 0.5;

/* What a person at the bench does now. */
function doNow(c) {
  switch (c.state) {
    case "free": return "Nothing. To test a unit here, take the channel for rigging at the bench.";
    case "rigging": return on(c, "isolated") ? "Isolator is open: rig, compare the labels of unit and channel, then close it and confirm." : "Follow the line below; when rigging is confirmed, the run can be started.";
    case "preflight": return "Stand clear: the load closes as soon as the checks pass.";
    case "setting": return `Dial the unit to ${figure(c.point.current_a, 0, "A")}, then confirm at the bench: soakbench run set ${c.channel}`;
    case "on-load": return "Nothing: stand clear, the output is live.";
    case "pause": return "Nothing: leave the unit switched on, its fan cools it.";
    case "recovering": return "Nothing: leave the unit switched on and touch no control; the reset is being timed.";
    case "locked": return `Go to the bench. ${(INTERLOCK_WORDS[c.interlock] || ["", "Find the cause."])[1]} Then reset it with a reason.`;
    case "done": return "Read the verdict, isolate, take the leads off, then give the channel free.";
    default: return "";
  }
}

function bandWords(value, rated) {
  if (!known(value) || !rated) return "";
  const off = (value / rated - 1) * 100;
  return off > 10 ? "above the test band" : off < -2 ? "below the test band" : "in the test band";
}

/* The supply's band by the bench's own limits; of three phases the one farthest off. */
function supplyWords(c) {
  const rated = c.point.supply_v, allowed = c.supply_void_pct;
  if (!known(c.supply_worst_v) || !rated || !allowed) return "";
  const off = (c.supply_worst_v / rated - 1) * 100;
  return off > allowed ? "above the supply band" : off < -allowed ? "below the supply band" : "in the supply band";
}

function signalRows(c) {
  const rows = [];
  for (const [name, s] of Object.entries(c.signals || {})) {
    if (!SIGNAL_WORDS[name] || !s) continue;
    let note = s.quality === "good" ? "" : s.quality.replace(/-/g, " ");
    if (s.quality === "good" && c.point && c.state === "on-load") {
      if (name === "i2") note = bandWords(s.value, c.point.current_a);
      if (name === "u2") note = bandWords(s.value, c.point.test_voltage_v);
      if (name === "u1" || (name === "u1_a" && !c.signals.u1)) note = supplyWords(c);
    }
    rows.push(el("tr", {}, el("th", { scope: "row" }, SIGNAL_WORDS[name]), figureCell(s.quality === "good" ? s.value : null, 1, unitWord(s.unit)), el("td", { class: "note" }, note)));
  }
  return rows;
}

/* First the figures that a glance is for, the others behind a fold. */
function figures(c, open, remember) {
  const rows = signalRows(c);
  if (!rows.length) return null;
  const fold = el("details", { class: "more", open }, el("summary", {}, `all figures of channel ${c.channel}`),
    el("table", {}, el("caption", { class: "unseen" }, `figures of channel ${c.channel}`), el("tbody", {}, rows.slice(2))));
  fold.addEventListener("toggle", () => remember(fold.open));
  return el("div", {}, el("table", { class: "first" }, el("caption", { class: "unseen" }, `current and voltage of channel ${c.channel}`), el("tbody", {}, rows.slice(0, 2))), fold);
}

async function give(button, fields, did) {
  button.disabled = true;
  try {
    const text = await order(fields);
    say(`${did}${text ? ` (${text})` : ""}`, "fine");
  } catch (e) { say(e.message); }
  button.disabled = false;
}

function endButton(c) {
  const b = el("button", { type: "button", class: "end", "aria-describedby": "end-words", onclick: () =>
    give(b, { do: "run-end", channel: c.channel, reason: "ended from the page" }, `Channel ${c.channel}: the run was ended and the load opened.`) }, `End run on ${c.channel}`);
  return el("div", { class: "row" }, b, el("span", { class: "note" }, "Opens the load and ends the run. It is not the emergency stop."));
}

function resetForm(c) {
  const id = `reason-${c.channel}`;
  const input = el("input", { id, maxlength: 150 });
  const b = el("button", { type: "submit" }, `Reset interlock of ${c.channel}`);
  return el("form", { class: "fields", onsubmit: (e) => {
    e.preventDefault();
    if (input.value.trim() === "") { say("A reset needs a reason: it goes into the record."); input.focus(); return; }
    give(b, { do: "channel-reset", channel: c.channel, reason: input.value.trim() }, `Channel ${c.channel}: the interlock was reset.`);
  } }, el("label", { for: id }, "What was found and mended"), input, b);
}

function actions(c, mayAct) {
  if (!mayAct) return null;
  if (c.state === "locked") return resetForm(c);
  if (c.state === "rigging") return el("div", { class: "row" }, el("a", { class: "button", href: `/start?channel=${encodeURIComponent(c.channel)}` }, `Start a run on ${c.channel}`));
  if (c.state === "done") {
    const b = el("button", { type: "button", onclick: () => give(b, { do: "channel-release", channel: c.channel }, `Channel ${c.channel} is free.`) }, `Give ${c.channel} free`);
    return el("div", { class: "row" }, b);
  }
  return c.run ? endButton(c) : null;
}

function card(c, mayAct, folds) {
  const kind = LIVE_STATES.includes(c.state) ? " loaded" : c.state === "locked" ? " held-back" : c.state === "done" ? " finished" : "";
  const box = el("li", { class: `channel${kind}` }, el("h2", {}, el("span", {}, `Channel ${c.channel}`), el("span", { class: "state" }, STATE_WORDS[c.state] || c.state)));
  if (c.run) {
    box.append(el("p", {}, unitLink(c.unit), `, ${c.point.words}, ${c.procedure}, `, runLink(c.run)));
    if (CYCLE_STATES.includes(c.state)) box.append(strip(c), stripWords(c));
    const change = nextChange(c);
    if (change) box.append(el("p", { class: "change" }, change));
    const cause = causeWords(c.cause);
    if (c.verdict && c.verdict !== "none") box.append(el("p", { class: `verdict ${c.verdict}` }, `Verdict: ${VERDICT_WORDS[c.verdict]}`));
    if (cause) box.append(el("p", { class: "cause" }, `Shutoff: ${cause}`));
  }
  if (c.interlock && c.interlock !== "none") box.append(el("p", { class: "cause" }, `Interlock: ${(INTERLOCK_WORDS[c.interlock] || [c.interlock])[0]}`));
  box.append(el("p", { class: "cause not-live" }, "Not live: treat this output as live until you have seen it dead."));
  box.append(el("p", { class: "do" }, el("b", {}, "You: "), doNow(c)));
  if (c.doing && c.doing !== c.state) box.append(el("p", { class: "note" }, `Bench: ${c.doing}`));
  box.append(...[actions(c, mayAct), figures(c, folds.has(c.channel), (open) => (open ? folds.add(c.channel) : folds.delete(c.channel)))].filter(Boolean));
  return box;
}

/* What wants a person, most urgent first; each line a fact and a place. */
function wants(live) {
  const out = [];
  const s = live.status;
  if (s.channels.some((c) => on(c, "estop"))) out.push("The emergency stop is pressed.");
  if (s.channels.some((c) => on(c, "smoke"))) out.push("The smoke or heat detector has acted.");
  if (!s.journal_healthy) out.push("The record does not keep up: no load is closed any more. Look at the disk.");
  for (const c of s.channels) {
    if (c.state === "locked") out.push(`Channel ${c.channel} is held: ${(INTERLOCK_WORDS[c.interlock] || [c.interlock])[0]}.`);
    if (c.state === "setting") out.push(`Channel ${c.channel} waits to be dialled in.`);
    if (c.state === "done") out.push(`Channel ${c.channel} is finished: ${c.unit || "its unit"} ${VERDICT_WORDS[c.verdict] || ""}.`);
  }
  for (const d of s.devices) {
    if (!d.up) out.push(`No answer from ${d.device}.`);
    if (d.is_load && d.up && !d.watchdog_proved) out.push(`The watchdog of ${d.device} is not proved: no run starts.`);
    if (d.beat_stopped) out.push(`The heartbeat to ${d.device} is held back.`);
  }
  for (const store of (live.counters && live.counters.stores) || []) if (store.trouble) out.push(`Store ${store.name}: ${store.trouble}`);
  return out;
}

/* Several channels share a circuit: what it carries is the sum of their supply currents, phase by phase. */
function circuitRows(bench, status) {
  return bench.circuits.map((circuit) => {
    const names = bench.channels.filter((c) => c.circuit === circuit.circuit).map((c) => c.channel);
    const views = status.channels.filter((c) => names.includes(c.channel));
    const sum = (signal) => views.reduce((all, c) => {
      const s = c.signals[signal];
      return s && s.quality === "good" && known(s.value) ? (all ?? 0) + s.value : all;
    }, null);
    const phases = ["i1_a", "i1_b", "i1_c"].map(sum).filter(known);
    const carried = phases.length ? Math.max(...phases) : sum("i1");
    const share = known(carried) && circuit.breaker_a ? carried / circuit.breaker_a * 100 : null;
    const silent = views.filter((c) => !["i1", "i1_a"].some((k) => c.signals[k] && c.signals[k].quality === "good")).map((c) => c.channel);
    return el("tr", {}, el("th", { scope: "row" }, circuit.circuit), cell(names.join(", ")), figureCell(carried, 1, "A"),
      cell(circuit.breaker_a ? `${circuit.breaker_curve || ""}${circuit.breaker_a} A` : "not stated"), figureCell(share, 0, "%"),
      el("td", { class: "note" }, [share > 100 ? "above the breaker's rating" : "", silent.length ? `not measured: ${silent.join(", ")}` : ""].filter(Boolean).join("; ")));
  });
}

/* Runs that wait for their turn: for what, and when they are expected. */
function queueRows(status) {
  const when = (q, key) => q[key] ? `${q.expected_at_least ? "not before " : ""}${moment(q[key])}` : "not known";
  return status.queue.map((q, i) => el("tr", {}, el("th", { scope: "row" }, String(i + 1)), el("td", {}, `run ${q.run}`), cell(q.channel || ""), el("td", {}, unitLink(q.unit)),
    cell(q.point.words), cell(q.procedure), cell(q.together ? "beside others" : "in turn"), cell(q.waiting || "its turn"), lineCell(when(q, "expected_begin")), lineCell(when(q, "expected_end"))));
}

function recordLines(live) {
  const journal = (live.counters && live.counters.journal) || null;
  const stores = (live.counters && live.counters.stores) || [];
  const behind = (s) => ["readings", "events", "verdicts"].reduce((n, f) => n + (s[f] ? s[f].newest - s[f].settled : 0), 0);
  return [
    el("li", {}, live.status.journal_healthy ? "The record keeps up." : "The record does not keep up.",
      journal ? ` Oldest figure not yet on disk: ${figure(journal.oldest_unsynced_ms / 1000, 1, "s")}. Free on the disk: ${figure(journal.free_bytes / 1e9, 1, "GB")}.` : ""),
    ...stores.map((s) => el("li", {}, `Store ${s.name}: ${s.state || "not set up"}, ${behind(s)} rows not yet safe there${s.trouble ? `. ${s.trouble}` : "."}`)),
    stores.length ? null : el("li", {}, "No store is configured; the record is kept here."),
  ].filter(Boolean);
}

const PASSED_OVER = ["preflight", "trim", "intent", "cycle-begin"];
function eventRow(e) {
  const words = e.text || (e.state ? STATE_WORDS[e.state] || e.state : "");
  return el("tr", {}, lineCell(moment(e.utc)), cell(e.channel || "bench"), el("td", {}, e.run ? runLink(e.run) : ""), cell(EVENT_WORDS[e.kind] || e.kind), cell(words));
}

export function benchView(main) {
  document.title = "Bench now";
  const list = el("ul", { class: "channels" }), want = el("ul", { class: "wants" }), circuits = el("div"), record = el("ul"), events = el("div"), queue = el("div");
  const folds = new Set();
  let bench = null, spoken = null;
  main.append(el("h1", {}, "Bench now"), el("section", { "aria-label": "wants a person" }, want), list, el("p", { class: "unseen", id: "end-words" }, "It is not the emergency stop."),
    el("h2", {}, "Queue"), queue, el("h2", {}, "Supply circuits"), circuits, el("h2", {}, "Record and stores"), record, el("h2", {}, "What happened last"), events);
  async function loadEvents() {
    try {
      const rows = (await get("/api/events")).events.filter((e) => !PASSED_OVER.includes(e.kind)).slice(-25).reverse().map(eventRow);
      redraw(events, rows.length ? table("what happened last", ["when (UTC)", "channel", "run", "what", "in words"], rows) : el("p", {}, "Nothing yet."));
    } catch (e) { events.replaceChildren(el("p", { class: "note" }, e.message)); }
  }
  loadEvents();
  setInterval(loadEvents, 4000);
  return {
    async live(live) {
      if (!live.status) { list.replaceChildren(el("li", { class: "channel held-back" }, `Nothing to show: ${live.trouble}`)); return; }
      redraw(list, ...live.status.channels.map((c) => card(c, live.may_act, folds)));
      const lines = wants(live);
      redraw(want, ...(lines.length ? lines.map((t) => el("li", {}, t)) : [el("li", { class: "calm" }, "Nothing wants a person now.")]));
      const states = live.status.channels.map((c) => `channel ${c.channel} ${STATE_WORDS[c.state] || c.state}`).join(", ");
      if (spoken !== null && spoken !== states) announce(states);
      spoken = states;
      redraw(record, ...recordLines(live));
      redraw(queue, live.status.queue.length ? table("runs that wait for their turn", ["turn", "run", "channel", "unit", "rating point", "procedure", "", "waits for", "begins (UTC)", "ends (UTC)"], queueRows(live.status))
        : el("p", {}, "No run waits."));
      try { bench = bench || await get("/api/bench"); } catch { return; }
      redraw(circuits, bench.circuits.length ? table("supply circuits", ["circuit", "channels", { n: "carries now" }, "breaker", { n: "of it" }, ""], circuitRows(bench, live.status)) : el("p", {}, "No circuit is configured."));
    },
  };
}
