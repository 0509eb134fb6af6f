"use strict";
/* Runs: the list, and one run with its verdict, why it shut off, curves, cycles and events. */
import { BASIS_WORDS, causeWords, cell, duration, el, EVENT_WORDS, figureCell, get, known, lineCell, minute, moment, redraw, runLink, SIGNAL_WORDS, STATE_WORDS,
  table, unitLink, unitWord, VERDICT_WORDS } from "/assets/base.js";
import { clock, columnAt, draw, make, reachOf, setCursor } from "/assets/chart.js";

const COLUMNS = 700, REFRESH_MS = 5000, EVENTS_SHOWN = 300;

export function verdictText(run) {
  const v = run.judgement;
  if (!v || v.verdict === "none") return run.ended ? (run.interrupted ? "cut off, not judged" : "not judged") : "running";
  return VERDICT_WORDS[v.verdict] || v.verdict;
}

export function runTable(runs, caption) {
  const rows = runs.map((r) => {
    const v = r.judgement;
    return el("tr", {}, el("td", { class: "n" }, runLink(r.run, String(r.run))), lineCell(minute(r.started)), lineCell(unitLink(r.unit)), lineCell(r.point ? r.point.words : ""), cell(r.procedure),
      el("td", {}, el("span", { class: `verdict ${v ? v.verdict : ""}` }, verdictText(r))), cell(v ? BASIS_WORDS[v.basis] : ""), cell(v ? causeWords(v.cause) : ""));
  });
  return table(caption, [{ n: "run" }, "begun (UTC)", "unit", "rating point", "procedure", "verdict", "basis", "shutoff"], rows);
}

export async function runsView(main) {
  document.title = "Runs";
  main.append(el("h1", {}, "Runs"));
  const answer = await get("/api/runs");
  main.append(answer.runs.length ? runTable(answer.runs, "runs, newest first") : el("p", {}, "No run is on record yet. A run begins at the bench: soakbench run start."));
  return null;
}

const PANELS = [
  { title: "welding current / A", signals: ["i2"], zero: true },
  { title: "load voltage / V", signals: ["u2", "u_bank"], zero: true },
  { title: "temperature / °C", signals: ["t_case", "t_exhaust", "t_intake", "t_lead", "t_bank"] },
  { title: "supply voltage / V", signals: ["u1", "u1_line", "u1_a", "u1_b", "u1_c"] },
  { title: "supply current / A", signals: ["i1", "i1_a", "i1_b", "i1_c"], zero: true },
];
const MARKED = ["shutoff", "shutoff-revised", "reset-seen", "interlock", "equilibrium", "output-reduced", "never-reached", "finding", "supply-trip", "gap", "element-fault"];

function figureRow(name, value, unit, digits, why) {
  return known(value) ? el("tr", {}, el("th", { scope: "row" }, name), figureCell(value, digits, unit), el("td", { class: "note" }, why || "")) : null;
}

