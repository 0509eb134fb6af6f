"use strict";
/* Units: the register, and one unit with its plate, its life in figures, the last check beside this one, where it goes. */
import { announce, BASIS_WORDS, causeWords, cell, el, figure, figureCell, get, known, lineCell, order, runLink, say, table, unitLink, VERDICT_WORDS } from "/assets/base.js";
import { drawLife } from "/assets/chart.js";
import { runTable } from "/assets/run.js";

const PLACES = { hire: "to hire", service: "to service", quarantine: "quarantine" };

export async function unitsView(main) {
  document.title = "Units";
  main.append(el("h1", {}, "Units"));
  const units = (await get("/api/units")).units;
  const rows = units.map((u) => el("tr", {}, el("td", {}, unitLink(u.unit)), cell(u.maker), cell(u.model), cell(u.asset), cell(u.ratings.map((r) => r.words).join("; "))));
  main.append(rows.length ? table("units on file", ["unit", "maker", "model", "asset", "rating points"], rows) : el("p", {}, "No unit is on file yet. At the bench: soakbench unit add FILE."));
  const form = plateForm(main);
  return { live: (live) => { form.hidden = !live.may_act; } };
}

const POINTS_MAX = 24; /* of a plate, as the daemon takes it */

const field = (id, label, options = {}) => [el("label", { for: id }, label), el("input", { id, autocomplete: "off", ...options })];
const choice = (id, label, values) => [el("label", { for: id }, label), el("select", { id }, values.map(([v, t]) => el("option", { value: v }, t)))];

function pointFields(n) {
  return el("fieldset", { class: "fields" }, el("legend", {}, `Rating point ${n}`),
    choice(`process${n}`, "Process", [["mma", "mma (stick)"], ["tig", "tig"], ["mig", "mig / mag"], ["fcaw", "flux-cored"], ["saw", "submerged arc"], ["plasma-cut", "plasma cutting"]]), choice(`output${n}`, "Output", [["dc", "dc"], ["ac", "ac"]]),
    choice(`control${n}`, "Output is", [["trigger", "held by the torch switch"], ["always-live", "always live"], ["remote-contactor", "on by a remote contactor"]]),
    field(`current${n}`, "Rated current I2, A", { inputmode: "decimal" }), field(`percent${n}`, "Duty cycle X, %", { inputmode: "decimal" }),
    field(`voltage${n}`, "Load voltage U2, V (if on the plate)", { inputmode: "decimal" }), field(`noload${n}`, "No-load voltage U0, V", { inputmode: "decimal" }), field(`supply${n}`, "Supply U1, V", { inputmode: "decimal" }),
    field(`i1max${n}`, "I1max, A", { inputmode: "decimal" }), field(`i1eff${n}`, "I1eff, A", { inputmode: "decimal" }),
    choice(`phases${n}`, "Phases", [["1", "1"], ["3", "3"], ["0", "engine or battery"]]));
}

/* One rating point out of its fields; null when the current is left empty. */
function pointOf(n) {
  const value = (id) => document.getElementById(`${id}${n}`).value.trim();
  if (value("current") === "") return null;
  const point = { process: value("process"), output: value("output"), output_control: value("control"), phases: Number(value("phases")) };
  for (const [key, id] of [["current_a", "current"], ["percent_on", "percent"], ["load_voltage_v", "voltage"], ["no_load_v", "noload"], ["supply_v", "supply"], ["i1max_a", "i1max"], ["i1eff_a", "i1eff"]]) {
    const text = value(id).replace(",", ".");
    if (text === "") continue;
    if (!/^\d+(\.\d+)?$/.test(text)) throw new Error(`Rating point ${n}: "${text}" is no number.`);
    point[key] = Number(text);
  }
  return point;
}

