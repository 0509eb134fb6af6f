"use strict";
/* The page: channels live, runs, units. Text from the bench only ever becomes text, never markup. */
const STATE_WORDS = {
  "free": "free", "rigging": "being rigged", "preflight": "being checked before the start",
  "setting": "on load, being dialled in", "on-load": "on load", "pause": "pause of the cycle",
  "recovering": "waiting for the unit to reset", "locked": "locked by an interlock", "done": "done",
};
const VERDICT_WORDS = {
  "met": "met its rating", "not-met": "did not meet its rating", "undecided": "undecided", "held": "held from cold", "none": "none yet",
};
const SIGNAL_WORDS = {
  i2: "welding current", u2: "load voltage", u_bank: "voltage at the bank", u1: "supply voltage", i1: "supply current",
  p1: "supply power", t_intake: "intake air", t_exhaust: "exhaust", t_case: "case", t_lead: "lead", t_bank: "load bank",
  u2_peak: "peak of load voltage", u1_line: "supply ahead of breaker", engine_speed: "engine speed",
};
const main = document.getElementById("main");
let live = null, liveAt = 0, token = "", view = null;

function el(name, options = {}, ...children) {
  const e = document.createElement(name);
  for (const [k, v] of Object.entries(options)) {
    if (k === "class") e.className = v;
    else if (k === "onclick") e.addEventListener("click", v);
    else if (v !== undefined && v !== null) e.setAttribute(k, v);
  }
  for (const c of children) if (c !== null && c !== undefined) e.append(c);
  return e;
}
const number = (v, digits) => (v === null || v === undefined ? "no value" : v.toFixed(digits));
function duration(s) {
  if (s === null || s === undefined || !isFinite(s)) return "";
  const t = Math.max(0, Math.round(s));
  if (t < 60) return `${t} s`;
  if (t < 3600) return `${Math.floor(t / 60)} min ${String(t % 60).padStart(2, "0")} s`;
  return `${Math.floor(t / 3600)} h ${String(Math.floor(t / 60) % 60).padStart(2, "0")} min`;
}
function announce(text) { document.getElementById("announce").textContent = text; }

async function get(path) {
  const answer = await fetch(path, { cache: "no-store" });
  const body = await answer.json();
  if (!answer.ok) throw new Error(body.error ? body.error.what : `answer ${answer.status}`);
  return body;
}

async function order(fields) {
  const answer = await fetch("/api/orders", {
    method: "POST",
    headers: { "Content-Type": "application/json", "Authorization": `Bearer ${token}` },
    body: JSON.stringify(fields),
  });
  const body = await answer.json();
  if (!answer.ok) throw new Error(body.error ? body.error.what : `answer ${answer.status}`);
  return body;
}

/* ---- live ---- */
function freshness() {
  const p = document.getElementById("freshness");
  const age = live === null ? Infinity : live.age_ms + (performance.now() - liveAt);
  let text, old = true;
  if (live === null) text = "no answer from this page's server";
  else if (!live.reachable) text = `daemon not reached: ${live.trouble}. What you see is ${age < 1e9 && live.age_ms >= 0 ? duration(age / 1000) + " old" : "not live"}`;
  else if (age > 3000) text = `old by ${duration(age / 1000)}`;
  else { text = "live"; old = false; }
  if (p.textContent !== text) p.textContent = text;
  p.classList.toggle("old", old);
}

async function poll() {
  try {
    const answer = await get("/api/status");
    if (live === null || answer.sequence !== live.sequence || answer.reachable !== live.reachable) {
      live = answer;
      liveAt = performance.now();
      if (live.status) document.getElementById("bench-name").textContent = `Bench ${live.status.bench}`;
      document.getElementById("about").textContent =
        `soakbench ${live.version}. ${live.may_act ? "Orders need a token." : "This page only looks."}` +
        (live.status && live.status.virtual ? " VIRTUAL BENCH: no real unit is tested." : "");
      document.getElementById("token-form").hidden = !live.may_act;
      if (view && view.live) view.live();
    }
  } catch (e) {
    if (live !== null && performance.now() - liveAt > 3000) live.reachable = false;
  }
  freshness();
  setTimeout(poll, 700);
}

