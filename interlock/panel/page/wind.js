"use strict";
// Draws the wind: what the guard told over ten minutes, nothing smoothed.

const windDrawing = (() => {
  const W = 640, H = 190, L = 40, R = 10, T = 12, B = 26;

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

  function draw(box, w, says) {
    box.textContent = "";
    let top = 1;
    for (const p of w.points) top = Math.max(top, p[1] || 0, p[2] || 0);
    for (const l of w.lines) top = Math.max(top, l.at);
    const dy = step(top * 1.05), high = Math.ceil(top * 1.05 / dy) * dy;
    const x = ago => L + (W - L - R) * (1 - Math.min(ago, w.span_s) / w.span_s);
    const y = v => T + (H - T - B) * (1 - v / high);
    const svg = el("svg", { viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": says });
    for (let v = 0; v <= high + 1e-9; v += dy) {
      svg.append(el("line", { x1: L, x2: W - R, y1: y(v), y2: y(v), stroke: "#8a8a8a", "stroke-width": 1 }));
      svg.append(el("text", { x: L - 6, y: y(v) + 5, "text-anchor": "end", "font-size": 14 }, String(+v.toFixed(2))));
    }
    for (let m = 10; m >= 0; m -= 2) {
      svg.append(el("text", { x: x(m * 60), y: H - 6, "text-anchor": m === 0 ? "end" : "middle", "font-size": 14 }, m === 0 ? "now" : m === 10 ? "10 min" : String(m)));
    }
    for (const l of w.lines) {
      svg.append(el("line", { x1: L, x2: W - R, y1: y(l.at), y2: y(l.at), stroke: "#8c0000", "stroke-width": 3, "stroke-dasharray": "12 6" }));
      svg.append(el("text", { x: L + 6, y: y(l.at) - 4, "font-size": 14, "font-weight": 700, fill: "#8c0000", stroke: "#fff", "stroke-width": 4, "paint-order": "stroke" }, l.name + " " + l.text));
    }
    svg.append(el("path", { d: path(w.points, x, y, 2, 11), fill: "none", stroke: "#000", "stroke-width": 2, "stroke-dasharray": "2 4", "stroke-linecap": "round" }));
    svg.append(el("path", { d: path(w.points, x, y, 1, 11), fill: "none", stroke: "#000", "stroke-width": 4, "stroke-linecap": "round", "stroke-linejoin": "round" }));
    box.append(svg);
  }

  return { draw };
})();
