"use strict";
/* What all views share: making elements, words of the trade, figures, talking to this page's server. Text from the
   bench only ever becomes text nodes and attribute values, never markup. */
export const STATE_WORDS = {
  "free": "free", "rigging": "being rigged", "preflight": "checks before the start", "setting": "on load, being dialled in",
  "on-load": "on load", "pause": "pause of the cycle", "recovering": "waiting for the unit to reset",
  "locked": "held by an interlock", "done": "finished",
};
export const VERDICT_WORDS = {
  "met": "met its rating", "not-met": "did not meet its rating", "undecided": "undecided", "held": "held its rated time",
  "none": "not judged yet",
};
export const BASIS_WORDS = {
  "cold-cycle": "one cycle from cold", "warm-cycle": "a cycle from warm", "cycle-start-unknown": "one cycle, its start not known", "equilibrium": "equilibrium at the intake air seen",
  "equilibrium-at-40C": "equilibrium with intake air at 40 °C", "none": "",
};
export const CAUSE_WORDS = {
  "thermal-cutout": "thermal cut-out of the unit", "supply-lost": "supply lost: breaker, plug or outage",
  "supply-low": "supply voltage too low", "load-path-open": "load path open: lead, connector or contact",
  "load-path-short": "short in the load path", "unit-protection": "another protection of the unit", "unit-fault": "fault in the unit",
  "switched-off": "unit switched off", "engine-stopped": "engine stopped", "bench-interlock": "interlock of the bench",
  "operator": "ended by a person", "link-lost": "link to a meter or controller lost", "unknown": "not known",
};
export const INTERLOCK_WORDS = {
  "bank-hot": ["load bank too hot", "Let the bank's fan run on; see that air goes in and out freely."],
  "lead-hot": ["lead or connector too hot", "Do not touch: let it cool, then look for a loose or burnt connector."],
  "no-fan": ["bank fan not seen turning", "Look at the fan, its breaker and its proving switch."],
  "emergency-stop": ["emergency stop pressed", "Find out why before anybody pulls it out again."],
  "smoke": ["smoke or heat detector", "Follow the site's fire rules first."],
  "signal-lost": ["a safety signal was lost", "Look at the meter, its supply and its cable."],
  "not-closed": ["load contactor did not close", "Look at the load controller and at the contactor's feedback."],
  "not-opened": ["load did not open", "The unit's supply was tripped. Isolate; the contactor may have welded."],
  "element-fault": ["bank resistance does not fit its steps", "Look for an open element or shorted turns."],
  "no-load-voltage": ["no-load voltage out of limits", "Isolate the unit; a qualified person looks at it."],
  "over-power": ["more power than the bank may take", "Look at the rating point and at the unit's control."],
  "max-on-load": ["longest on-load time passed", "See why the load was not opened in time."],
  "supply-out-of-band": ["supply voltage far out of band", "Look at the supply and its extension lead."],
  "record-unhealthy": ["the record does not keep up", "Look at the disk of the bench's computer."],
  "watchdog-not-proved": ["load controller's watchdog not proved", "Prove it at the bench: soakbench watchdog prove DEVICE"],
  "cross-wired": ["leads of two channels are swapped", "Isolate, and compare unit and channel labels."],
  "controller-lost": ["load controller lost", "Look at its supply and its bus."],
  "isolator-open": ["isolator opened during a run", "See who opened it and why."],
  "inputs-lost": ["readings were lost inside the daemon", "See the daemon's log; the computer may be overloaded."],
  "rule": ["a rule of this bench", "See the event for the rule's name."],
  "clock-broken": ["the computer slept or its clock broke", "Switch sleeping off on the bench's computer."],
};
export const SIGNAL_WORDS = {
  i2: "welding current", u2: "load voltage", u2_peak: "peak of load voltage", u_bank: "voltage at the bank", u1: "supply voltage",
  u1_line: "supply ahead of breaker", u1_a: "supply voltage, phase a", u1_b: "supply voltage, phase b", u1_c: "supply voltage, phase c",
  i1: "supply current", i1_a: "supply current, phase a", i1_b: "supply current, phase b", i1_c: "supply current, phase c",
  p1: "supply power", t_intake: "intake air", t_exhaust: "exhaust air", t_case: "case", t_lead: "lead", t_bank: "load bank",
  engine_speed: "engine speed",
};
export const EVENT_WORDS = {
  "run-start": "run begun", "run-end": "run ended", "state": "state", "shutoff": "shutoff", "shutoff-revised": "shutoff, revised",
  "reset-seen": "unit has reset", "output-reduced": "output reduced", "never-reached": "rated current not reached", "meter-doubt": "meter in doubt",
  "interlock": "interlock", "interlock-reset": "interlock reset", "link": "link", "signal": "signal", "gap": "gap in the record",
  "watchdog-proved": "watchdog proved", "rule": "rule", "equilibrium": "equilibrium", "finding": "finding", "verdict": "verdict",
  "element-fault": "element of the bank", "supply-trip": "supply tripped", "alarm": "alarm", "clock": "clock", "advice": "advice",
  "preflight": "check before the start", "unit-live": "output seen", "estimate": "estimated from heating", "note": "note", "cycle": "cycle", "cycle-begin": "cycle begun",
  "intent": "about to close", "steps": "steps closed", "trim": "re-trimmed", "survey-point": "current of a survey", "queue": "queue", "strike": "strike",
};