/* The running cycle: ten minutes from left to right, the rated share marked, on-load time filling it. */
function strip(c) {
  const length = c.point.cycle_s || 600, w = 600;
  const x = (s) => Math.min(w, Math.max(0, s / length * w));
  const rated = length * c.point.percent_on / 100;
  const svg = Chart.make("svg", { class: "strip", viewBox: `0 0 ${w} 50`, role: "img", preserveAspectRatio: "none",
    "aria-label": `cycle ${c.cycle}: ${duration(c.on_load_s)} on load of ${duration(rated)} rated, ${duration(c.cycle_elapsed_s)} of ${duration(length)} gone` });
  svg.append(Chart.make("rect", { class: "rest", x: 0, y: 8, width: w, height: 22 }));
  svg.append(Chart.make("rect", { class: "done", x: 0, y: 8, width: x(c.on_load_s), height: 22 }));
  svg.append(Chart.make("line", { class: "goal", x1: x(rated), x2: x(rated), y1: 2, y2: 36, "stroke-width": 2, "stroke-dasharray": "4 2" }));
  svg.append(Chart.make("line", { class: "now", x1: x(c.cycle_elapsed_s), x2: x(c.cycle_elapsed_s), y1: 4, y2: 34, "stroke-width": 3 }));
  svg.append(Chart.make("text", { x: Math.min(x(rated) + 4, w - 90), y: 47 }, `rated ${duration(rated)}`));
  return svg;
}

function bandWords(value, rated) {
  if (value === null || value === undefined || !rated) return "";
  const off = (value / rated - 1) * 100;
  if (off > 10) return "above the test band";
  if (off < -2) return "below the test band";
  return "in the test band";
}

function signalRows(c) {
  const rows = [];
  const signals = c.signals || {};
  for (const [name, s] of Object.entries(signals)) {
    const words = SIGNAL_WORDS[name];
    if (!words) continue;
    const value = typeof s === "object" && s !== null ? s.value : s;
    const quality = s && s.quality ? s.quality : "good";
    let note = quality === "good" ? "" : quality;
    if (c.point && quality === "good" && c.state === "on-load") {
      if (name === "i2") note = bandWords(value, c.point.current_a);
      if (name === "u2") note = bandWords(value, c.point.load_voltage_v);
    }
    rows.push(el("tr", {}, el("th", { scope: "row" }, words),
      el("td", { class: "n" }, `${number(value, 1)} ${(s && s.unit) || ""}`), el("td", {}, note)));
  }
  return rows;
}

function channelCard(c) {
  const card = el("li", { class: "channel" + (c.state === "on-load" || c.state === "setting" ? " live" : "") + (c.state === "locked" ? " held-back" : "") });
  card.append(el("h2", {}, el("span", {}, `Channel ${c.channel}`), el("span", { class: "state" }, STATE_WORDS[c.state] || c.state)));
  if (c.run) {
    card.append(el("p", { class: "doing" }, el("a", { href: `/unit/${encodeURIComponent(c.unit)}` }, c.unit), `, ${c.point.words}, ${c.procedure}, `,
      el("a", { href: `/run/${c.run}` }, `run ${c.run}`)));
    if (["on-load", "pause", "recovering", "setting"].includes(c.state)) card.append(strip(c));
    if (c.state === "on-load") card.append(el("p", { class: "doing" }, `${duration(c.on_load_goal_s - c.on_load_s)} to the end of this on-load part.`));
    if (c.state === "pause") card.append(el("p", { class: "doing" }, `${duration((c.point.cycle_s || 600) - c.cycle_elapsed_s)} to the next on-load part.`));
    if (c.verdict && c.verdict !== "none")
      card.append(el("p", { class: `verdict ${c.verdict}` }, `Verdict: ${VERDICT_WORDS[c.verdict] || c.verdict}` + (c.cause && c.cause !== "none" ? `, shutoff: ${c.cause}` : "")));
  }
  if (c.interlock && c.interlock !== "none") card.append(el("p", { class: "trouble" }, `Interlock: ${c.interlock}. Reset it at the bench, with a reason, once the cause is gone.`));
  if (c.doing) card.append(el("p", { class: "doing" }, c.doing));
  const rows = signalRows(c);
  if (rows.length) card.append(el("div", { class: "scroll" }, el("table", {}, el("tbody", {}, ...rows))));
  if (live.may_act && c.run && !["free", "rigging", "done"].includes(c.state)) {
    const end = el("button", { type: "button", "data-end": c.channel, onclick: async () => {
      end.disabled = true;
      try { await order({ do: "run-end", channel: c.channel }); announce(`Channel ${c.channel}: the run is being ended, the load opens.`); }
      catch (e) { announce(`Channel ${c.channel}: not ended. ${e.message}`); alertLine(e.message); }
      end.disabled = false;
    } }, "End run");
    card.append(el("div", { class: "row" }, end, el("span", {}, "opens the load; it is not the emergency stop")));
  }
  return card;
}

