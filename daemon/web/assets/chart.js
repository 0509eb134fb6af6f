"use strict";
/* Curves of a run as SVG: stacked panels over one time axis. Data come thinned by the server to columns with lowest and
   highest value; a column without a value is a gap. Zoom by buttons or by dragging; read values by pointer or arrow keys. */
const Chart = (() => {
  const NS = "http://www.w3.org/2000/svg";
  const WIDTH = 900, LEFT = 58, RIGHT = 14, PANEL = 150, GAP = 34;

  function make(name, attributes, text) {
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

  function timeStep(span) {
    for (const s of [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800])
      if (span / s <= 9) return s;
    return 86400;
  }

  function clock(s, step) {
    const whole = Math.round(s);
    const pad = (n) => String(n).padStart(2, "0");
    return step < 60 ? `${Math.floor(whole / 60)}:${pad(whole % 60)}`
                     : `${Math.floor(whole / 3600)}:${pad(Math.floor(whole / 60) % 60)}`;
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

  function path(series, columns, x, y) {
    let d = "", down = false;
    for (let i = 0; i < columns; i++) {
      if (series.low[i] === null) { down = false; continue; }
      const px = x(i).toFixed(1), lo = y(series.low[i]).toFixed(1), hi = y(series.high[i]).toFixed(1);
      d += `${down ? "L" : "M"}${px} ${hi}`;
      if (lo !== hi) d += `L${px} ${lo}`;
      down = true;
    }
    return d;
  }

  /* panels: [{title, unit, signals, band, zero}]; data: answer of /curves; events: [{t, text}]. */
  function draw(svg, panels, data, events, hidden) {
    const shown = panels.filter((p) => p.signals.some((n) => data.signals[n]));
    const height = shown.length * (PANEL + GAP) + 30;
    svg.replaceChildren();
    svg.setAttribute("viewBox", `0 0 ${WIDTH} ${height}`);
    const inner = WIDTH - LEFT - RIGHT, span = data.to_s - data.from_s;
    const tx = (t) => LEFT + (t - data.from_s) / span * inner;
    const step = timeStep(span);
    shown.forEach((panel, index) => {
      const top = index * (PANEL + GAP) + 24;
      const [low, high] = rangeOf(panel, data, hidden);
      const y = (v) => top + PANEL - (v - low) / (high - low) * PANEL;
      svg.append(make("text", { x: LEFT, y: top - 8 }, panel.title));
      if (panel.band)
        svg.append(make("rect", { class: "band", x: LEFT, y: y(panel.band[1]), width: inner, height: y(panel.band[0]) - y(panel.band[1]) }));
      const vs = roundStep(high - low, 4);
      for (let v = Math.ceil(low / vs) * vs; v <= high; v += vs) {
        svg.append(make("line", { class: "grid", x1: LEFT, x2: LEFT + inner, y1: y(v), y2: y(v) }));
        svg.append(make("text", { x: LEFT - 6, y: y(v) + 4, "text-anchor": "end" }, String(Number(v.toPrecision(6)))));
      }
      for (let t = Math.ceil(data.from_s / step) * step; t <= data.to_s; t += step) {
        svg.append(make("line", { class: "grid", x1: tx(t), x2: tx(t), y1: top, y2: top + PANEL }));
        if (index === shown.length - 1)
          svg.append(make("text", { x: tx(t), y: top + PANEL + 16, "text-anchor": "middle" }, clock(t, step)));
      }
      panel.signals.forEach((name, n) => {
        const s = data.signals[name];
        if (!s || hidden.has(name)) return;
        const x = (i) => LEFT + (i + 0.5) / data.columns * inner;
        svg.append(make("path", { class: `curve s${n}`, d: path(s, data.columns, x, y) }));
      });
      for (const e of events)
        if (e.t >= data.from_s && e.t <= data.to_s)
          svg.append(make("line", { class: "event", x1: tx(e.t), x2: tx(e.t), y1: top, y2: top + PANEL }));
      svg.append(make("rect", { class: "frame", x: LEFT, y: top, width: inner, height: PANEL }));
    });
    svg.append(make("text", { x: LEFT + inner / 2, y: height - 4, "text-anchor": "middle" },
      step < 60 ? "minutes:seconds since the start" : "hours:minutes since the start"));
  }

  function setCursor(svg, column, columns) {
    svg.querySelector(".cursor")?.remove();
    if (column === null) return;
    const box = svg.viewBox.baseVal, x = LEFT + (column + 0.5) / columns * (WIDTH - LEFT - RIGHT);
    svg.append(make("line", { class: "cursor", x1: x, x2: x, y1: 10, y2: box.height - 30 }));
  }

  function columnAt(svg, clientX, columns) {
    const r = svg.getBoundingClientRect();
    const x = (clientX - r.left) / r.width * WIDTH;
    return Math.max(0, Math.min(columns - 1, Math.floor((x - LEFT) / (WIDTH - LEFT - RIGHT) * columns)));
  }

  return { draw, make, setCursor, columnAt, clock, timeStep };
})();
