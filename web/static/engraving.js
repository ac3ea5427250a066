// The still layer of a rule: bands, lines, numerals, published windows. Drawn only when size, target, range or aim change.

import { assign, drawn } from "./dom.js";
import { flagSide, labelsThatFit, multiples, stretches, spanLabel, tickSteps, xOf, zoneBands } from "./scale.js";
import { whole, zoneWord } from "./words.js";

const ZONE_WEIGHT = { over: 4, "on-target": 3, dim: 2, "too-low": 1 };
const AIM_HALF_PX = 11;
const FLAG_GAP_PX = 15;
const BAND_MARGIN_PX = 3;
const WINDOW_ROW_PX = 19;
const LEAF_FROM_PX = 90;

const pen = document.createElement("canvas").getContext("2d");

/**
 * Sizes of a rule `width` × `height` pixels, and its rows from the top: zone words (not on a low rule), band, lines,
 * numerals and, on a high one, `windows` published windows.
 */
export function layOut(width, height, windows) {
  const [roomy, worded, wide] = [height >= 100, height >= 72, width > 600];
  const text = wide ? (roomy ? 20 : 16) : roomy ? 16 : 14;
  const lines = roomy ? (wide ? 20 : 14) : 10;
  const top = worded ? text + 9 : 15;
  const rows = height >= 165 ? windows * WINDOW_ROW_PX : 0;
  const bottom = height - rows - (text + 5) - lines;
  const numerals = bottom + lines + text;
  return { width, height, roomy, worded, text, top, bottom, lines, numerals, windows: rows ? numerals + 8 : null, pad: wide ? 24 : 16 };
}

/** Engrave `svg` anew for a `size` (see layOut) and a `range`; answers on which side of the aim (mV or null) its flag stands. */
export function engrave(svg, size, { range, edges, windows, aim }) {
  const layer = document.createDocumentFragment();
  const place = (mv) => xOf(mv, range, size.width, size.pad);
  const flag = aim === null ? null : placeOfFlag(place(aim), size);
  engraveBands(layer, size, { range, edges, place, flag });
  engraveLines(layer, size, { range, place });
  if (size.windows !== null) windows.forEach((window, n) => engraveWindow(layer, size, { window, range, place, y: size.windows + n * WINDOW_ROW_PX }));
  assign(svg, { width: size.width, height: size.height });
  svg.replaceChildren(layer);
  return flag?.side ?? 0;
}

// The aim stands in the row of the zone words, which make way for it and its flag.
function placeOfFlag(x, { roomy, text, width }) {
  const long = roomy ? textWidth("aim 0000", text, 700) : 0;
  const side = long ? flagSide(x, long, FLAG_GAP_PX, width) : 0;
  const half = AIM_HALF_PX + (side ? (long + FLAG_GAP_PX - AIM_HALF_PX) / 2 : 0);
  return { side, label: { zone: null, x: x + side * (half - AIM_HALF_PX), width: 2 * half, weight: 5 } };
}

function engraveBands(layer, { width, top, bottom, text, worded }, { range, edges, place, flag }) {
  const words = flag ? [flag.label] : [];
  drawn("rect", { class: "plate", x: 0, y: top, width, height: bottom - top }, layer);
  for (const { zone, from, to } of zoneBands(edges, range)) {
    const left = from === range.lo ? 0 : place(from);
    const right = to === range.hi ? width : place(to);
    drawn("rect", { x: left, y: top, width: right - left, height: bottom - top, fill: `url(#texture-${zone})`, "data-band": zone }, layer);
    if (zone !== "too-low" && from > range.lo) {
      const harmful = zone === "over" || zone === "dim";
      drawn("path", { class: harmful ? "edge harmful" : "edge", d: `M${left} ${top - (harmful ? 5 : 0)}V${bottom}` }, layer);
    }
    const own = { from: left + BAND_MARGIN_PX, to: right - BAND_MARGIN_PX };
    words.push({ zone, word: zoneWord(zone), x: (left + right) / 2, width: textWidth(zoneWord(zone), text, 600), weight: ZONE_WEIGHT[zone], ...own });
  }
  for (const { word, zone, x } of worded ? labelsThatFit(words, width) : []) {
    if (zone) label(layer, word, x, top - 9, text, "zone-word", { "data-zone-word": zone });
  }
}

