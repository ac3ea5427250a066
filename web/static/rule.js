// One engraved rule: a still layer (bands, lines, numerals) redrawn only when size, target or range change, and the
// moving parts above it: trail, slider, core, aim.

import { flagSide, labelsThatFit, multiples, RulerRange, spanLabel, tickSteps, xOf, zoneBands } from "./scale.js";
import { Trail } from "./pace.js";
import { whole, zoneWord } from "./words.js";

const SVG = "http://www.w3.org/2000/svg";
const ZONE_WEIGHT = { over: 4, "on-target": 3, dim: 2, "too-low": 1 };
const MOVED_PX = 0.2;
const TRAIL_STROKES = 10;
const CORE_AT_LEAST_PX = 5;
const AIM_HALF_PX = 9;
const FLAG_GAP_PX = 13;
const BAND_MARGIN_PX = 3;

const pen = document.createElement("canvas").getContext("2d");

export class Rule {
  constructor(element) {
    this.element = element;
    this.parts = Object.fromEntries(
      ["engraving", "trail", "aim", "aim-flag", "slider", "beyond", "core"].map((name) => [name, element.querySelector(`[data-${name}]`)]),
    );
    this.range = new RulerRange();
    this.trail = new Trail();
    this.ink = this.parts.trail.getContext("2d");
    this.edges = null;
    this.windows = [];
    this.level = null;
    this.aim = null;
    this.at = { low: NaN, width: NaN, core: NaN, coreWidth: NaN, beyond: NaN, beyondWidth: NaN, aim: NaN };
    this.trailBin = null;
    this.still = true;
    this.glidedAt = null;
    this.engravedAim = null;
    new ResizeObserver(() => this.#measure()).observe(element);
  }

  /** Edges of the target in mV, or null, and its published windows `{name, low_mv, high_mv}`. */
  setTarget(edges, windows) {
    this.edges = edges;
    this.windows = windows;
    this.range.rebase(edges);
    this.still = false;
  }

  /** The newest level of a channel and its aim in mV; null levels leave the rule empty. */
  take(channel, aim, nowMs) {
    this.level = channel;
    this.aim = aim;
    if (channel.peak_white_mv === null) return;
    const low = channel.low_mv ?? channel.peak_white_mv;
    const high = channel.high_mv ?? channel.peak_white_mv;
    this.range.hold(low, high, nowMs);
    if (!channel.held) this.trail.note(channel.peak_white_mv, nowMs, channel.path);
  }

  /** Forget where the level was. */
  clear() {
    this.trail.clear();
    this.level = null;
  }

  /** Redraw the still layer with the next frame (colours changed). */
  refresh() {
    this.still = false;
  }

  /** Draw what has changed. */
  draw(nowMs, calm) {
    if (!this.width) return;
    const elapsed = this.glidedAt === null || calm ? Infinity : nowMs - this.glidedAt;
    this.glidedAt = nowMs;
    const glided = this.range.glide(elapsed);
    const engraved = glided || !this.still || this.#aimLeftItsPlace();
    if (engraved) this.#engrave();
    this.#place();
    this.trail.age(nowMs);
    const bin = calm && this.trail.bin !== null ? Math.floor(this.trail.bin / 20) : this.trail.bin;
    if (engraved || bin !== this.trailBin) {
      this.trailBin = bin;
      this.#drawTrail();
    }
  }

  // The words above the band make way for the aim, so the still layer follows it, but not for less than three pixels.
  #aimLeftItsPlace() {
    const { aim } = this;
    if ((aim === null) !== (this.engravedAim === null)) return true;
    return aim !== null && Math.abs(this.#x(aim) - this.#x(this.engravedAim)) > 3;
  }

  #measure() {
    const { clientWidth, clientHeight } = this.element;
    if (clientWidth === this.width && clientHeight === this.height) return;
    this.width = clientWidth;
    this.height = clientHeight;
    this.roomy = clientHeight >= 120;
    this.pad = clientWidth > 600 ? 24 : 16;
    this.still = false;
  }

