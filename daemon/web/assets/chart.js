"use strict";
/* Curves as SVG: stacked panels over one time axis for a run, one small panel for a unit's life. Data of a run come
   thinned by the server to columns with lowest and highest value; a column without a value is a gap. */
const NS = "http://www.w3.org/2000/svg";
const LEFT = 58, RIGHT = 14, PANEL = 150, GAP = 40;
/* Drawn to the paper's measure: a narrow page gets a narrow picture, so that its words stay legible. */
const widthFor = (svg) => (svg.clientWidth && svg.clientWidth < 560 ? 440 : 900);
const innerOf = (svg) => svg.viewBox.baseVal.width - LEFT - RIGHT;

export function make(name, attributes, text) {
  const e = document.createElementNS(NS, name);
  for (const [k, v] of Object.entries(attributes || {})) e.setAttribute(k, v);
  if (text !== undefined) e.textContent = text;
  return e;
}

function roundStep(span, parts) {
  const raw = span / parts, power = 10 ** Math.floor(Math.log10(raw));
  for (const s of [1, 2, 2.5, 5, 10]) if (s * power >= raw) return s * power;
  return 10 * power;
}

function timeStep(span, inner) {
  for (const s of [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800])
    if (span / s <= inner / 90) return s;
  return 86400;
}

/* Seconds since the start, as fine as the step asks for. */
export function clock(s, step) {
  const pad = (n) => String(n).padStart(2, "0");
  if (step < 1) return `${Math.floor(s / 60)}:${(s % 60).toFixed(1).padStart(4, "0")}`;
  const whole = Math.round(s);
  if (step < 60) return whole < 3600 ? `${Math.floor(whole / 60)}:${pad(whole % 60)}` : `${Math.floor(whole / 3600)}:${pad(Math.floor(whole / 60) % 60)}:${pad(whole % 60)}`;
  return `${Math.floor(whole / 3600)}:${pad(Math.floor(whole / 60) % 60)}`;
}

function rangeOf(panel, data, hidden) {
  let low = Infinity, high = -Infinity;
  for (const name of panel.signals) {
    const s = data.signals[name];
    if (!s || hidden.has(name)) continue;
    for (let i = 0; i < s.low.length; i++) {
      if (s.low[i] === null) continue;
      low = Math.min(low, s.low[i]);
      high = Math.max(high, s.high[i]);
    }
  }
  if (panel.band) { low = Math.min(low, panel.band[0]); high = Math.max(high, panel.band[1]); }
  if (panel.zero) low = Math.min(low, 0);
  if (!(low <= high)) { low = 0; high = 1; }
  if (high - low < 1e-9) { low -= 0.5; high += 0.5; }
  const margin = 0.06 * (high - low);
  return [panel.zero && low >= 0 ? low : low - margin, high + margin];
}

/* How many columns without a value still lie between two readings of a signal that is read seldom. */
export function reachOf(series) {
  const read = series.low.reduce((n, v) => n + (v !== null), 0);
  return read ? Math.ceil(3 * series.low.length / read) : 0;
}

/* The line breaks where a value was due and did not come, and over stretches longer than the signal's own pace. */
function path(series, x, y) {
  const gaps = new Set(series.gaps), reach = reachOf(series);
  let d = "", last = -Infinity;
  series.low.forEach((low, i) => {
    if (gaps.has(i)) last = -Infinity;
    if (low === null) return;
    const px = x(i).toFixed(1), lo = y(low).toFixed(1), hi = y(series.high[i]).toFixed(1), joined = i - last <= reach;
    d += `${joined ? "L" : "M"}${px} ${hi}`;
    d += lo !== hi ? `L${px} ${lo}` : joined ? "" : "h.1"; /* a lone value still shows */
    last = i;
  });
  return d;
}

/* Where a panel lies and how times and values become places in it. */
function placing(panel, index, data, hidden, inner) {
  const top = index * (PANEL + GAP) + 34, span = data.to_s - data.from_s;
  const [low, high] = rangeOf(panel, data, hidden);
  return { top, low, high, inner, y: (v) => top + PANEL - (v - low) / (high - low) * PANEL, t: (s) => LEFT + (s - data.from_s) / span * inner };
}

function drawGrid(svg, at, data, panel, last) {
  const step = timeStep(data.to_s - data.from_s, at.inner), vs = roundStep(at.high - at.low, 4);
  svg.append(make("text", { class: "title", x: LEFT, y: at.top - 8 }, panel.title));
  if (panel.band) svg.append(make("rect", { class: "band", x: LEFT, y: at.y(panel.band[1]), width: at.inner, height: at.y(panel.band[0]) - at.y(panel.band[1]) }));
  for (let v = Math.ceil(at.low / vs) * vs; v <= at.high; v += vs) {
    svg.append(make("line", { class: "grid", x1: LEFT, x2: LEFT + at.inner, y1: at.y(v), y2: at.y(v) }));
    svg.append(make("text", { x: LEFT - 6, y: Math.min(at.y(v) + 4, at.top + PANEL - 1), "text-anchor": "end" }, String(Number(v.toPrecision(6)))));
  }
  for (let t = Math.ceil(data.from_s / step) * step; t <= data.to_s; t += step) {
    svg.append(make("line", { class: "grid", x1: at.t(t), x2: at.t(t), y1: at.top, y2: at.top + PANEL }));
    if (last) svg.append(make("text", { x: at.t(t), y: at.top + PANEL + 16, "text-anchor": "middle" }, clock(t, step)));
  }
}

