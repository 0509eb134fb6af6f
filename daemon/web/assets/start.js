"use strict";
/* Starting a run by its plan: what it will do, how the unit is set up, and the checks' own reasons when they refuse. */
import { duration, el, get, known, order, say } from "/assets/base.js";

const PROCEDURES = [["screen", "screen: one cycle, a quick check"], ["proof", "proof: a number of cycles"], ["soak", "soak: hours, to equilibrium"],
  ["to-cutout", "to-cutout: to shutoff and reset"], ["survey", "survey: several currents"]];
const SETUP = {
  tig: ["Lift or scratch start; high-frequency start off: it destroys meters.", "Pulse off, slopes at zero, gas off, torch off."],
  mma: ["Hot start and arc force at their least, anti-stick off if it can be."],
  mig: ["Plain mode, no pulse, no synergic programme.", "Wire drive released, gas off."],
  fcaw: ["Plain mode, no pulse.", "Wire drive released, gas off."],
  saw: ["Wire drive released, flux off."],
  "plasma-cut": ["Interlocks only as the maker's test instructions say, by a qualified person."],
};
const EVERY = ["The right unit is on this channel: its label and the channel's agree.", "Leads and connectors are clean, tight and rated for this current.", "Remote control unplugged or at maximum; current set to the rating point.", "Nobody is near bank, leads and unit."];

function lengthLine(f, point) {
  const on = point.cycle_s * point.percent_on / 100, cycles = Number(f.cycles.value);
  switch (f.procedure.value) {
    case "screen": return `About ${duration(on)}, decided at the end of the on-load part.`;
    case "proof": return `${cycles} cycle${cycles > 1 ? "s" : ""}: about ${duration(cycles * point.cycle_s)}.`;
    case "soak": return `At least ${f.hours.value} h${f.equilibrium.checked ? `, then until equilibrium, ${f.hoursCap.value} h at most` : ""}.`;
    case "survey": return `At each current on load until it shuts off or ${f.cap.value} min are over, ${f.repeats.value} times; rest between the currents.`;
    default: return `On load past the rated time, until the unit shuts off or ${f.cap.value} min are over, ${f.repeats.value} time${f.repeats.value === "1" ? "" : "s"}.`;
  }
}

function planLines(f, point) {
  const on = point.cycle_s * point.percent_on / 100, cycled = ["screen", "proof", "soak"].includes(f.procedure.value);
  return [`${point.words}, ${f.procedure.value}`, cycled ? `On load ${duration(on)} of every ${duration(point.cycle_s)}, with a few seconds more to be sure of the rated time.` : null,
    lengthLine(f, point), known(point.load_voltage_v) ? `Load voltage ${point.load_voltage_v.toFixed(1)} V, from the plate.` : known(point.test_voltage_v) ? `Load voltage ${point.test_voltage_v.toFixed(1)} V, by the formula of its process.` : "No load voltage is known for this process.",
    f.setting.checked ? "First it gives current to be dialled in, at the bench; that heat counts, so it does not start cold." : null,
    f.unattended.checked ? "Nobody stays with it: the daemon refuses unless everything that a night needs is proved today." : "Somebody stays at the bench."].filter(Boolean);
}

const labelled = (text, input) => [el("label", { for: input.id }, text), input];
const ticked = (input, text) => el("label", { class: "tick" }, input, text);

/* Fields that a procedure has, by their keys in fieldsOf. */
const OF_PROCEDURE = { cycles: ["proof"], hours: ["soak"], hoursCap: ["soak"], equilibrium: ["soak"], goOn: ["soak"], cap: ["to-cutout", "survey"], repeats: ["to-cutout", "survey"], consent: ["to-cutout", "survey"], currents: ["survey"], rest: ["survey"] };

function currentsOf(text) {
  const list = text.split(/[\s;,]+/).filter(Boolean).map(Number);
  if (list.length < 2 || list.some((a) => !(a > 0))) throw new Error("Survey: write at least two currents in ampere, as 100 125 160.");
  return list;
}

