// What a machine can see of a layout: nothing lies on anything else, no text is cut, nothing sticks out of the page, what is
// to be pressed is large enough. And how far two pictures differ.
import assert from "node:assert/strict";

// Runs in the page. Returns sentences, none when all is well.
function look() {
  const found = [], width = document.documentElement.clientWidth;
  const shown = (e) => e.checkVisibility({ visibilityProperty: true }) && !e.closest(".unseen, .skip, noscript");
  const name = (e) => `${e.tagName.toLowerCase()}${e.id ? "#" + e.id : ""} "${(e.textContent || e.value || "").trim().slice(0, 50)}"`;
  const scrolls = (e) => { for (let p = e; p && p !== document.body; p = p.parentElement) if (/auto|scroll/.test(getComputedStyle(p).overflowX)) return true; return false; };
  const texts = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const e = walk.currentNode.parentElement;
    if (!walk.currentNode.data.trim() || !e || /^(script|style|option|title)$/i.test(e.tagName) || !shown(e)) continue;
    const range = document.createRange();
    range.selectNodeContents(walk.currentNode);
    for (const r of range.getClientRects()) if (r.width > 1 && r.height > 1) texts.push({ e, r, scrolls: scrolls(e) });
  }
  for (const t of texts) if (!t.scrolls && (t.r.left < -1 || t.r.right > width + 1)) found.push(`outside the page: ${name(t.e)}`);
  const boxes = [...document.querySelectorAll("button, a.button, input:not([type=checkbox]):not([type=range]), select, svg.strip, svg.chart, svg.life")].filter(shown).map((e) => ({ e, r: e.getBoundingClientRect(), scrolls: scrolls(e), box: true }));
  for (const b of boxes) if (!b.scrolls && (b.r.left < -1 || b.r.right > width + 1)) found.push(`outside the page: ${name(b.e)}`);
  const all = [...texts, ...boxes];
  for (let i = 0; i < all.length; i++) {
    for (let k = i + 1; k < all.length; k++) {
      const a = all[i], b = all[k];
      if (a.e === b.e || a.e.contains(b.e) || b.e.contains(a.e)) continue;
      const dx = Math.min(a.r.right, b.r.right) - Math.max(a.r.left, b.r.left), dy = Math.min(a.r.bottom, b.r.bottom) - Math.max(a.r.top, b.r.top);
      /* Lines of text are taller than their letters: a quarter of the height may lie on the neighbour's. */
      if (dx > 3 && dy > Math.max(3, 0.25 * Math.min(a.r.height, b.r.height))) found.push(`overlap: ${name(a.e)} and ${name(b.e)}`);
    }
  }
  for (const e of document.querySelectorAll("body *")) {
    const style = getComputedStyle(e);
    if (!shown(e) || e.closest("svg") || /^(input|select|option)$/i.test(e.tagName) || style.display === "inline") continue;
    const cut = style.overflowX === "hidden" || style.overflowX === "clip" ? e.scrollWidth > e.clientWidth + 1 : false;
    if (cut || (/hidden|clip/.test(style.overflowY) && e.scrollHeight > e.clientHeight + 2)) found.push(`cut: ${name(e)}`);
  }
  const pen = document.createElement("canvas").getContext("2d");
  for (const e of document.querySelectorAll("select")) {
    pen.font = getComputedStyle(e).font;
    if (shown(e) && e.selectedOptions[0] && pen.measureText(e.selectedOptions[0].text).width > e.clientWidth - 30) found.push(`cut: ${name(e)}`);
  }
  /* WCAG 2.2, 2.5.8: targets of 24 by 24 px at least, links within a text excepted. */
  for (const e of document.querySelectorAll("button, select, input, a.button, nav a, summary")) {
    const r = e.getBoundingClientRect();
    if (shown(e) && (r.width < 24 || r.height < 24)) found.push(`too small to press: ${name(e)} ${r.width} x ${r.height}`);
  }
  return [...new Set(found)];
}

export async function sound(page, where) {
  assert.deepEqual(await page.evaluate(look), [], where);
}

// Share of points that differ visibly between two PNG pictures, and the rows between which they lie. `lab` is an empty page.
export async function difference(lab, a, b) {
  return lab.evaluate(async ([one, two]) => {
    const points = async (text) => {
      const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
      const picture = await createImageBitmap(new Blob([bytes], { type: "image/png" }));
      const canvas = new OffscreenCanvas(picture.width, picture.height);
      canvas.getContext("2d").drawImage(picture, 0, 0);
      return canvas.getContext("2d").getImageData(0, 0, picture.width, picture.height);
    };
    const [p, q] = [await points(one), await points(two)];
    if (p.width !== q.width || p.height !== q.height) return { share: 1, sizes: `${p.width} x ${p.height}, ${q.width} x ${q.height}` };
    let count = 0, first = null, last = null;
    for (let i = 0; i < p.data.length; i += 4) {
      if (Math.max(Math.abs(p.data[i] - q.data[i]), Math.abs(p.data[i + 1] - q.data[i + 1]), Math.abs(p.data[i + 2] - q.data[i + 2])) < 16) continue;
      count++;
      last = Math.floor(i / 4 / p.width);
      first ??= last;
    }
    return { share: count * 4 / p.data.length, first, last };
  }, [a.toString("base64"), b.toString("base64")]);
}