function alertLine(text) {
  document.querySelector("main > .trouble.line")?.remove();
  main.prepend(el("p", { class: "trouble line", role: "alert" }, text));
}

function benchView() {
  const list = el("ul", { class: "channels" });
  const health = el("div");
  const events = el("tbody");
  main.append(el("h1", {}, "Channels"), list, el("h2", {}, "Record and stores"), health,
    el("h2", {}, "Latest events"), el("div", { class: "scroll" }, el("table", {}, el("thead", {}, el("tr", {}, ...["when", "channel", "what", "in words"].map((h) => el("th", { scope: "col" }, h)))), events)));
  async function loadEvents() {
    try {
      const answer = await get("/api/events");
      const rows = (answer.events || []).slice(-25).reverse().map((e) => el("tr", {}, el("td", {}, (e.utc || "").replace("T", " ").slice(0, 19)),
        el("td", {}, e.channel || "bench"), el("td", {}, e.kind), el("td", {}, e.text || e.state || "")));
      events.replaceChildren(...rows);
    } catch (e) { events.replaceChildren(el("tr", {}, el("td", { colspan: 4 }, e.message))); }
  }
  loadEvents();
  const timer = setInterval(loadEvents, 4000);
  return {
    live() {
      const held = document.activeElement && document.activeElement.getAttribute("data-end");
      if (!live.status) { list.replaceChildren(el("li", { class: "trouble" }, live.trouble)); return; }
      list.replaceChildren(...live.status.channels.map(channelCard));
      if (held) list.querySelector(`[data-end="${CSS.escape(held)}"]`)?.focus();
      const stores = (live.counters && live.counters.stores) || [];
      health.replaceChildren(el("p", {}, live.status.journal_healthy ? "The record keeps up." : "THE RECORD DOES NOT KEEP UP: new loads are refused."),
        ...stores.map((s) => el("p", {}, `Store ${s.name}: ${s.state || ""}${s.trouble ? `, ${s.trouble}` : ""}`)));
    },
    end() { clearInterval(timer); },
  };
}

/* ---- runs ---- */
function verdictCell(run) {
  const v = run.verdict && typeof run.verdict === "object" ? run.verdict : null;
  const kind = v ? v.verdict : run.verdict;
  if (!kind || kind === "none") return el("td", {}, run.end_utc || run.ended ? "none" : "running");
  return el("td", {}, el("span", { class: `verdict ${kind}` }, VERDICT_WORDS[kind] || kind));
}

function runTable(runs) {
  const rows = runs.map((r) => el("tr", {}, el("td", {}, el("a", { href: `/run/${r.run}` }, String(r.run))),
    el("td", {}, (r.start_utc || r.start || "").replace("T", " ").slice(0, 16)),
    el("td", {}, el("a", { href: `/unit/${encodeURIComponent(r.unit)}` }, r.unit)),
    el("td", {}, r.point ? r.point.words : ""), el("td", {}, r.procedure || ""), verdictCell(r),
    el("td", {}, r.verdict && r.verdict.basis ? r.verdict.basis : "")));
  return el("div", { class: "scroll" }, el("table", {}, el("thead", {}, el("tr", {}, ...["run", "begun (UTC)", "unit", "rating point", "procedure", "verdict", "basis"].map((h) => el("th", { scope: "col" }, h)))), el("tbody", {}, ...rows)));
}

async function runsView() {
  main.append(el("h1", {}, "Runs"));
  const answer = await get("/api/runs");
  main.append(answer.runs.length ? runTable(answer.runs) : el("p", {}, "No run is on record yet. `soakbench run start` begins one."));
}

