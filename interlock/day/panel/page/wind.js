"use strict";
// Draws the wind: what the guard told over ten minutes, nothing smoothed.

const windDrawing = (() => {
  const H = 200, L = 40, R = 10, T = 12, B = 26, size = 14;

  function el(name, attrs, text) {
    const e = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const k in attrs) e.setAttribute(k, attrs[k]);
    if (text !== undefined) e.textContent = text;
    return e;
  }

  // step is a round distance of grid lines: about four to the top.
  function step(top) {
    const raw = top / 4, ten = Math.pow(10, Math.floor(Math.log10(raw)));
    for (const m of [1, 2, 5, 10]) if (raw <= m * ten) return m * ten;
    return raw;
  }

  function path(points, x, y, at, gap) {
    let d = "", before = null;
    for (const p of points) {
      if (p[at] === null) { before = null; continue; }
      const joined = before !== null && before - p[0] <= gap;
      d += (joined ? "L" : "M") + x(p[0]).toFixed(1) + " " + y(p[at]).toFixed(1);
      if (!joined) d += "l0.01 0"; // a lone point is a dot
      before = p[0];
    }
    return d;
  }

  // name puts the limits' names into the picture, one for all of one height,
  // and gives those that found no place of their own.
  function name(svg, rows, W) {
    const placed = [], unnamed = [], attrs = { "font-size": size, "font-weight": 700, fill: "#8c0000", stroke: "#fff", "stroke-width": 4, "paint-order": "stroke" };
    for (const r of rows) {
      const e = el("text", attrs), whole = r.same[0].name, rest = (r.same.length > 1 ? " and " + (r.same.length - 1) + " more at " : " ") + r.same[0].text;
      svg.append(e);
      let kept = whole.length, wide;
      do {
        e.textContent = (kept < whole.length ? whole.slice(0, kept) + "…" : whole) + rest;
        wide = e.getComputedTextLength();
      } while (wide > W - L - R - 6 && kept-- > 1);
      const spot = [[L + 6, -7], [W - R - wide, -7], [L + 6, size + 4], [W - R - wide, size + 4]].map(([x, dy]) => ({ x, y: r.y + dy, wide })).find(s =>
        s.y >= size && !placed.some(p => Math.abs(p.y - s.y) < size + 1 && s.x < p.x + p.wide + 6 && p.x < s.x + wide + 6));
      if (spot) {
        e.setAttribute("x", spot.x);
        e.setAttribute("y", spot.y);
        placed.push(spot);
      } else {
        e.remove();
        unnamed.push(...r.same.map(l => l.name + " " + l.text));
      }
    }
    return unnamed;
  }

  // draw gives the limits that it could not name.
  function draw(box, w, says) {
    box.textContent = "";
    // As wide as it is shown, so that a small screen has no smaller letters.
    const W = Math.min(900, Math.max(280, box.clientWidth || 640));
    let top = 1;
    for (const p of w.points) top = Math.max(top, p[1] || 0, p[2] || 0);
    for (const l of w.lines) top = Math.max(top, l.at);
    const dy = step(top * 1.05), high = Math.ceil(top * 1.05 / dy) * dy;
    const x = ago => L + (W - L - R) * (1 - Math.min(ago, w.span_s) / w.span_s);
    const y = v => T + (H - T - B) * (1 - v / high);
    const svg = el("svg", { viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": says });
    for (let v = 0; v <= high + 1e-9; v += dy) {
      svg.append(el("line", { x1: L, x2: W - R, y1: y(v), y2: y(v), stroke: "#8a8a8a", "stroke-width": 1 }));
      svg.append(el("text", { x: L - 6, y: y(v) + 5, "text-anchor": "end", "font-size": size }, String(+v.toFixed(2))));
    }
    for (let m = 10; m >= 0; m -= 2) {
      svg.append(el("text", { x: x(m * 60), y: H - 6, "text-anchor": m === 0 ? "end" : "middle", "font-size": size }, m === 0 ? "now" : m === 10 ? "10 min" : String(m)));
    }
    const at = new Map();
    for (const l of w.lines) at.set(l.at, (at.get(l.at) || []).concat(l));
    const rows = [...at].sort((a, b) => b[0] - a[0]).map(([v, same]) => ({ y: y(v), same }));
    for (const r of rows) svg.append(el("line", { x1: L, x2: W - R, y1: r.y, y2: r.y, stroke: "#8c0000", "stroke-width": 3, "stroke-dasharray": "12 6" }));
    svg.append(el("path", { d: path(w.points, x, y, 2, 11), fill: "none", stroke: "#000", "stroke-width": 2, "stroke-dasharray": "2 4", "stroke-linecap": "round" }));
    svg.append(el("path", { d: path(w.points, x, y, 1, 11), fill: "none", stroke: "#000", "stroke-width": 4, "stroke-linecap": "round", "stroke-linejoin": "round" }));
    box.append(svg);
    return name(svg, rows, W);
  }

  return { draw };
})();