function plateForm() {
  const box = el("details", { class: "entry", hidden: true }, el("summary", {}, "Enter a rating plate"));
  const value = (id) => document.getElementById(id).value.trim(), points = el("div");
  const more = el("button", { type: "button", onclick: () => {
    points.append(pointFields(points.children.length + 1));
    more.disabled = points.children.length === POINTS_MAX;
    points.lastChild.querySelector("select").focus();
  } }, "Another rating point");
  points.append(pointFields(1));
  box.append(el("form", { onsubmit: async (e) => {
    e.preventDefault();
    try {
      const ratings = Array.from({ length: points.children.length }, (_, i) => pointOf(i + 1)).filter(Boolean);
      const plate = { serial: value("serial"), maker: value("maker"), model: value("model"), asset: value("asset"), rated_by: value("rated-by"), protection: value("protection"), ratings };
      if (value("year")) plate.year = Number(value("year"));
      await order({ do: "unit-add", plate });
      location.href = `/unit?serial=${encodeURIComponent(plate.maker ? `${plate.serial}/${plate.maker}` : plate.serial)}`;
    } catch (error) { say(error.message); }
  } }, el("p", { class: "note" }, "As printed on the plate. An older version stays on file: a run keeps the one that it was judged by."), el("div", { class: "fields" }, field("serial", "Serial number", { required: true }), field("maker", "Maker"), field("model", "Model"),
    field("asset", "Asset number"), field("year", "Year", { inputmode: "numeric", pattern: "[0-9]{4}" }), field("rated-by", "Standard on the plate"), choice("protection", "Thermal protection", [["unknown", "not known"], ["fitted", "fitted"], ["none", "none"]])),
  points, el("div", { class: "row" }, more), el("button", { type: "submit" }, "Put the plate on file")));
  document.getElementById("main").append(box);
  return box;
}

/* ---- one unit ---- */
function plateTable(plate) {
  return table("rating plate", ["rating point", "output", { n: "supply V" }, { n: "percent-on" }, { n: "I2 A" }, { n: "U2 V" }, { n: "I1max A" }, { n: "I1eff A" }], plate.ratings.map((r) => el("tr", {}, lineCell(r.words), lineCell(r.output_control.replace(/-/g, " ")),
    figureCell(r.supply_v, 0), figureCell(r.percent_on, 0), figureCell(r.current_a, 0), el("td", { class: "n" }, known(r.load_voltage_v) ? figure(r.load_voltage_v, 1) : known(r.test_voltage_v) ? `${figure(r.test_voltage_v, 1)} by formula` : "–"), figureCell(r.i1max_a, 1), figureCell(r.i1eff_a, 1))));
}

/* What a run measured of the unit itself; null where it says nothing about it. */
const LIFE = [
  { key: "percent_on_delivered", name: "percent-on delivered", unit: "%", digits: 1, rated: (v) => v.rated_percent_on },
  { key: "shutoff_s", name: "time to shutoff", unit: "s", digits: 0, rated: (v) => v.rated_on_s },
  { key: "reset_s", name: "time to reset", unit: "s", digits: 0, rated: () => null },
  { key: "own_percent_on", name: "own percent-on from cut-out and reset", unit: "%", digits: 1, rated: (v) => v.rated_percent_on },
];

function lifeOf(runs) {
  const judged = runs.filter((r) => r.judgement && r.judgement.verdict !== "none").slice().reverse();
  const words = [...new Set(judged.map((r) => r.point.words))];
  const out = [];
  for (const point of words) {
    const mine = judged.filter((r) => r.point.words === point);
    for (const f of LIFE) {
      const points = mine.filter((r) => known(r.judgement[f.key]) && r.judgement[f.key] > 0).map((r) => ({ value: r.judgement[f.key], when: r.started.slice(0, 10), failed: r.judgement.verdict === "not-met", run: r.run }));
      if (!points.length) continue;
      const rated = f.rated(mine[0].judgement);
      const label = `${f.name} at ${point}: ${points.map((p) => `${p.value.toFixed(f.digits)} ${f.unit} in run ${p.run}`).slice(-6).join(", ")}${known(rated) ? `; rated ${rated.toFixed(f.digits)} ${f.unit}` : ""}`;
      out.push(el("figure", {}, el("figcaption", {}, `${f.name} / ${f.unit}, ${point}`), drawLife(points, { rated, label })));
    }
  }
  return out;
}