const PANELS = [
  { title: "welding current / A", signals: ["i2"], zero: true },
  { title: "load voltage / V", signals: ["u2", "u_bank"], zero: true },
  { title: "temperature / degC", signals: ["t_case", "t_exhaust", "t_intake", "t_lead", "t_bank"] },
  { title: "supply voltage / V", signals: ["u1", "u1_a", "u1_b", "u1_c"] },
  { title: "supply current / A", signals: ["i1", "i1_a", "i1_b", "i1_c"], zero: true },
];
const MARKED = ["shutoff", "shutoff-revised", "reset-seen", "interlock", "equilibrium", "output-reduced", "never-reached", "verdict", "finding", "supply-trip"];

function figure(name, value, unit, digits) {
  return value === null || value === undefined ? null : el("tr", {}, el("th", { scope: "row" }, name), el("td", { class: "n" }, `${number(value, digits)} ${unit}`));
}

function judgement(v) {
  if (!v) return el("div", { class: "judgement" }, el("p", {}, "Not yet judged."));
  return el("section", { class: "judgement", "aria-label": "verdict" },
    el("p", { class: `verdict ${v.verdict}` }, `${VERDICT_WORDS[v.verdict] || v.verdict} (basis: ${v.basis})`),
    el("p", {}, v.reason), v.finding ? el("p", {}, `Finding on the installation: ${v.finding}`) : null,
    v.cause && v.cause !== "none" ? el("p", {}, `Shutoff cause: ${v.cause}${v.or_cause && v.or_cause !== "none" ? ` or ${v.or_cause}` : ""}`) : null,
    el("table", {}, el("tbody", {}, figure("rated on-load time in a cycle", v.rated_on_s, "s", 0), figure("at or above rated current", v.at_rated_s, "s", 1),
      figure("expanded uncertainty of that time (k = 2)", v.time_uncertainty_s, "s", 1), figure("percent-on demanded", v.percent_on_demanded, "%", 2),
      figure("percent-on delivered", v.percent_on_delivered, "%", 2), figure("shutoff after", v.shutoff_s, "s", 1), figure("reset after", v.reset_s, "s", 0),
      figure("mean current", v.current_a, "A", 1), figure("mean load voltage", v.load_voltage_v, "V", 2), figure("intake air", v.intake_degc, "degC", 1))));
}

function cyclesTable(events) {
  const rows = events.filter((e) => e.kind === "cycle").map((e) => el("tr", {}, el("td", { class: "n" }, String(e.code)), el("td", {}, e.code2 ? "valid" : "void"),
    ...[0, 1, 2, 3, 4, 5, 7].map((i) => el("td", { class: "n" }, number((e.values || [])[i], 1)))));
  if (!rows.length) return null;
  return el("section", {}, el("h2", {}, "Cycles"), el("div", { class: "scroll" }, el("table", {}, el("thead", {}, el("tr", {},
    ...["cycle", "", "commanded s", "conducting s", "at rated s", "in band s", "I2 A", "U2 V", "intake degC"].map((h) => el("th", { scope: "col", class: "n" }, h)))), el("tbody", {}, ...rows))));
}

async function allEvents(no) {
  const out = [];
  let after = 0;
  for (let page = 0; page < 40; page++) {
    const answer = await get(`/api/runs/${no}/events?after=${after}`);
    out.push(...answer.events);
    after = answer.last_row;
    if (!answer.more) break;
  }
  return out;
}