function judgement(run, v) {
  if (!v) return el("section", { class: "judgement", "aria-label": "verdict" }, el("p", { class: "verdict" }, run.ended ? (run.interrupted ? "Cut off before it could be judged." : "Not judged.") : "Running: not judged yet."));
  const half = known(v.shutoff_half_width_s) ? `± ${v.shutoff_half_width_s.toFixed(1)} s` : "";
  return el("section", { class: `judgement ${v.verdict}`, "aria-label": "verdict" },
    el("h2", { class: `verdict ${v.verdict}` }, (VERDICT_WORDS[v.verdict] || v.verdict).replace(/^./, (c) => c.toUpperCase())),
    v.revision > 1 ? el("p", {}, el("b", {}, `Revision ${v.revision}. `), "It supersedes the verdicts before it, which stay on record.") : null,
    el("p", {}, v.reason), BASIS_WORDS[v.basis] ? el("p", { class: "note" }, `Basis: ${BASIS_WORDS[v.basis]}.${v.deviations.length ? ` Deviations from the plate's own conditions: ${v.deviations.map((d) => d.replace(/-/g, " ")).join(", ")}.` : ""}`) : null,
    v.finding ? el("p", {}, el("b", {}, "Finding on the installation: "), v.finding) : null,
    el("table", { class: "figures" }, el("caption", { class: "unseen" }, "figures of the verdict"), el("tbody", {}, figureRow("rated on-load time in a cycle", v.rated_on_s, "s", 0),
      figureRow("at or above rated current", v.at_rated_s, "s", 1, known(v.time_uncertainty_s) ? `± ${v.time_uncertainty_s.toFixed(1)} s (k = 2)` : ""),
      figureRow("percent-on demanded", v.percent_on_demanded, "%", 2), figureRow("percent-on delivered", v.percent_on_delivered, "%", 2),
      figureRow("the unit's own percent-on", v.own_percent_on, "%", 1, "from settled cut-out and reset"),
      figureRow("shutoff after", v.shutoff_s, "s", 1, half), figureRow("reset after", v.reset_s, "s", 0), figureRow("mean current", v.current_a, "A", 1),
      figureRow("mean load voltage", v.load_voltage_v, "V", 2), figureRow("supply", v.supply_v, "V", 1), figureRow("intake air", v.intake_degc, "°C", 1),
      figureRow("drift at the end, upper bound", v.drift_k_per_h, "K/h", 2), el("tr", {}, el("th", { scope: "row" }, "valid cycles"), el("td", { class: "n" }, String(v.cycles_valid)), el("td", { class: "note" }, v.cycles_void ? `${v.cycles_void} void` : "")))));
}

/* Why a unit shut off: the latest word on each shutoff, when, and what else could have done it. */
function superseded(events) {
  return new Set(events.filter((e) => e.kind === "shutoff-revised").map((e) => (e.values || [])[2]));
}

function shutoffs(events, start, look) {
  const old = superseded(events);
  const seen = events.filter((e) => (e.kind === "shutoff" || e.kind === "shutoff-revised") && !old.has(e.event));
  if (!seen.length) return null;
  const rows = seen.slice(-20).map((e) => {
    const t = (Date.parse(e.utc) - start) / 1000, after = (e.values || [])[0];
    return el("li", {}, el("b", {}, causeWords(e.cause) || "cause not known"), e.or_cause ? `, or ${causeWords(e.or_cause)}` : "", `; ${clock(t, 1)} into the run`,
      known(after) ? `, after ${duration(after)} on load (± ${(e.half_width_ns / 1e9).toFixed(1)} s)` : "", e.kind === "shutoff-revised" ? ", revised by later evidence" : "", e.text ? `. ${e.text} ` : ". ",
      el("button", { type: "button", class: "small", onclick: () => look(t) }, "Show on the curves"));
  });
  return el("section", {}, el("h2", {}, "Why it shut off"), el("ol", { class: "why" }, rows));
}

/* The map of a survey beside the square law of the plate. */
function surveyTable(events) {
  const points = events.filter((e) => e.survey).map((e) => e.survey);
  if (!points.length) return null;
  const rows = points.map((p) => el("tr", {}, figureCell(p.current_a, 1), figureCell(p.percent_on, 1),
    cell(known(p.low_pct) && known(p.high_pct) ? `${p.low_pct.toFixed(1)} to ${p.high_pct.toFixed(1)}` : known(p.low_pct) ? `at least ${p.low_pct.toFixed(0)}` : "not bounded"),
    figureCell(p.square_law_pct, 1), figureCell(p.on_s, 0), figureCell(p.reset_s, 0), figureCell(p.intake_degc, 1), cell(p.outcome === "own" ? "" : p.outcome.replace(/-/g, " "))));
  return el("section", {}, el("h2", {}, "Survey"), table("the unit's own percent-on over current", [{ n: "I2 A" }, { n: "own percent-on %" }, "interval (95 %)", { n: "square law %" }, { n: "on-load s" }, { n: "reset s" }, { n: "intake °C" }, "remark"], rows));
}

function cyclesTable(events) {
  const rows = events.filter((e) => e.kind === "cycle").map((e) => el("tr", {}, el("td", { class: "n" }, String(e.code)), cell(e.code2 ? "valid" : "void"),
    [0, 1, 2, 3, 4, 5, 6, 7].map((i) => figureCell((e.values || [])[i], 1)), el("td", { class: "note" }, e.text)));
  if (!rows.length) return null;
  return el("section", {}, el("h2", {}, "Cycles"), table("cycles", [{ n: "cycle" }, "", { n: "commanded s" }, { n: "conducting s" }, { n: "at rated s" }, { n: "in band s" }, { n: "I2 A" }, { n: "U2 V" }, { n: "U1 V" }, { n: "intake °C" }, "remark"], rows));
}

async function eventsAfter(no, list, after) {
  for (let page = 0; page < 60; page++) {
    const answer = await get(`/api/runs/${no}/events?after=${after}`);
    list.push(...answer.events);
    after = answer.last_row;
    if (!answer.more) break;
  }
  return after;
}

function marksOf(events, start) {
  const old = superseded(events);
  return events.filter((e) => MARKED.includes(e.kind) && !old.has(e.event)).sort((a, b) => a.at_ns - b.at_ns).map((e) => ({ t: (Date.parse(e.utc) - start) / 1000, text: `${EVENT_WORDS[e.kind] || e.kind}${e.cause ? `, ${causeWords(e.cause)}` : ""}${e.text ? `: ${e.text}` : ""}` }));
}

/* The column itself, or the reading before it that still holds there. */
function nearest(series, column) {
  const reach = reachOf(series);
  for (let i = column; i >= 0 && column - i <= reach && !series.gaps.includes(i); i--) if (series.low[i] !== null) return i;
  return column;
}

/* Curves with legend, zoom, and reading of values by pointer or by a slider that keys move. */
class Curves {
  constructor(no, run, marks) {
    Object.assign(this, { no, run, marks, hidden: new Set(), data: null, seen: "", from: 0, to: 0, dragFrom: null });
    this.panels = PANELS.map((p) => ({ ...p }));
    if (run.point) this.panels[0].band = [run.point.current_a * 0.98, run.point.current_a * 1.1];
    if (run.point && run.point.test_voltage_v) this.panels[1].band = [run.point.test_voltage_v * 0.98, run.point.test_voltage_v * 1.1];
    const ns = "http://www.w3.org/2000/svg";
    this.svg = document.createElementNS(ns, "svg");
    for (const [k, v] of Object.entries({ class: "chart", role: "img", "aria-label": "curves of the run; the slider below reads their values" })) this.svg.setAttribute(k, v);
    this.readout = el("output", { class: "readout", for: "read-at" }, "Point at the curves, or move the slider, to read values.");
    this.slider = el("input", { type: "range", id: "read-at", min: 0, max: COLUMNS - 1, value: 0, step: 1, oninput: () => this.read(Number(this.slider.value)) });
    this.legend = el("div", { class: "row legend", role: "group", "aria-label": "curves shown" });
    this.list = el("ol", { class: "marks" });
    this.pointers();
    this.section = el("section", { id: "curves" }, el("h2", {}, "Curves"), this.legend, this.buttons(), this.svg, el("div", { class: "read" }, el("label", { for: "read-at" }, "Read values at"), this.slider), this.readout, this.list);
  }

  buttons() {
    const b = (text, act) => el("button", { type: "button", onclick: act }, text);
    return el("div", { class: "row" }, b("Closer", () => this.zoom(0.5)), b("Wider", () => this.zoom(2)), b("Earlier", () => this.shift(-0.5)), b("Later", () => this.shift(0.5)), b("Whole run", () => this.load(0, 0)));
  }

  pointers() {
    const column = (e) => columnAt(this.svg, e.clientX, this.data.columns);
    this.svg.addEventListener("pointerdown", (e) => { if (this.data) this.dragFrom = column(e); });
    this.svg.addEventListener("pointermove", (e) => { if (this.data) this.read(column(e)); });
    this.svg.addEventListener("pointerup", (e) => {
      const from = this.dragFrom, to = this.data ? column(e) : null;
      this.dragFrom = null;
      if (from !== null && to !== null && Math.abs(to - from) > 8) this.load(this.second(Math.min(from, to)), this.second(Math.max(from, to) + 1));
    });
  }

  second(column) { return this.data.from_s + column / this.data.columns * (this.data.to_s - this.data.from_s); }

  async load(from, to) {
    this.data = await get(`/api/runs/${this.no}/curves?from=${from}&to=${to}&columns=${COLUMNS}`);
    Object.assign(this, { from, to });
    const names = Object.keys(this.data.signals).filter((n) => PANELS.some((p) => p.signals.includes(n)));
    if (names.join() !== this.seen) {
      this.seen = names.join();
      this.legend.replaceChildren(...names.map((n) => this.legendButton(n)));
    }
    this.redraw();
  }

  legendButton(name) {
    const n = PANELS.find((p) => p.signals.includes(name)).signals.indexOf(name);
    const b = el("button", { type: "button", class: "key", "aria-pressed": String(!this.hidden.has(name)), onclick: () => {
      if (this.hidden.has(name)) this.hidden.delete(name); else this.hidden.add(name);
      b.setAttribute("aria-pressed", String(!this.hidden.has(name)));
      this.redraw();
    } }, make("svg", { class: "sample", viewBox: "0 0 34 8", "aria-hidden": "true" }), SIGNAL_WORDS[name] || name);
    b.firstChild.append(make("path", { class: `curve s${n}`, d: "M0 4H34" }));
    return b;
  }

  redraw() {
    draw(this.svg, this.panels, this.data, this.marks, this.hidden);
    this.list.replaceChildren(...this.marks.map((m) => el("li", {}, `${clock(m.t, 1)} ${m.text}`)));
  }

  read(column) {
    this.slider.value = column;
    setCursor(this.svg, column, this.data.columns);
    const parts = Object.entries(this.data.signals).filter(([n]) => !this.hidden.has(n) && SIGNAL_WORDS[n]).map(([n, s]) => {
      const at = nearest(s, column), lo = s.low[at], hi = s.high[at];
      if (lo === null) return `${SIGNAL_WORDS[n]} not read`;
      return `${SIGNAL_WORDS[n]} ${hi - lo > 0.05 ? `${lo.toFixed(1)} to ${hi.toFixed(1)}` : lo.toFixed(1)} ${unitWord(s.unit)}`;
    });
    const text = `${clock(this.second(column + 0.5), 1)}: ${parts.join(", ")}`;
    this.slider.setAttribute("aria-valuetext", text);
    this.readout.textContent = text;
  }

  zoom(factor) {
    const span = (this.data.to_s - this.data.from_s) * factor;
    const middle = this.svg.querySelector(".cursor") ? this.second(Number(this.slider.value) + 0.5) : (this.data.from_s + this.data.to_s) / 2;
    return this.load(Math.max(0, middle - span / 2), Math.max(1, middle + span / 2));
  }

  shift(share) {
    const by = (this.data.to_s - this.data.from_s) * share, from = Math.max(0, this.data.from_s + by);
    return this.load(from, from + this.data.to_s - this.data.from_s);
  }

  async look(t) {
    await this.load(Math.max(0, t - 60), t + 60);
    this.read(Math.floor((t - this.data.from_s) / (this.data.to_s - this.data.from_s) * this.data.columns));
    this.section.scrollIntoView({ block: "start" });
    this.slider.focus({ preventScroll: true });
  }
}

function eventsTable(events) {
  const kept = events.filter((e) => !["cycle", "trim", "intent", "steps", "cycle-begin"].includes(e.kind) && !(e.kind === "preflight" && e.result === "pass"));
  const rows = kept.slice(-EVENTS_SHOWN).map((e) => el("tr", {}, lineCell(moment(e.utc)), cell(EVENT_WORDS[e.kind] || e.kind), cell(e.text || STATE_WORDS[e.state] || "")));
  return rows.length ? table("events", ["when (UTC)", "what", "in words"], rows) : el("p", {}, "Nothing happened.");
}

function facts(run) {
  const f = (name, text) => (text ? el("div", {}, el("dt", {}, name), el("dd", {}, text)) : null);
  return el("dl", { class: "facts" }, f("unit", unitLink(run.unit)), f("rating point", run.point && run.point.words), f("procedure", run.procedure), f("channel", run.channel), f("begun (UTC)", moment(run.started)),
    f("ended (UTC)", run.ended ? moment(run.ended) : "running"), f("start", run.start_condition), f("started by", run.who), f("safety test on file", run.safety_test || "none"), f("accepted warnings", run.accepted));
}

/* The record is made out to somebody: nothing of this is kept, it is printed. */
function recordForm(no, run, others) {
  const input = (id, options = {}) => el("input", { id, autocomplete: "off", maxlength: 120, ...options });
  const f = { customer: input("customer"), job: input("job"), received: input("received", { type: "date" }), approver: input("approver"), remark: input("remark") };
  const pair = el("select", { id: "pair" }, el("option", { value: "" }, "none"), others.flatMap((r) => ["as_found", "as_left"].map((role) => el("option", { value: `${role}=${r.run}` }, `run ${r.run}, ${r.started.slice(0, 10)}, ${role === "as_found" ? "as found (this one as left)" : "as left (this one as found)"}`))));
  const row = (text, e) => [el("label", { for: e.id }, text), e];
  return el("details", {}, el("summary", {}, "Make the record out to a customer"), el("form", { class: "fields", onsubmit: (e) => {
    e.preventDefault();
    const query = new URLSearchParams(Object.entries(f).filter(([, i]) => i.value.trim()).map(([k, i]) => [k, i.value.trim()]));
    if (pair.value) query.set(...pair.value.split("="));
    location.href = `/api/runs/${no}/record.pdf?${query}`;
  } }, row("Customer", f.customer), row("Job number", f.job), row("Received on", f.received), row("Approved by", f.approver), row("Remark", f.remark), row("Other run of the pair", pair), el("button", { type: "submit" }, "Record as PDF, made out")));
}

const ADDENDUM_WORDS = { remark: "remark", file: "file", correction: "correction of a meter" };

/* What was added when the run was over. Files are on record and come with the export. */
function addendaTable(addenda) {
  if (!addenda || !addenda.length) return null;
  const rows = addenda.map((a) => el("tr", {}, cell(moment(a.utc)), cell(a.who), cell(ADDENDUM_WORDS[a.kind] || a.kind),
    cell(a.revision ? `${a.name}: revision ${a.revision}` : a.name), cell(a.note)));
  return el("section", { "aria-label": "added later" }, el("h2", {}, "Added later"), table("added when the run was over", ["when (UTC)", "by", "what", "name", "note"], rows));
}

export async function runView(main, no) {
  document.title = `Run ${no}`;
  const detail = await get(`/api/runs/${no}`), events = [];
  let run = detail.run, last = await eventsAfter(no, events, 0);
  const start = Date.parse(run.started);
  const curves = new Curves(no, run, marksOf(events, start));
  const verdict = el("div"), made = el("div"), why = el("div"), cycles = el("div"), list = el("div"), added = el("div"), digest = el("p", { class: "note digest" });
  const fill = (d) => {
    run = d.run;
    redraw(verdict, judgement(run, d.verdicts.length ? d.verdicts[d.verdicts.length - 1] : run.judgement));
    redraw(why, ...[shutoffs(events, start, (t) => curves.look(t))].filter(Boolean));
    redraw(cycles, ...[surveyTable(events), cyclesTable(events)].filter(Boolean));
    redraw(list, eventsTable(events));
    redraw(added, ...[addendaTable(d.addenda)].filter(Boolean));
    digest.textContent = d.digest ? `Digest of this run's record: ${d.digest}` : "";
  };
  main.append(el("h1", {}, `Run ${no}`), facts(run), verdict, why, el("div", { class: "row" }, el("a", { class: "button", href: `/api/runs/${no}/record.pdf` }, "Record as PDF"), el("a", { class: "button", href: `/api/runs/${no}/curves.svg` }, "Curves as a picture"),
    el("button", { type: "button", onclick: () => print() }, "Print this page")), made, curves.section, cycles, el("h2", {}, "Events"), list, added, digest);
  fill(detail);
  get(`/api/runs?unit=${encodeURIComponent(run.unit)}`).then((a) => made.replaceChildren(recordForm(no, run, a.runs.filter((r) => r.run !== run.run && r.ended))), () => {});
  await curves.load(0, 0);
  if (!run.ended) follow(no, curves, events, last, start, fill);
  return null;
}

function follow(no, curves, events, last, start, fill) {
  const timer = setInterval(async () => {
    try {
      const d = await get(`/api/runs/${no}`);
      last = await eventsAfter(no, events, last);
      curves.marks = marksOf(events, start);
      fill(d);
      if (curves.from === 0 && curves.to === 0 && document.activeElement !== curves.slider) await curves.load(0, 0);
      if (d.run.ended) clearInterval(timer);
    } catch { /* the line above the page says how old its figures are; the next turn tries again */ }
  }, REFRESH_MS);
}