/* Marks stand as numbered lines; the numbers are those of the list beside the curves. Close ones share a number's place. */
function drawMarks(svg, at, data, marks, first) {
  let free = -Infinity;
  marks.forEach((m, i) => {
    if (m.t < data.from_s || m.t > data.to_s) return;
    const x = at.t(m.t);
    svg.append(make("line", { class: "event", x1: x, x2: x, y1: at.top, y2: at.top + PANEL }));
    if (!first || x < free) return;
    svg.append(make("text", { class: "mark", x, y: at.top - 22, "text-anchor": "middle" }, String(i + 1)));
    free = x + 16;
  });
}

/* panels: [{title, signals, band, zero}]; data: answer of /curves; marks: [{t, text}]; hidden: Set of signals. */
export function draw(svg, panels, data, marks, hidden) {
  const width = widthFor(svg), inner = width - LEFT - RIGHT;
  const shown = panels.filter((p) => p.signals.some((n) => data.signals[n] && !hidden.has(n)));
  const height = Math.max(1, shown.length) * (PANEL + GAP) + 40;
  svg.replaceChildren();
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  if (!shown.length) svg.append(make("text", { x: LEFT, y: 60 }, "No readings in this stretch."));
  shown.forEach((panel, index) => {
    const at = placing(panel, index, data, hidden, inner);
    drawGrid(svg, at, data, panel, index === shown.length - 1);
    panel.signals.forEach((name, n) => {
      const s = data.signals[name];
      if (s && !hidden.has(name)) svg.append(make("path", { class: `curve s${n}`, d: path(s, (i) => LEFT + (i + 0.5) / data.columns * inner, at.y) }));
    });
    drawMarks(svg, at, data, marks, index === 0);
    svg.append(make("rect", { class: "frame", x: LEFT, y: at.top, width: inner, height: PANEL }));
  });
  svg.append(make("text", { x: LEFT + inner / 2, y: height - 4, "text-anchor": "middle" },
    timeStep(data.to_s - data.from_s, inner) < 60 ? "minutes:seconds since the start" : "hours:minutes since the start"));
}

export function setCursor(svg, column, columns) {
  svg.querySelector(".cursor")?.remove();
  if (column === null) return;
  const x = LEFT + (column + 0.5) / columns * innerOf(svg);
  svg.append(make("line", { class: "cursor", x1: x, x2: x, y1: 24, y2: svg.viewBox.baseVal.height - 30 }));
}

export function columnAt(svg, clientX, columns) {
  const r = svg.getBoundingClientRect();
  return Math.max(0, Math.min(columns - 1, Math.floor(((clientX - r.left) / r.width * svg.viewBox.baseVal.width - LEFT) / innerOf(svg) * columns)));
}

/* A figure over a unit's life: points in order of time at equal distances, with a line at the rated value. */
export function drawLife(points, options) {
  const w = 420, h = 130, left = 44, inner = w - left - 12, top = 12, tall = h - 34;
  const values = points.map((p) => p.value).concat(known(options.rated) ? [options.rated] : []);
  let low = Math.min(...values), high = Math.max(...values);
  if (high - low < 1) { low -= 0.5; high += 0.5; }
  const margin = (high - low) * 0.12;
  const y = (v) => top + tall - (v - low + margin) / (high - low + 2 * margin) * tall;
  const x = (i) => left + (points.length === 1 ? inner / 2 : 6 + i / (points.length - 1) * (inner - 12));
  const svg = make("svg", { class: "life", viewBox: `0 0 ${w} ${h}`, role: "img", "aria-label": options.label });
  svg.append(make("rect", { class: "frame", x: left, y: top, width: inner, height: tall }));
  for (const v of [low, high]) svg.append(make("text", { x: left - 5, y: y(v) + 4, "text-anchor": "end" }, String(Number(v.toFixed(1)))));
  if (known(options.rated)) svg.append(make("line", { class: "rated", x1: left, x2: left + inner, y1: y(options.rated), y2: y(options.rated) }));
  svg.append(make("path", { class: "curve s0", d: points.map((p, i) => `${i ? "L" : "M"}${x(i).toFixed(1)} ${y(p.value).toFixed(1)}`).join("") }));
  points.forEach((p, i) => svg.append(make(p.failed ? "path" : "circle", p.failed ? { class: "dot failed", d: `M${x(i) - 5} ${y(p.value) - 5}l10 10m0 -10l-10 10` } : { class: "dot", cx: x(i), cy: y(p.value), r: 4 })));
  svg.append(make("text", { x: left, y: h - 6 }, points[0].when), make("text", { x: left + inner, y: h - 6, "text-anchor": "end" }, points.length > 1 ? points[points.length - 1].when : ""));
  return svg;
}
const known = (v) => typeof v === "number" && isFinite(v);
