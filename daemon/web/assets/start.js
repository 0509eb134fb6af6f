"use strict";
/* Starting a run by its plan: what it will do, how the unit is set up, and the checks' own reasons when they refuse. */
import { duration, el, get, known, order, say } from "/assets/base.js";

const PROCEDURES = [["screen", "screen: quick check of a returned unit, one cycle"], ["proof", "proof: a number of cycles"], ["soak", "soak: cycles for hours, to equilibrium"], ["to-cutout", "to-cutout: on load until it shuts off, then time the reset"]];
const SETUP = {
  tig: ["Lift or scratch start; high-frequency start off: it destroys meters.", "Pulse off, slopes at zero, gas off, torch off."],
  mma: ["Hot start and arc force at their least, anti-stick off if it can be."],
  mig: ["Plain mode, no pulse, no synergic programme.", "Wire drive released, gas off."],
  fcaw: ["Plain mode, no pulse.", "Wire drive released, gas off."],
  saw: ["Wire drive released, flux off."],
  "plasma-cut": ["Interlocks only as the maker's test instructions say, by a qualified person."],
};
const EVERY = ["The right unit is on this channel: its label and the channel's agree.", "Leads and connectors are clean, tight and rated for this current.", "Remote control unplugged or at maximum; current set to the rating point.", "Nobody is near bank, leads and unit."];

function planLines(point, procedure, cycles, hours) {
  const on = point.cycle_s * point.percent_on / 100, count = procedure === "screen" ? 1 : procedure === "proof" ? cycles : null;
  return [`${point.words}, ${procedure}`, `On load ${duration(on)} of every ${duration(point.cycle_s)}, with a few seconds more to be sure of the rated time.`,
    procedure === "screen" ? `About ${duration(on)}, decided at the end of the on-load part.` : count ? `${count} cycle${count > 1 ? "s" : ""}: about ${duration(count * point.cycle_s)}.` : procedure === "soak" ? `At least ${hours} h, then until equilibrium.` : "On load past the rated time, until the unit shuts off or the cap is reached.",
    known(point.load_voltage_v) ? `Load voltage ${point.load_voltage_v.toFixed(1)} V, from the plate.` : "Load voltage by the formula of its process."];
}

const labelled = (text, input) => [el("label", { for: input.id }, text), input];

function orderOf(f) {
  const out = { do: "run-start", channel: f.channel.value, unit: f.unit.value, point: f.point.value, procedure: f.procedure.value, start: f.start.value, setup_confirmed: true, accept: f.accept.value.trim().replace(/[ ,]+/g, " ") };
  if (out.procedure === "proof") out.cycles = Number(f.cycles.value);
  if (out.procedure === "soak") Object.assign(out, { soak_s: Number(f.hours.value) * 3600, soak_cap_s: (Number(f.hours.value) + 4) * 3600, to_equilibrium: true });
  if (f.maximum.checked) out.control_at_maximum = true;
  return out;
}

function fieldsOf(units, query) {
  const f = {
    channel: el("select", { id: "channel" }), unit: el("select", { id: "unit" }, units.map((u) => el("option", { value: u.serial }, `${u.serial} ${u.maker} ${u.model}`))),
    point: el("select", { id: "point" }), procedure: el("select", { id: "procedure" }, PROCEDURES.map(([v, t]) => el("option", { value: v }, t))),
    cycles: el("input", { id: "cycles", type: "number", min: 1, max: 100, value: 2 }), hours: el("input", { id: "hours", type: "number", min: 1, max: 72, value: 8 }),
    start: el("select", { id: "start" }, el("option", { value: "cold" }, "cold: no load for hours, exhaust air as cool as the room"), el("option", { value: "warm" }, "warm"), el("option", { value: "unknown" }, "not known")),
    accept: el("input", { id: "accept", maxlength: 150, "aria-describedby": "accept-note" }), maximum: el("input", { id: "maximum", type: "checkbox" }),
  };
  if (query.get("unit")) f.unit.value = query.get("unit");
  return f;
}