  #x(mv) {
    return xOf(mv, this.range, this.width, this.pad);
  }

  // Rows from the top, in pixels: zone words, band, lines, numerals, and where there is room the published windows.
  #rows() {
    const text = this.roomy ? 18 : this.width > 600 ? 16 : 14;
    const windows = this.roomy ? this.windows.length * 19 : 0;
    const lines = this.roomy ? 16 : 11;
    const top = text + 8;
    const bottom = this.height - windows - (text + 4) - lines;
    return { text, top, bottom, lines, numerals: bottom + lines + text, windows: bottom + lines + text + 8 };
  }

  #engrave() {
    this.still = true;
    this.engravedAim = this.aim;
    const rows = this.#rows();
    const layer = document.createDocumentFragment();
    this.#engraveBands(layer, rows);
    this.#engraveLines(layer, rows);
    if (this.roomy) this.windows.forEach((window, n) => this.#engraveWindow(layer, window, rows.windows + n * 19));
    const svg = this.parts.engraving;
    svg.setAttribute("width", this.width);
    svg.setAttribute("height", this.height);
    svg.replaceChildren(layer);
    this.#fit(rows);
  }

  #engraveBands(layer, { top, bottom, text }) {
    const words = [];
    draw(layer, "rect", { class: "plate", x: 0, y: top, width: this.width, height: bottom - top });
    for (const { zone, from, to } of zoneBands(this.edges, this.range)) {
      const left = from === this.range.lo ? 0 : this.#x(from);
      const right = to === this.range.hi ? this.width : this.#x(to);
      draw(layer, "rect", { x: left, y: top, width: right - left, height: bottom - top, fill: `url(#texture-${zone})`, "data-band": zone });
      if (zone !== "too-low" && from > this.range.lo) {
        const harmful = zone === "over" || zone === "dim";
        draw(layer, "path", { class: harmful ? "edge harmful" : "edge", d: `M${left} ${top - (harmful ? 4 : 0)}V${bottom}` });
      }
      const width = textWidth(zoneWord(zone), text, 600);
      const own = { from: left + BAND_MARGIN_PX, to: right - BAND_MARGIN_PX };
      words.push({ zone, word: zoneWord(zone), x: (left + right) / 2, width, weight: ZONE_WEIGHT[zone], ...own });
    }
    for (const { word, zone, x } of labelsThatFit(this.#besideAim(words, text), this.width)) {
      if (zone) label(layer, word, x, top - 8, text, "zone-word", { "data-zone-word": zone });
    }
  }

  // The aim stands in the row of the zone words, which make way for it and its flag.
  #besideAim(words, text) {
    if (this.engravedAim === null) return words;
    const x = this.#x(this.engravedAim);
    const long = this.roomy ? textWidth("aim 0000", text, 700) : 0;
    this.flagSide = long ? flagSide(x, long, FLAG_GAP_PX, this.width) : 0;
    const half = AIM_HALF_PX + (this.flagSide ? (long + FLAG_GAP_PX - AIM_HALF_PX) / 2 : 0);
    return [...words, { zone: null, x: x + this.flagSide * (half - AIM_HALF_PX), width: 2 * half, weight: 5 }];
  }

  #engraveLines(layer, { bottom, lines, numerals, text }) {
    const { major, minor } = tickSteps(this.range, this.width - 2 * this.pad, text * 4.4);
    let d = `M0 ${bottom}H${this.width}`;
    const figures = [];
    for (const mv of multiples(minor, this.range)) {
      const isMajor = isMultiple(mv, major);
      const length = isMajor ? lines : isMultiple(mv, minor * 2) ? lines * 0.62 : lines * 0.4;
      d += `M${this.#x(mv).toFixed(2)} ${bottom}v${length.toFixed(1)}`;
      if (isMajor) figures.push({ mv, x: this.#x(mv), width: textWidth(whole(mv), text, 500), weight: 1 });
    }
    draw(layer, "path", { class: "groove-light", d, transform: "translate(1 1)" });
    draw(layer, "path", { class: "groove", d });
    for (const { mv, x } of figures) label(layer, whole(mv), x, numerals, text, "numeral", { "data-tick": mv });
  }

  #engraveWindow(layer, { name, low_mv: low, high_mv: high }, y) {
    const left = Math.max(2, this.#x(low));
    const right = Math.min(this.width - 2, this.#x(high));
    if (right - left < 4) return;
    const wordings = [`${name}: ${whole(low)} to ${whole(high)}\u00a0mV`, name].map((words) => ({ words, width: textWidth(words, 14, 400) }));
    const place = spanLabel(wordings, left, right, this.width);
    const start = low >= this.range.lo ? `M${left} ${y}v8` : "";
    const end = high <= this.range.hi ? `M${right} ${y}v8` : "";
    const gap = place?.inside ? `H${place.x - place.half}M${place.x + place.half} ${y + 4}` : "";
    draw(layer, "path", { class: "window-line", d: `${start}M${left} ${y + 4}${gap}H${right}${end}` });
    if (place) label(layer, place.words, place.x, y + 9, 14, "window-word", { "data-window": name });
  }

  #fit({ top, bottom, lines, text }) {
    const { trail, aim, slider, beyond, core } = this.parts;
    const ratio = globalThis.devicePixelRatio || 1;
    this.band = bottom - top;
    trail.width = Math.round(this.width * ratio);
    trail.height = Math.round(this.band * ratio);
    this.ink.setTransform(ratio, 0, 0, ratio, 0, 0);
    this.ink.strokeStyle = getComputedStyle(this.element).color;
    box(trail, top, this.band);
    trail.style.width = `${this.width}px`;
    box(slider, top - 4, this.band + lines + 2);
    box(beyond, top - 4, this.band + lines + 2);
    box(core, top - 4, this.band + lines + 2);
    box(aim, top - 15, bottom - top + 15);
    this.parts["aim-flag"].style.fontSize = `${text}px`;
    this.element.classList.toggle("roomy", this.roomy);
    for (const key of Object.keys(this.at)) this.at[key] = NaN;
  }

  // Slider, core, the part beyond a harmful edge, and the aim: moved only when they would be seen to move.
  #place() {
    const level = this.level;
    const mv = level ? level.peak_white_mv : null;
    this.element.classList.toggle("empty", mv === null);
    if (mv === null) return;
    const low = level.low_mv ?? mv;
    const high = level.high_mv ?? mv;
    this.#span(this.parts.slider, "low", "width", this.#x(low), this.#x(high), 2);
    const half = level.u95_repeat_mv ?? 0;
    this.#span(this.parts.core, "core", "coreWidth", this.#x(mv - half), this.#x(mv + half), CORE_AT_LEAST_PX);
    const { edges } = this;
    const over = edges && high > edges.over;
    const under = edges && !over && low < edges.dim;
    const from = over ? Math.max(low, edges.over) : low;
    const to = under ? Math.min(high, edges.dim) : high;
    this.parts.beyond.hidden = !(over || under);
    this.parts.beyond.classList.toggle("under", Boolean(under));
    if (over || under) this.#span(this.parts.beyond, "beyond", "beyondWidth", this.#x(from), this.#x(to), 0);
    this.#placeAim(this.aim);
  }

  #placeAim(mv) {
    const { aim, "aim-flag": flag } = this.parts;
    aim.hidden = mv === null || mv === undefined;
    if (aim.hidden) return;
    const x = this.#x(mv);
    if (Math.abs(x - this.at.aim) < MOVED_PX) return;
    this.at.aim = x;
    aim.style.transform = `translateX(${x.toFixed(2)}px)`;
    const words = `aim ${whole(mv)}`;
    if (flag.textContent !== words) flag.textContent = words;
    flag.hidden = !this.flagSide;
    flag.classList.toggle("left", this.flagSide < 0);
  }

  #span(part, key, widthKey, left, right, atLeast) {
    const width = Math.max(atLeast, right - left);
    const start = (left + right - width) / 2;
    if (!(Math.abs(start - this.at[key]) < MOVED_PX)) {
      this.at[key] = start;
      part.style.transform = `translateX(${start.toFixed(2)}px)`;
    }
    if (!(Math.abs(width - this.at[widthKey]) < MOVED_PX)) {
      this.at[widthKey] = width;
      part.style.width = `${width.toFixed(2)}px`;
    }
  }

  // Time runs upward: now at the engraved line, ten seconds ago at the top of the band.
  #drawTrail() {
    const { ink, trail, band } = this;
    const samples = trail.mv;
    const last = samples.length - 1;
    ink.clearRect(0, 0, this.width, band);
    ink.lineWidth = this.roomy ? 3 : 2;
    ink.lineJoin = "round";
    const each = samples.length / TRAIL_STROKES;
    for (let stroke = 0; stroke < TRAIL_STROKES; stroke += 1) {
      ink.globalAlpha = 0.2 + 0.8 * (stroke / (TRAIL_STROKES - 1)) ** 1.5;
      ink.beginPath();
      let down = false;
      for (let n = stroke * each; n <= Math.min(last, (stroke + 1) * each); n += 1) {
        if (Number.isNaN(samples[n])) {
          down = false;
          continue;
        }
        const x = this.#x(samples[n]);
        const y = (band * n) / last;
        if (down) ink.lineTo(x, y);
        else ink.moveTo(x, y);
        down = true;
      }
      ink.stroke();
    }
  }
}

function draw(parent, name, attributes) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  parent.append(element);
  return element;
}

function label(parent, words, x, y, size, className, more) {
  draw(parent, "text", { class: className, x: x.toFixed(2), y, "font-size": size, "text-anchor": "middle", ...more }).textContent = words;
}

function textWidth(words, size, weight) {
  pen.font = `${weight} ${size}px ${getComputedStyle(document.body).fontFamily}`;
  return pen.measureText(words).width;
}

function box(part, top, height) {
  part.style.top = `${top}px`;
  part.style.height = `${height}px`;
}

const isMultiple = (value, step) => Math.abs(value / step - Math.round(value / step)) < 1e-6;