function orderOf(f) {
  const number = (input) => Number(input.value), accepted = [...f.warnings.querySelectorAll("input:checked")].map((i) => i.value);
  const out = { do: "run-start", channel: f.channel.value, unit: f.unit.selectedOptions[0].dataset.call, point: f.point.value, procedure: f.procedure.value, start: f.start.value, setup_confirmed: true,
    accept: [...new Set([...f.accept.value.trim().split(/[ ,]+/), ...accepted])].filter(Boolean).join(" ") };
  if (out.procedure === "proof") out.cycles = number(f.cycles);
  if (out.procedure === "soak") Object.assign(out, { soak_s: number(f.hours) * 3600, soak_cap_s: Math.max(number(f.hours), number(f.hoursCap)) * 3600, to_equilibrium: f.equilibrium.checked, go_on_after_cutout: f.goOn.checked });
  if (OF_PROCEDURE.cap.includes(out.procedure)) Object.assign(out, { cap_s: number(f.cap) * 60, repeats: number(f.repeats), consent_past_rating: f.consent.checked });
  if (out.procedure === "survey") Object.assign(out, { currents_a: currentsOf(f.currents.value), rest_s: number(f.rest) * 60 });
  for (const [key, input] of [["control_at_maximum", f.maximum], ["setting", f.setting], ["unattended", f.unattended], ["heated_intake", f.heated]]) if (input.checked) out[key] = true;
  return out;
}

function fieldsOf(units, query) {
  const number = (id, min, max, value) => el("input", { id, type: "number", min, max, value, step: "any" }), box = (id, checked) => el("input", { id, type: "checkbox", checked });
  const f = {
    channel: el("select", { id: "channel" }), unit: el("select", { id: "unit" }, units.map((u) => el("option", { value: u.unit, "data-call": `${u.serial}/${u.maker}` }, `${u.unit} ${u.maker} ${u.model}`))),
    point: el("select", { id: "point" }), procedure: el("select", { id: "procedure" }, PROCEDURES.map(([v, t]) => el("option", { value: v }, t))),
    cycles: el("input", { id: "cycles", type: "number", min: 1, max: 100, value: 2 }), hours: number("hours", 0.2, 72, 8), hoursCap: number("hours-cap", 0.2, 72, 12), equilibrium: box("equilibrium", true), goOn: box("go-on"),
    cap: number("cap", 1, 600, 30), repeats: el("input", { id: "repeats", type: "number", min: 1, max: 20, value: 2 }), consent: box("consent"), currents: el("input", { id: "currents", inputmode: "decimal", placeholder: "100 125 160" }), rest: number("rest", 0, 600, 60),
    start: el("select", { id: "start" }, el("option", { value: "cold" }, "cold: rested for hours"), el("option", { value: "warm" }, "warm"), el("option", { value: "unknown" }, "not known")),
    setting: box("setting"), unattended: box("unattended"), heated: box("heated"), maximum: box("maximum"), accept: el("input", { id: "accept", maxlength: 150, "aria-describedby": "accept-note" }), warnings: el("div"),
  };
  if (query.get("unit")) f.unit.value = query.get("unit");
  return f;
}

/* What the checks said; a warning can be ticked, and goes along with the next try. */
function refused(e, f, box) {
  say(e.message);
  const lines = (e.lines || []).map((l) => (typeof l === "string" ? { result: "", text: l } : l));
  const warnings = lines.filter((l) => l.result === "warn" && /^[a-z0-9-]+:/.test(l.text)), others = lines.filter((l) => !warnings.includes(l));
  box.replaceChildren(...(others.length ? [el("h2", {}, "What stands in the way"), el("ul", {}, others.map((l) => el("li", {}, `${l.result} ${l.text}`.trim())))] : []));
  if (!warnings.length) return;
  f.warnings.replaceChildren(el("p", {}, "Warnings. Tick what you accept; it goes into the record under your name:"), ...warnings.map((l) => {
    const name = l.text.split(":")[0];
    return ticked(el("input", { type: "checkbox", id: `accept-${name}`, value: name }), l.text);
  }));
  f.warnings.querySelector("input").focus();
}