export function el(name, options = {}, ...children) {
  const e = document.createElement(name);
  for (const [k, v] of Object.entries(options)) {
    if (k === "class") e.className = v;
    else if (k.startsWith("on")) e.addEventListener(k.slice(2), v);
    else if (v === true) e.setAttribute(k, "");
    else if (v !== undefined && v !== null && v !== false) e.setAttribute(k, v);
  }
  for (const c of children.flat()) if (c !== null && c !== undefined && c !== false) e.append(c);
  return e;
}

/* On a narrow screen each row stands as a block, its figures under one another, each with its heading in front: what the
   style sheet shows so is no table to a browser, and the roles keep it one. */
export function table(caption, heads, rows, options = {}) {
  const head = heads.map((h) => (typeof h === "string" ? el("th", { scope: "col", role: "columnheader" }, h) : el("th", { scope: "col", role: "columnheader", class: "n" }, h.n)));
  for (const row of rows) {
    row.setAttribute("role", "row");
    [...row.children].forEach((c, i) => {
      c.setAttribute("role", c.tagName === "TH" ? "rowheader" : "cell");
      if (head[i]?.textContent && c.textContent) c.dataset.head = head[i].textContent;
    });
  }
  return el("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": caption },
    el("table", { role: "table", ...options }, el("caption", { class: "unseen" }, caption), el("thead", { role: "rowgroup" }, el("tr", { role: "row" }, head)), el("tbody", { role: "rowgroup" }, rows)));
}
export const cell = (text) => el("td", {}, text ?? "");
export const lineCell = (text) => el("td", { class: "line" }, text ?? "");
export const figureCell = (v, digits, unit = "") => el("td", { class: "n" }, figure(v, digits, unit));

export const known = (v) => typeof v === "number" && isFinite(v);
export const figure = (v, digits, unit = "") => (known(v) ? `${v.toFixed(digits)}${unit ? " " + unit : ""}` : "–");
export const unitWord = (unit) => (unit === "degC" ? "°C" : unit);