async function curvesSection(no, run, events) {
  const hidden = new Set();
  const svg = Chart.make("svg", { class: "chart", role: "img", tabindex: 0, "aria-label": "curves of the run; arrow keys read values, plus and minus zoom" });
  const readout = el("p", { role: "status", class: "readout" }, "Point at the curves, or use the arrow keys, to read values.");
  const legend = el("div", { class: "row", role: "group", "aria-label": "signals shown" });
  const start = Date.parse(run.start_utc || run.start);
  const marks = events.filter((e) => MARKED.includes(e.kind)).map((e) => ({ t: (Date.parse(e.utc) - start) / 1000, text: `${e.kind}${e.text ? ": " + e.text : ""}` }));
  let data = null, cursor = null, seen = "";
  const point = run.point;
  const panels = PANELS.map((p) => ({ ...p }));
  if (point) {
    panels[0].band = [point.current_a * 0.98, point.current_a * 1.1];
    if (point.load_voltage_v) panels[1].band = [point.load_voltage_v * 0.98, point.load_voltage_v * 1.1];
  }
  function redraw() { Chart.draw(svg, panels, data, marks, hidden); if (cursor !== null) Chart.setCursor(svg, cursor, data.columns); }
  async function load(from, to) {
    data = await get(`/api/runs/${no}/curves?from=${from}&to=${to}&columns=700`);
    cursor = null;
    const names = Object.keys(data.signals).filter((n) => PANELS.some((p) => p.signals.includes(n)));
    if (names.join() !== seen) {
      seen = names.join();
      legend.replaceChildren(...names.map((n) => {
        const b = el("button", { type: "button", "aria-pressed": "true", onclick: () => {
          hidden.has(n) ? hidden.delete(n) : hidden.add(n);
          b.setAttribute("aria-pressed", String(!hidden.has(n)));
          redraw();
        } }, SIGNAL_WORDS[n] || n);
        return b;
      }));
    }
    redraw();
  }
  function read(column) {
    cursor = column;
    Chart.setCursor(svg, column, data.columns);
    const t = data.from_s + (column + 0.5) / data.columns * (data.to_s - data.from_s);
    const parts = Object.entries(data.signals).filter(([n]) => !hidden.has(n) && SIGNAL_WORDS[n]).map(([n, s]) => {
      const lo = s.low[column], hi = s.high[column];
      if (lo === null) return `${SIGNAL_WORDS[n]}: no value`;
      return `${SIGNAL_WORDS[n]} ${hi - lo > 0.05 ? `${lo.toFixed(1)} to ${hi.toFixed(1)}` : lo.toFixed(1)} ${s.unit}`;
    });
    readout.textContent = `at ${Chart.clock(t, 1)}: ${parts.join(", ")}`;
  }
  const zoom = (factor) => {
    const span = (data.to_s - data.from_s) * factor;
    const middle = cursor === null ? (data.from_s + data.to_s) / 2 : data.from_s + (cursor + 0.5) / data.columns * (data.to_s - data.from_s);
    return load(Math.max(0, middle - span / 2), Math.max(1, middle + span / 2));
  };
  let dragFrom = null;
  svg.addEventListener("pointerdown", (e) => { dragFrom = Chart.columnAt(svg, e.clientX, data.columns); });
  svg.addEventListener("pointermove", (e) => read(Chart.columnAt(svg, e.clientX, data.columns)));
  svg.addEventListener("pointerup", (e) => {
    const to = Chart.columnAt(svg, e.clientX, data.columns);
    if (dragFrom !== null && Math.abs(to - dragFrom) > 8) {
      const s = (c) => data.from_s + c / data.columns * (data.to_s - data.from_s);
      load(s(Math.min(dragFrom, to)), s(Math.max(dragFrom, to) + 1));
    }
    dragFrom = null;
  });
  svg.addEventListener("keydown", (e) => {
    const c = cursor === null ? Math.floor(data.columns / 2) : cursor;
    if (e.key === "ArrowRight") read(Math.min(data.columns - 1, c + (e.shiftKey ? 20 : 1)));
    else if (e.key === "ArrowLeft") read(Math.max(0, c - (e.shiftKey ? 20 : 1)));
    else if (e.key === "+") zoom(0.5);
    else if (e.key === "-") zoom(2);
    else return;
    e.preventDefault();
  });
  const buttons = el("div", { class: "row" }, el("button", { type: "button", onclick: () => zoom(0.5) }, "Closer"), el("button", { type: "button", onclick: () => zoom(2) }, "Wider"),
    el("button", { type: "button", onclick: () => load(0, 0) }, "Whole run"));
  await load(0, 0);
  const list = marks.map((m) => el("li", {}, `${Chart.clock(m.t, 60)} ${m.text}`));
  return el("section", {}, el("h2", {}, "Curves"), legend, buttons, svg, readout, list.length ? el("ol", {}, ...list) : null);
}