function refused(e, box) {
  say(e.message);
  const lines = (e.lines || []).map((l) => (typeof l === "string" ? l : `${l.result || ""} ${l.text || ""}`.trim()));
  box.replaceChildren(...(lines.length ? [el("h2", {}, "What the checks said"), el("ul", {}, lines.map((t) => el("li", {}, t)))] : []));
}

export async function startView(main, query) {
  document.title = "Start a run";
  const units = (await get("/api/units")).units;
  const f = fieldsOf(units, query), plan = el("ul"), setup = el("div"), checks = el("div"), key = el("p", { role: "status" });
  const unit = () => units.find((u) => u.serial === f.unit.value);
  const show = () => {
    const point = unit() && unit().ratings[Number(f.point.value) - 1];
    for (const [input, when] of [[f.cycles, "proof"], [f.hours, "soak"]]) for (const e of [input, input.previousSibling]) if (e) e.hidden = f.procedure.value !== when;
    if (!point) { plan.replaceChildren(el("li", {}, "This unit has no rating point on file.")); return; }
    plan.replaceChildren(...planLines(point, f.procedure.value, Number(f.cycles.value), f.hours.value).map((t) => el("li", {}, t)));
    setup.replaceChildren(...[...(SETUP[point.process] || []), ...EVERY].map((t, i) => el("label", { class: "tick" }, el("input", { type: "checkbox", id: `set-${i}`, required: true }), t)));
  };
  const points = () => { f.point.replaceChildren(...(unit() ? unit().ratings.map((r, i) => el("option", { value: i + 1 }, r.words)) : [])); show(); };
  f.unit.addEventListener("change", points);
  for (const input of [f.point, f.procedure, f.cycles, f.hours]) input.addEventListener("change", show);
  const button = el("button", { type: "submit", class: "end" }, "Start this run");
  const form = el("form", { onsubmit: async (e) => {
    e.preventDefault();
    button.disabled = true;
    try { await order(orderOf(f)); location.href = "/"; } catch (error) { refused(error, checks); }
    button.disabled = false;
  } }, el("div", { class: "fields" }, labelled("Channel, rigged and confirmed", f.channel), labelled("Unit", f.unit), labelled("Rating point", f.point), labelled("Procedure", f.procedure), labelled("Cycles", f.cycles), labelled("Hours", f.hours), labelled("Start", f.start)),
  el("h2", {}, "What it will do"), plan, el("h2", {}, "How the unit is set up"), el("p", { class: "note" }, "Tick what you have seen yourself, at the bench. It goes into the record under your name."), setup, el("label", { class: "tick" }, f.maximum, "The current control was seen at its maximum (needed before a unit can fail for current not reached)."),
  el("div", { class: "fields" }, labelled("Warnings accepted, by name", f.accept)), el("p", { class: "note", id: "accept-note" }, "Leave it empty at first: the checks name each warning that stands in the way."), key, button);
  main.append(el("h1", {}, "Start a run"), units.length ? form : el("p", {}, "No unit is on file yet: enter its rating plate first."), checks);
  points();
  return { live: (live) => liveStart(live, f, key, button, query) };
}

function liveStart(live, f, key, button, query) {
  if (!live.status) return;
  const rigged = live.status.channels.filter((c) => c.state === "rigging").map((c) => c.channel);
  if (rigged.join() !== [...f.channel.options].map((o) => o.value).join()) {
    f.channel.replaceChildren(...rigged.map((c) => el("option", { value: c }, `channel ${c}`)));
    if (rigged.includes(query.get("channel"))) f.channel.value = query.get("channel");
  }
  const view = live.status.channels.find((c) => c.channel === f.channel.value);
  const s = view && view.signals.key_switch, on = s && s.quality === "good" && s.value > 0.5;
  const text = !live.may_act ? "This page only looks: a run is started at the bench." : !rigged.length ? "No channel is rigged: take one for rigging at the bench first." : on ? "The bench's key switch is on." : "The bench's key switch is off: somebody at the bench has to turn it on.";
  if (key.textContent !== text) key.textContent = text;
  button.disabled = !live.may_act || !rigged.length || !on;
}