const SIDE = [["at or above rated current", "at_rated_s", "s", 1], ["percent-on demanded", "percent_on_demanded", "%", 1], ["percent-on delivered", "percent_on_delivered", "%", 1], ["shutoff after", "shutoff_s", "s", 1, "time_to_shutoff"], ["reset after", "reset_s", "s", 0, "reset"], ["own percent-on", "own_percent_on", "%", 1, "own_percent_on"],
  ["mean current", "current_a", "A", 1], ["mean load voltage", "load_voltage_v", "V", 2], ["supply", "supply_v", "V", 1], ["intake air", "intake_degc", "°C", 1]];

const signed = (v, digits, unit) => `${v >= 0 ? "+" : "−"}${Math.abs(v).toFixed(digits)} ${unit}`;

/* A change brought to the other run's current, voltages and air, and whether the bench can tell it from nothing. */
function changeWords(c) {
  if (!c || !known(c.change_pct)) return "";
  return `${signed(c.change_pct, 1, "%")}, ${c.beyond ? "changed" : "no change"} (limit ${c.limit_pct.toFixed(1)} %)`;
}

function basisOfClaims(past) {
  const from = (runs) => (runs ? `by ${runs} runs of the check unit` : "as its configuration states");
  return `Changes are brought to the other run's current, load voltage, supply and intake air, and none is claimed within its limit. The limit is what this bench repeats: times to ${figure(past.repeatability_pct, 1, "%")} (${from(past.check_runs)}), rise a watt to ${figure(past.heat_repeatability_pct, 1, "%")} (${from(past.heat_check_runs)}), with the uncertainty of the times; before equilibrium also how differently warm the unit was when the load closed and how much longer it carried it.`;
}

/* The newest judged run that has a run of its own kind to be compared with, side by side with it. */
function beside(runs, past) {
  const row = past.history.slice().reverse().find((p) => p.against_run);
  const now = row && runs.find((r) => r.run === row.run), then = row && runs.find((r) => r.run === row.against_run);
  if (!now || !then) return el("p", { class: "note" }, "No two runs are of one kind yet (procedure, rating point and basis): nothing is compared. The same check after the next hire will be.");
  const head = (r, t) => ({ n: `${t}: run ${r.run}, ${r.started.slice(0, 10)}` }), other = past.history.find((p) => p.run === then.run) || {};
  const line = (name, a, b, digits, unit, change) => (known(a) || known(b) ? el("tr", {}, el("th", { scope: "row" }, name), figureCell(a, digits, unit), figureCell(b, digits, unit), el("td", { class: "n" }, known(a) && known(b) ? signed(b - a, digits, unit) : ""), el("td", { class: change && change.beyond ? "line cause" : "line" }, changeWords(change))) : null);
  const rows = SIDE.map(([name, key, unit, digits, change]) => line(name, then.judgement[key], now.judgement[key], digits, unit, change && row[change])).filter(Boolean);
  const heat = row.rise_of === "exhaust" ? "exhaust" : "case";
  rows.push(...[line(`${heat} over intake air at the end`, other.rise_k, row.rise_k, 1, "K"), line(`${heat} rise a watt lost`, other.resistance_k_per_w * 1000, row.resistance_k_per_w * 1000, 1, "K/kW", row.resistance), line("draw soon after load", other.idle_w, row.idle_w, 0, "W", row.idle)].filter(Boolean));
  const text = (r) => `${VERDICT_WORDS[r.judgement.verdict]}; ${r.procedure}; ${BASIS_WORDS[r.judgement.basis] || "no basis"}${causeWords(r.judgement.cause) ? `; ${causeWords(r.judgement.cause)}` : ""}`;
  rows.unshift(el("tr", {}, el("th", { scope: "row" }, "verdict"), cell(text(then)), cell(text(now)), cell(""), cell("")));
  return el("div", {}, table("last check beside this one", ["", head(then, row.against_baseline ? "baseline" : "its first of this kind"), head(now, "now"), { n: "difference" }, "normalised"], rows),
    el("p", { class: "note" }, `At ${now.point.words}. ${basisOfClaims(past)}`));
}