function formBody(f, plan, setup, key, button) {
  const of = (name) => (OF_PROCEDURE[name] || []).join(" ");
  const field = (name, text) => labelled(text, f[name]).map((e) => { e.dataset.of = of(name); return e; });
  const tick = (name, text) => { const e = ticked(f[name], text); e.dataset.of = of(name); return e; };
  return [el("div", { class: "fields" }, labelled("Channel, rigged and confirmed", f.channel), labelled("Unit", f.unit), labelled("Rating point", f.point), labelled("Procedure", f.procedure), field("cycles", "Cycles"), field("hours", "Hours at least"), field("hoursCap", "Hours at most"),
    field("currents", "Currents, A"), field("cap", "Longest on load, min"), field("repeats", "Times"), field("rest", "Rest between currents, min"), labelled("Start", f.start)),
  tick("equilibrium", "Go on until equilibrium."), tick("goOn", "Go on after a cut-out and its reset."), tick("consent", "The unit's owner consents to load past the rating."),
  tick("setting", "Let it be dialled in at the bench first."), tick("unattended", "Nobody stays at the bench (unattended)."), tick("heated", "The intake air is heated to 40 °C and recorded."),
  el("h2", {}, "What it will do"), plan, el("h2", {}, "How the unit is set up"), el("p", { class: "note" }, "Tick what you have seen yourself, at the bench. It goes into the record under your name."), setup, ticked(f.maximum, "The current control was seen at its maximum (needed before a unit can fail for current not reached)."),
  el("h2", {}, "Warnings"), f.warnings, el("div", { class: "fields" }, labelled("Warnings accepted, by name", f.accept)), el("p", { class: "note", id: "accept-note" }, "Leave it empty at first: the checks name each warning that stands in the way, and it can then be ticked."), key, button];
}

export async function startView(main, query) {
  document.title = "Start a run";
  const units = (await get("/api/units")).units;
  const f = fieldsOf(units, query), plan = el("ul"), setup = el("div"), checks = el("div"), key = el("p", { role: "status" });
  const unit = () => units.find((u) => u.unit === f.unit.value);
  const button = el("button", { type: "submit", class: "end" }, "Start this run");
  const form = el("form", { onsubmit: async (e) => {
    e.preventDefault();
    button.disabled = true;
    try { await order(orderOf(f)); location.href = "/"; } catch (error) { refused(error, f, checks); }
    button.disabled = false;
  } }, formBody(f, plan, setup, key, button));
  let setUpFor = "";
  const show = () => {
    const point = unit() && unit().ratings[Number(f.point.value) - 1];
    for (const e of form.querySelectorAll("[data-of]")) e.hidden = e.dataset.of !== "" && !e.dataset.of.split(" ").includes(f.procedure.value);
    if (!point) { plan.replaceChildren(el("li", {}, "This unit has no rating point on file.")); return; }
    plan.replaceChildren(...planLines(f, point).map((t) => el("li", {}, t)));
    if (setUpFor === `${unit().unit} ${f.point.value}`) return; /* what was ticked stays ticked */
    setUpFor = `${unit().unit} ${f.point.value}`;
    setup.replaceChildren(...[...(SETUP[point.process] || []), ...EVERY].map((t, i) => ticked(el("input", { type: "checkbox", id: `set-${i}`, required: true }), t)));
  };
  const points = () => { f.point.replaceChildren(...(unit() ? unit().ratings.map((r, i) => el("option", { value: i + 1 }, r.words)) : [])); show(); };
  f.unit.addEventListener("change", points);
  form.addEventListener("change", show);
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