export function duration(s) {
  if (!known(s)) return "";
  const t = Math.max(0, Math.round(s));
  if (t < 60) return `${t} s`;
  if (t < 3600) return `${Math.floor(t / 60)} min ${String(t % 60).padStart(2, "0")} s`;
  return `${Math.floor(t / 3600)} h ${String(Math.floor(t / 60) % 60).padStart(2, "0")} min`;
}
export const moment = (utc) => (utc ? utc.replace("T", " ").slice(0, 19) : "");
export const minute = (utc) => (utc ? utc.replace("T", " ").slice(0, 16) : "");
export const causeWords = (c) => (c && c !== "none" ? CAUSE_WORDS[c] || c : "");
export const unitLink = (name) => el("a", { href: `/unit?unit=${encodeURIComponent(name)}` }, name);
export const runLink = (no, text) => el("a", { href: `/run/${no}` }, text || `run ${no}`);

/* New children for a box that is drawn again and again: the keyboard's focus, what is typed and how far a table is moved
   sideways stay where they were. */
export function redraw(box, ...children) {
  const kind = (e) => `${e.tagName} ${e.id || e.getAttribute("aria-label") || e.textContent.slice(0, 60)}`;
  const like = (e) => [...box.querySelectorAll(e.tagName)].filter((o) => kind(o) === kind(e));
  const active = box.contains(document.activeElement) ? document.activeElement : null;
  const place = active ? [active.tagName, kind(active), like(active).indexOf(active)] : null;
  const typed = new Map([...box.querySelectorAll("input[id]")].map((i) => [i.id, i.value]));
  const moved = new Map([...box.querySelectorAll(".scroll")].map((s) => [s.getAttribute("aria-label"), s.scrollLeft]));
  box.replaceChildren(...children);
  for (const [id, value] of typed) if (value) { const i = box.querySelector(`#${CSS.escape(id)}`); if (i) i.value = value; }
  for (const s of box.querySelectorAll(".scroll")) s.scrollLeft = moved.get(s.getAttribute("aria-label")) || 0;
  if (place) [...box.querySelectorAll(place[0])].filter((e) => kind(e) === place[1])[place[2]]?.focus({ preventScroll: true });
}

export function announce(text) { document.getElementById("announce").textContent = text; }

export function say(text, kind = "trouble") {
  const main = document.getElementById("main");
  main.querySelector(":scope > .said")?.remove();
  const line = el("p", { class: `said ${kind}`, role: kind === "trouble" ? "alert" : "status" }, text);
  main.prepend(line);
  line.scrollIntoView({ block: "nearest" });
}

export class Refusal extends Error {
  constructor(status, body) {
    const error = (body && body.error) || {};
    super([error.what || `the server answered ${status}`, error.remedy].filter(Boolean).join(" "));
    this.status = status;
    this.lines = (body && body.lines) || [];
  }
}

async function read(answer) {
  let body = null;
  try { body = await answer.json(); } catch { body = null; }
  if (!answer.ok || body === null) throw new Refusal(answer.status, body);
  return body;
}

/* What hangs with the record's disk is given up in time: a browser opens only a few connections to one server, and an
 * order to end must find one. */
const READ_MS = 15000;

/* A crowded server says so and when to come back; that is tried a few times. */
export async function get(path) {
  for (let turn = 0; ; turn++) {
    const answer = await fetch(path, { cache: "no-store", signal: AbortSignal.timeout(READ_MS) });
    if ((answer.status !== 503 && answer.status !== 429) || !answer.headers.get("Retry-After") || turn === 3 || path === "/api/status") return read(answer);
    await new Promise((done) => setTimeout(done, 1000));
  }
}

/* Token and name live in this page's memory only: closing the page forgets them. */
export const hands = { token: "", who: "" };

export async function order(fields) {
  if (!hands.token || !hands.who) {
    document.getElementById("hands").open = true;
    document.getElementById(hands.who ? "token" : "who").focus();
    throw new Error("Give your name and the token for orders first, below.");
  }
  const answer = await fetch("/api/orders", {
    method: "POST",
    headers: { "Content-Type": "application/json", "Authorization": `Bearer ${hands.token}` },
    body: JSON.stringify({ ...fields, who: hands.who }),
  });
  const body = await read(answer);
  const result = body.result;
  return typeof result === "object" && result && result.text ? result.text : "";
}