/* Cooling: how many kelvin a watt, and how long to the reset, against the first run of the same kind. */
function coolingOf(past) {
  const worse = (c) => c && c.beyond && c.change_pct > 0;
  const seen = past.history.filter((p) => known(p.resistance_k_per_w) || known(p.reset.change_pct));
  if (!seen.length) return el("p", {}, "Not seen yet: it takes a case or exhaust temperature, intake air and supply power.");
  const rows = seen.slice(-12).reverse().map((p) => el("tr", {}, el("td", { class: "n" }, runLink(p.run, String(p.run))), figureCell(p.rise_k, 1, "K"), figureCell(p.loss_w, 0, "W"), figureCell(known(p.resistance_k_per_w) ? p.resistance_k_per_w * 1000 : null, 1, "K/kW"),
    lineCell(p.against_run ? `run ${p.against_run}` : "–"), lineCell(changeWords(p.resistance)), lineCell(changeWords(p.reset))));
  const last = seen.slice().reverse().find((p) => p.against_run) || seen[seen.length - 1], bad = worse(last.resistance) || worse(last.reset);
  return el("div", {}, el("p", { class: bad ? "cause" : "" }, bad ? "It cools worse than it did: look at fan, vents and dust, and at where the sensor sits." : last.against_run ? `Run ${last.run} against run ${last.against_run}: no worse, as far as this bench can tell.` : "Nothing to compare it with yet."),
    table("cooling health", [{ n: "run" }, { n: "rise" }, { n: "loss" }, { n: "rise a watt" }, "against", "rise a watt", "time to reset"], rows), el("p", { class: "note" }, "A case or exhaust temperature stands in for what the cut-out senses."));
}

function dispositionForm(unit, runs) {
  const to = el("select", { id: "to" }, Object.entries(PLACES).map(([v, t]) => el("option", { value: v }, t)));
  const run = el("select", { id: "rests-on" }, el("option", { value: "" }, "no run"), runs.slice(0, 20).map((r) => el("option", { value: r.run }, `run ${r.run}, ${r.started.slice(0, 10)}`)));
  const due = el("input", { id: "due", type: "date" }), note = el("input", { id: "disposition-note", maxlength: 200 });
  if (runs.length) run.value = String(runs[0].run);
  return el("form", { class: "fields acts", hidden: true, onsubmit: async (e) => {
    e.preventDefault();
    const fields = { do: "unit-release", unit, to: to.value, note: note.value };
    if (run.value) fields.run = Number(run.value);
    if (due.value) fields.due = due.value;
    try { await order(fields); announce("On file."); location.reload(); } catch (error) { say(error.message); }
  } }, el("label", { for: "to" }, "This unit goes"), to, el("label", { for: "rests-on" }, "It rests on"), run, el("label", { for: "due" }, "Next check due"), due, el("label", { for: "disposition-note" }, "Remark"), note, el("button", { type: "submit" }, "Put on file"));
}

/* A tag to tie to the unit: printed alone. */
function tag(serial, plate, d, runs) {
  const run = d && d.run ? runs.find((r) => r.run === d.run) : runs[0];
  const box = el("section", { class: "tag", "aria-label": "tag" }, el("p", { class: "tag-place" }, d ? PLACES[d.to] || d.to : "no decision yet"), el("p", { class: "tag-serial" }, serial), el("p", {}, [plate.maker, plate.model, plate.asset && `asset ${plate.asset}`].filter(Boolean).join(", ")),
    run && run.judgement ? el("p", {}, `${run.point.words}: ${VERDICT_WORDS[run.judgement.verdict]} (${BASIS_WORDS[run.judgement.basis] || run.procedure}), run ${run.run}, ${run.started.slice(0, 10)}`) : null,
    d ? el("p", {}, `${d.who}, ${d.date}${d.due ? `. Next check due ${d.due}` : ""}`) : null, d && d.note ? el("p", {}, d.note) : null);
  const button = el("button", { type: "button", onclick: () => { document.body.classList.add("tag-only"); print(); document.body.classList.remove("tag-only"); } }, "Print the tag");
  return el("div", {}, box, el("div", { class: "row" }, button));
}

