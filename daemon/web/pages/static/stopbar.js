// The stop bar: aperture, time, ISO and filter as stacked lengths in stops, told apart by pattern and letter.
import { el, fill, signed, svg, words } from "./core.js";

const ROW = 40, THICK = 30, TOP = 6;

function patterns() {
  if (document.getElementById("bar-time")) return;
  const made = (id, size, ...children) => svg("pattern", { id, width: size, height: size, patternUnits: "userSpaceOnUse" }, svg("rect", { width: size, height: size, class: "f-leaf" }), ...children);
  document.body.append(svg("svg", { width: 0, height: 0, "aria-hidden": "true", class: "unseen" }, svg("defs", {},
    made("bar-time", 8, svg("path", { d: "M-2 2L2 -2M0 8L8 0M6 10L10 6", class: "s-ink", "stroke-width": 1.4 })),
    made("bar-iso", 7, svg("circle", { cx: 3.5, cy: 3.5, r: 1.3, class: "f-ink" })),
    made("bar-filters", 6, svg("path", { d: "M0 3H6", class: "s-ink", "stroke-width": 1.4 })))));
}

function told(bar) {
  const parts = bar.segments.map((one) => `${words.bar[one.kind]} ${one.mark}`).join(", ");
  const off = bar.beyond, size = Math.abs(off).toFixed(2);
  const beyond = Math.abs(off) < 0.005 ? words.bar.at_line : fill(off > 0 ? words.bar.past : words.bar.short, { stops: size });
  return fill(words.bar.label, { parts, beyond });
}

/** Bars under one another on one scale: [{bar, name?}]; `width` [px] decides what fits into a segment,
 * `most` is the least length of the scale [stops]. */
export function bars(rows, { width = 320, legend = false, most: least = 1 } = {}) {
  patterns();
  const named = rows.some((row) => row.name), gap = named ? 26 : 2;
  const most = Math.max(...rows.map(({ bar }) => Math.max(bar.total, bar.line)), least), share = (100 - 15 - 100 * gap / Math.max(width, 200)) / most;
  const at = (stops) => `${(100 * gap / Math.max(width, 200) + stops * share).toFixed(3)}%`, wide = (stops) => `${(stops * share).toFixed(3)}%`;
  const height = rows.length * ROW + TOP * 2, made = [];
  for (let stop = 0; stop <= most + 1e-9; stop++) made.push(svg("line", { x1: at(stop), x2: at(stop), y1: TOP, y2: height - TOP, class: "s-hair" }));
  rows.forEach(({ bar, name }, number) => {
    const y = TOP + number * ROW + (ROW - THICK) / 2, middle = y + THICK / 2 + 5;
    const group = svg("g", { role: "img", "aria-label": told(bar), "data-total": bar.total });
    if (name) group.append(svg("text", { x: 0, y: middle, "font-size": 15 }, String(name)));
    for (const one of bar.segments) {
      group.append(svg("rect", { x: at(one.start), width: wide(one.length), y, height: THICK, class: one.kind === "aperture" ? "edge f-ink" : "edge", fill: one.kind === "aperture" ? null : `url(#bar-${one.kind})`, "data-kind": one.kind, "data-length": one.length }));
      const room = one.length * share / 100 * width, whole = `${one.letter} ${one.mark}`;
      const label = whole.length * 8.6 + 14 < room ? whole : room > 20 ? one.letter : "";
      if (label) group.append(svg("text", { x: at(one.start + one.length / 2), y: middle, "text-anchor": "middle", "font-size": 15, class: one.kind === "aperture" ? "bar-text on-ink" : "bar-text" }, label));
    }
    group.append(svg("text", { x: "100%", y: middle, "text-anchor": "end", "font-size": 14 }, signed(bar.beyond)));
    made.push(group);
  });
  const line = rows[0].bar.line;
  made.push(svg("line", { x1: at(line), x2: at(line), y1: 0, y2: height, class: "s-ink", "stroke-width": 3.5 }));
  const drawn = svg("svg", { height, width: "100%" }, ...made);
  return legend ? [drawn, el("p", { class: "legend" }, words.bar.legend)] : [drawn];
}

/** Bars for a node as wide as it is. */
export function barsInto(node, rows, options = {}) {
  node.replaceChildren(...(rows.length ? bars(rows, { width: node.clientWidth || 320, ...options }) : []));
}