function engraveLines(layer, { width, top, bottom, lines, numerals, text, pad }, { range, place }) {
  const inner = width - 2 * pad;
  const figures = [];
  let d = `M0 ${bottom}H${width}`;
  const all = stretches(range);
  for (const { lo, hi, start, end } of all) {
    const opened = all.length > 1 && start > 0 && end < 1;
    if (opened && place(hi) - place(lo) > LEAF_FROM_PX) engraveOpened(layer, { left: place(lo), right: place(hi), top, bottom, below: numerals + 4 });
    const { major, minor } = tickSteps({ lo, hi }, inner * (end - start), text * 4.4);
    for (const mv of multiples(minor, { lo, hi })) {
      const isMajor = isMultiple(mv, major);
      const part = isMajor ? 1 : isMultiple(mv, minor * (opened ? 5 : 2)) ? 0.66 : 0.4;
      const length = lines * (opened ? Math.max(0.6, part) : part);
      d += `M${place(mv).toFixed(2)} ${bottom}v${length.toFixed(1)}`;
      if (isMajor) figures.push({ mv, opened, x: place(mv), width: textWidth(whole(mv), text, opened ? 700 : 500), weight: opened ? 2 : 1 });
    }
  }
  drawn("path", { class: "groove-light", d, transform: "translate(1 1)" }, layer);
  drawn("path", { class: "groove", d }, layer);
  for (const { mv, x, opened } of labelsThatFit(figures, width)) {
    label(layer, whole(mv), x, numerals, text, opened ? "numeral opened" : "numeral", { "data-tick": mv });
  }
}

// A raised leaf, where it crosses no numeral, under the stretch that is drawn out, from the band down to below its numerals.
function engraveOpened(layer, { left, right, top, bottom, below }) {
  drawn("path", { class: "leaf", d: `M${left} ${bottom}H${right}L${right - 5} ${below}H${left + 5}Z`, "data-opened": "" }, layer);
  drawn("path", { class: "leaf-edge", d: `M${left} ${top}V${bottom}L${left + 5} ${below}M${right} ${top}V${bottom}L${right - 5} ${below}` }, layer);
}

function engraveWindow(layer, { width }, { window: { name, low_mv: low, high_mv: high }, range, place, y }) {
  const left = Math.max(2, place(low));
  const right = Math.min(width - 2, place(high));
  if (right - left < 4) return;
  const wordings = [`${name}: ${whole(low)} to ${whole(high)}\u00a0mV`, name].map((words) => ({ words, width: textWidth(words, 14, 400) }));
  const spot = spanLabel(wordings, left, right, width);
  const start = low >= range.lo ? `M${left} ${y}v8` : "";
  const end = high <= range.hi ? `M${right} ${y}v8` : "";
  const gap = spot?.inside ? `H${spot.x - spot.half}M${spot.x + spot.half} ${y + 4}` : "";
  drawn("path", { class: "window-line", d: `${start}M${left} ${y + 4}${gap}H${right}${end}` }, layer);
  if (spot) label(layer, spot.words, spot.x, y + 9, 14, "window-word", { "data-window": name });
}

function label(parent, words, x, y, size, className, more) {
  drawn("text", { class: className, x: x.toFixed(2), y, "font-size": size, "text-anchor": "middle", ...more }, parent).textContent = words;
}

const widths = new Map();

function textWidth(words, size, weight) {
  const key = `${weight} ${size} ${words}`;
  if (!widths.has(key)) {
    if (widths.size > 2000) widths.clear();
    pen.font = `${weight} ${size}px ${getComputedStyle(document.body).fontFamily}`;
    widths.set(key, pen.measureText(words).width);
  }
  return widths.get(key);
}

const isMultiple = (value, step) => Math.abs(value / step - Math.round(value / step)) < 1e-6;