/* By its name on record, as links have it, or by the serial number that somebody typed. */
export async function unitView(main, name, called) {
  const detail = await get(name ? `/api/unit?unit=${encodeURIComponent(name)}` : `/api/unit?serial=${encodeURIComponent(called)}`), serial = detail.unit.unit, call = `${detail.unit.serial}/${detail.unit.maker}`; /* as orders name it, whoever else has the number */
  document.title = serial;
  const plate = detail.unit, runs = detail.runs, places = detail.dispositions;
  main.append(el("h1", {}, `Unit ${serial}`), el("p", {}, [plate.maker, plate.model, plate.asset && `asset ${plate.asset}`, plate.year ? String(plate.year) : "", plate.rated_by, `thermal protection ${plate.protection === "unknown" ? "not known" : plate.protection}`].filter(Boolean).join(", ")));
  const form = dispositionForm(call, runs), life = lifeOf(runs);
  const status = (await get("/api/status")).status, today = (status ? status.utc : new Date().toISOString()).slice(0, 10); /* by the bench's clock */
  const due = places.length && places[0].due && places[0].due < today;
  main.append(el("h2", {}, "Where it goes"), places.length ? el("p", { class: due ? "cause" : "" }, `${PLACES[places[0].to] || places[0].to}, by ${places[0].who} on ${places[0].date}${places[0].due ? `; next check due ${places[0].due}${due ? ": overdue" : ""}` : ""}${places[0].note ? `. ${places[0].note}` : ""}`)
    : el("p", {}, "Not decided yet."), el("div", { class: "where" }, tag(serial, plate, places[0], runs), form), el("h2", {}, "Rating plate"), plateTable(plate));
  const compared = el("div", {}, el("p", { class: "note" }, "Being compared.")), cooling = el("div");
  main.append(el("h2", {}, "Last check beside this one"), compared, el("h2", {}, "Cooling health"), cooling);
  get(`/api/unit/history?unit=${encodeURIComponent(serial)}`).then((past) => { compared.replaceChildren(beside(runs, past)); cooling.replaceChildren(coolingOf(past)); }, (e) => compared.replaceChildren(el("p", { class: "cause" }, e.message)));
  if (life.length) main.append(el("h2", {}, "Over its life"), el("p", { class: "note" }, "A cross marks a run that did not meet the rating; the dashed line is the rated value."), el("div", { class: "life-row" }, life));
  main.append(el("h2", {}, "Safety inspections and tests"), detail.inspections.length ? el("ul", {}, detail.inspections.map((t) => el("li", {}, `${t.done} ${t.passed ? "passed" : "FAILED"}: ${t.kind}, ${[t.who, t.reference, t.note, t.due && `due ${t.due}`].filter(Boolean).join(", ")}`)))
    : el("p", { class: "cause" }, "None on file: no run is started without one."), el("h2", {}, "Runs"), runs.length ? runTable(runs, "runs of this unit") : el("p", {}, "Never tested here."));
  main.append(baselineRow(call, runs, detail.baseline_run));
  return { live: (live) => { for (const f of main.querySelectorAll(".acts")) f.hidden = !live.may_act; } };
}

function baselineRow(unit, runs, baselineNo) {
  const run = el("select", { id: "baseline" }, runs.filter((r) => r.judgement).map((r) => el("option", { value: r.run }, `run ${r.run}, ${r.started.slice(0, 10)}`)));
  return el("div", {}, el("p", {}, baselineNo ? el("span", {}, "Baseline: ", runLink(baselineNo), ".") : "No baseline is set."), el("form", { class: "fields acts", hidden: true, onsubmit: async (e) => {
    e.preventDefault();
    try { await order({ do: "unit-baseline", unit, run: Number(run.value) }); location.reload(); } catch (error) { say(error.message); }
  } }, el("label", { for: "baseline" }, "Compare with, from now on"), run, el("button", { type: "submit" }, "Make it the baseline")));
}