async function runView(no) {
  const detail = await get(`/api/runs/${no}`);
  const run = detail.run;
  document.title = `Run ${no}`;
  main.append(el("h1", {}, `Run ${no}: `, el("a", { href: `/unit/${encodeURIComponent(run.unit)}` }, run.unit), run.point ? `, ${run.point.words}` : "", `, ${run.procedure}, channel ${run.channel}`));
  const verdicts = detail.verdicts || [];
  main.append(judgement(verdicts[verdicts.length - 1] || (typeof run.verdict === "object" ? run.verdict : null)));
  main.append(el("div", { class: "row" }, el("a", { class: "button", href: `/api/runs/${no}/record.pdf` }, "Record as PDF"), el("a", { class: "button", href: `/api/runs/${no}/curves.svg` }, "Curves as a picture")));
  const events = await allEvents(no);
  main.append(await curvesSection(no, run, events));
  const cycles = cyclesTable(events);
  if (cycles) main.append(cycles);
  main.append(el("h2", {}, "Events"), el("div", { class: "scroll" }, el("table", {}, el("tbody", {}, ...events.filter((e) => e.kind !== "cycle" && e.kind !== "trim").slice(-200).map((e) =>
    el("tr", {}, el("td", {}, (e.utc || "").replace("T", " ").slice(0, 19)), el("td", {}, e.kind), el("td", {}, e.text || e.state || "")))))),
    detail.digest ? el("p", {}, `Digest of this run's record: ${detail.digest}`) : "");
}

/* ---- units ---- */
async function unitsView() {
  main.append(el("h1", {}, "Units"));
  const answer = await get("/api/units");
  const rows = answer.units.map((u) => { const p = u.plate || u; return el("tr", {}, el("td", {}, el("a", { href: `/unit/${encodeURIComponent(p.serial)}` }, p.serial)), el("td", {}, p.maker || ""), el("td", {}, p.model || ""), el("td", {}, p.asset || ""),
    el("td", {}, (p.ratings || []).map((r) => r.words).join("; "))); });
  main.append(rows.length ? el("div", { class: "scroll" }, el("table", {}, el("thead", {}, el("tr", {}, ...["serial", "maker", "model", "asset", "rating points"].map((h) => el("th", { scope: "col" }, h)))), el("tbody", {}, ...rows)))
    : el("p", {}, "No unit is on file yet. `soakbench unit add FILE` enters one."));
}

async function unitView(serial) {
  const detail = await get(`/api/units/${encodeURIComponent(serial)}`);
  const plate = (detail.unit && detail.unit.plate) || detail.unit || {};
  document.title = serial;
  main.append(el("h1", {}, `Unit ${serial}`), el("p", {}, [plate.maker, plate.model, plate.asset && `asset ${plate.asset}`].filter(Boolean).join(", ")));
  main.append(el("h2", {}, "Rating plate"), el("div", { class: "scroll" }, el("table", {}, el("thead", {}, el("tr", {}, ...["point", "supply V", "percent-on", "I2 A", "U2 V"].map((h) => el("th", { scope: "col" }, h)))),
    el("tbody", {}, ...(plate.ratings || []).map((r) => el("tr", {}, el("td", {}, r.words), el("td", { class: "n" }, number(r.supply_v, 0)), el("td", { class: "n" }, number(r.percent_on, 0)), el("td", { class: "n" }, number(r.current_a, 0)), el("td", { class: "n" }, r.load_voltage_v ? number(r.load_voltage_v, 1) : "by formula")))))));
  main.append(el("h2", {}, "Safety inspections"), (detail.inspections || []).length ? el("ul", {}, ...detail.inspections.map((t) => el("li", {}, `${(t.done_utc || t.tested_utc || t.done || "").slice(0, 10)} ${t.passed ? "passed" : "FAILED"} ${t.who || ""} ${t.reference || ""}`)))
    : el("p", {}, "None on file: no run is started without one."));
  main.append(el("h2", {}, "Runs"), (detail.runs || []).length ? runTable(detail.runs) : el("p", {}, "Never tested here."));
}

/* ---- start ---- */
async function show() {
  const path = location.pathname;
  const [, kind, name] = path.split("/");
  const current = kind === "" ? "bench" : kind.startsWith("run") ? "runs" : "units";
  for (const a of document.querySelectorAll("nav a")) if (a.dataset.view === current) a.setAttribute("aria-current", "page");
  try {
    if (kind === "run") await runView(name);
    else if (kind === "runs") await runsView();
    else if (kind === "units") await unitsView();
    else if (kind === "unit") await unitView(decodeURIComponent(name));
    else view = benchView();
  } catch (e) { alertLine(e.message); }
}
document.getElementById("token-form").addEventListener("submit", (e) => {
  e.preventDefault();
  token = document.getElementById("token").value;
  announce("The token is kept until this page is left.");
});
show();
poll();
