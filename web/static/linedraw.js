// Draws the Line view on its canvas: one lane a channel with an upright rule in mV, what made its level, and its trace.

import { extremes, levelAt, points } from "./linedata.js";
import { engraving, FollowedRange, lanes, placed, scaleOf } from "./linewindow.js";
import { levelWords, nameOf, timeWords } from "./linewords.js";
import { labelsThatFit, zoneBands } from "./scale.js";
import { whole } from "./words.js";

const PICTURE = "picture";
const FONT = '"Helvetica Neue", Helvetica, "Liberation Sans", Arial, sans-serif';
const INKS = ["ink", "soft", "line", "plate", "steel", "core", "glint", "over", "on-target", "dim", "too-low", "clamp", "ground"];

export class LineDrawing {
  constructor(canvas) {
    this.canvas = canvas;
    this.pen = canvas.getContext("2d");
    this.ranges = new Map();
    this.lanes = [];
    this.recolour();
  }

  /** Take the colours anew: the scheme changed. */
  recolour() {
    const style = getComputedStyle(this.canvas);
    const colour = (name) => style.getPropertyValue(`--${name}`).trim();
    this.inks = Object.fromEntries(INKS.map((name) => [name, colour(name)]));
    this.traceInk = (role) => colour(`trace-${role}`) || this.inks.ink;
    this.textures = Object.fromEntries(["over", "dim", "too-low", "clamp"].map((name) => [name, texture(this.pen, name, this.inks[name])]));
  }

  resize(width, height, ratio) {
    Object.assign(this, { width, height, ratio, narrow: width < 600 });
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    this.left = this.narrow ? 52 : 74;
    this.right = width - 10;
    this.top = 30;
    this.bottom = height - 40;
  }

  /** Microseconds to pixels of what shows now. */
  across(window) {
    return scaleOf(window.now.from, window.now.to, this.left, this.right);
  }

  /** Which lane is at that height; -1 for none. */
  laneAt(y) {
    return this.lanes.findIndex(({ top, bottom }) => y >= top && y <= bottom);
  }

  /** Draw one frame. True while something still glides. */
  draw({ frame, window, focused, cursorUs, reading, elapsedMs, stale }) {
    const { pen } = this;
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    pen.clearRect(0, 0, this.width, this.height);
    const x = this.across(window);
    const weight = ({ role }) => (role === focused ? 2.3 : role === "sync" || role === null ? 0.75 : 1);
    this.lanes = lanes(frame.channels.map(weight), this.top, this.bottom, 6);
    const moving = this.#follow(frame, window, elapsedMs);
    const main = frame.channels.find(({ role }) => role === focused) ?? frame.channels[0];
    frame.channels.forEach((channel, n) => {
      const lane = this.lanes[n];
      const { now } = this.ranges.get(scaleName(channel));
      const y = scaleOf(now.from, now.to, lane.bottom - 2, lane.top + 2);
      const said = reading?.channels.find((one) => one.channel === channel.channel);
      this.#lane({ frame, window, channel, lane, x, y, large: channel === main, said, stale, cursorUs });
    });
    this.#strip(main, reading, x);
    this.#times(window, x);
    if (cursorUs !== null) this.#hairline(x, cursorUs);
    return moving;
  }

  /** One rule for all channels with a level, so that they compare; one each for the others. */
  #follow(frame, window, elapsedMs) {
    const seen = new Map();
    for (const channel of frame.channels) {
      const found = extremes(frame, channel, window.goal.from, window.goal.to);
      if (!found) continue;
      const name = scaleName(channel);
      const before = seen.get(name) ?? found;
      seen.set(name, { low: Math.min(before.low, found.low), high: Math.max(before.high, found.high) });
    }
    let moving = false;
    for (const channel of frame.channels) {
      const name = scaleName(channel);
      if (!this.ranges.has(name)) this.ranges.set(name, new FollowedRange());
      const range = this.ranges.get(name);
      const { low, high } = seen.get(name) ?? { low: 0, high: 700 };
      range.hold(low, high);
    }
    for (const range of this.ranges.values()) moving = range.glide(elapsedMs) || moving;
    return moving;
  }

  #lane(one) {
    const { pen, left, right, inks } = this;
    const { lane, channel, x, y, stale } = one;
    pen.fillStyle = inks.plate;
    pen.fillRect(left, lane.top, right - left, lane.bottom - lane.top);
    pen.save();
    pen.beginPath();
    pen.rect(left, lane.top, right - left, lane.bottom - lane.top);
    pen.clip();
    if (channel.active_us) this.#windows(channel, lane, x);
    this.#blanking(y.at(0), lane);
    const flats = this.#bars(one);
    pen.globalAlpha = stale ? 0.5 : 1;
    for (const trace of channel.traces.slice(1)) this.#trace(one, trace, 1, 0.38);
    this.#trace(one, channel.traces[0], one.large ? 2.2 : 1.7, 1);
    pen.globalAlpha = 1;
    this.#levels(one, flats);
    pen.restore();
    this.#rule(one);
  }

  // Outside the active window the plate is shaded; the clamp has a texture of its own.
  #windows({ active_us: active, clamp_us: clamp }, { top, bottom }, x) {
    const { pen, left, right, inks, textures } = this;
    pen.fillStyle = inks.steel;
    pen.fillRect(left, top, x.at(active[0]) - left, bottom - top);
    pen.fillRect(x.at(active[1]), top, right - x.at(active[1]), bottom - top);
    pen.fillStyle = textures.clamp;
    pen.fillRect(x.at(clamp[0]), top, x.at(clamp[1]) - x.at(clamp[0]), bottom - top);
  }

  #blanking(at, lane) {
    const { pen, left, right, inks } = this;
    if (at < lane.top || at > lane.bottom) return;
    pen.strokeStyle = inks.soft;
    pen.lineWidth = 1;
    pen.setLineDash([7, 5]);
    line(pen, left, at, right, at);
    pen.setLineDash([]);
  }

  #trace({ frame, window, channel, x, y }, trace, width, alpha) {
    const { pen } = this;
    const { us, low, high, count } = points(frame, channel, trace, window.now.from, window.now.to, this.right - this.left);
    pen.beginPath();
    for (let n = 0; n < count; n += 1) {
      const at = x.at(us[n]);
      pen.lineTo(at, y.at(high[n]));
      if (low[n] !== high[n]) pen.lineTo(at, y.at(low[n]));
    }
    const before = pen.globalAlpha;
    pen.globalAlpha = before * alpha;
    pen.strokeStyle = this.traceInk(channel.role);
    pen.lineWidth = width;
    pen.lineJoin = "bevel";
    pen.stroke();
    pen.globalAlpha = before;
  }

  // Flat runs lie as bars behind the trace, bright ones where they made the level. Gives those in sight, in pixels.
  #bars({ channel, x, y }) {
    const { pen, inks, left, right } = this;
    const all = channel.flats.map((flat) => ({ ...flat, from: Math.max(left, x.at(flat.from_us)), to: Math.min(right, x.at(flat.to_us)), at: y.at(flat.level_mv) }));
    const seen = all.filter(({ from, to }) => to - from > 1);
    for (const { from, to, at, made_level: made } of seen) {
      const half = made ? 5 : 4;
      pen.fillStyle = made ? inks.core : inks.line;
      pen.fillRect(from, at - half, to - from, 2 * half);
      pen.strokeStyle = made ? "#12181a" : inks.soft;
      pen.lineWidth = made ? 1.5 : 1;
      pen.strokeRect(from, at - half, to - from, 2 * half);
    }
    return seen;
  }

  // The level is written on a dimension line from blanking up to its flat; beside it the name and, in the large lane, the other flats.
  #levels(one, flats) {
    const widest = flats.filter((flat) => flat.made_level).sort((a, b) => b.to - b.from - (a.to - a.from))[0];
    const taken = this.#name(one);
    if (widest) taken.push(...this.#dimension(one, widest, taken));
    if (one.large) this.#heights(one, flats.filter((flat) => !flat.made_level), taken);
  }

  #dimension({ y, lane, large, channel }, { from, to, at, level_mv: mv }, taken) {
    const { pen, inks, narrow } = this;
    const words = `${whole(mv)}\u00a0mV`;
    const size = [large ? 26 : 17, 20, 17].find((one) => this.#wide(words, one, 700) < to - from - 12) ?? 14;
    const wide = this.#wide(words, size, 700);
    const foot = Math.min(y.at(0), lane.bottom);
    const middle = (from + to) / 2;
    const room = foot - at > size + 34 && to - from > wide + 24;
    if (room) {
      pen.strokeStyle = inks.ink;
      pen.lineWidth = 1.4;
      line(pen, middle, at + 6, middle, foot - 1);
      arrow(pen, middle, at + 6, -1);
      if (foot < lane.bottom) arrow(pen, middle, foot - 1, 1);
    }
    const x = Math.min(Math.max(middle - wide / 2, this.left + 8), this.right - wide - 8);
    const top = room ? (at + foot) / 2 - size / 2 : at + 8 + size > lane.bottom ? at - size - 8 : at + 8;
    const boxes = [this.#plated({ x: x - 5, y: top - 3, width: wide + 10, height: size + 6 })];
    this.#write(words, x, top + size * 0.86, { size, weight: 700 });
    if (!large) return boxes;
    const said = ["this flat made the level", "made the level"].map((text) => `${text}${narrow ? "" : `, on ${channel.level_lines} of ${channel.level_of} lines`}`);
    const labels = said.map((text) => ({ text, width: this.#wide(text, 14, 600) + 8, height: 19 }));
    for (const label of labels) label.places = [middle - label.width / 2, to - label.width - 8].map((left) => ({ x: left, y: at - 27 }));
    const bounds = { left: Math.max(from, this.left), right: to, top: lane.top, bottom: lane.bottom };
    const [label] = labels.flatMap((one) => placed([one], bounds, taken));
    if (!label) return boxes;
    this.#write(label.text, this.#plated(label).x + 4, at - 13, { weight: 600 });
    return [...boxes, label];
  }

  #heights({ channel, lane, y }, flats, taken) {
    const bounds = { left: this.left + 4, right: this.right - 4, top: lane.top + 2, bottom: lane.bottom - 2 };
    const label = (words, middle, at) => {
      const width = this.#wide(words, 14, 600) + 6;
      const x = Math.min(middle - width / 2, bounds.right - width);
      return { words, width, height: 17, places: [{ x, y: at - 23 }, { x, y: at + 6 }] };
    };
    const zero = label(channel.blanking_mv === null ? "scope zero" : "blanking", Infinity, y.at(0));
    zero.places.push(...zero.places.map((place) => ({ x: place.x - 0.3 * (bounds.right - bounds.left), y: place.y })));
    const labels = [...flats.map(({ level_mv: mv, from, to, at }) => label(whole(mv), (from + to) / 2, at)), zero];
    for (const one of placed(labels, bounds, taken)) this.#write(one.words, this.#plated(one).x + 3, one.y + 13, { weight: 600 });
  }

  // The role's name stands at its trace: over or under it at the left, else further on; the first free place.
  #name({ frame, channel, lane, y, large, x }) {
    const size = large ? 22 : 17;
    const words = nameOf(channel);
    const width = this.#wide(words, size, 700);
    const places = [0, 0.2, 0.4, 0.6].flatMap((part) => {
      const at = this.left + 16 + part * (this.right - this.left);
      const found = extremes(frame, channel, x.value(at), x.value(at + width * (part ? 1 : 0.6))) ?? { low: 0, high: 0 };
      return [{ x: at, y: y.at(found.high) - size - 9 }, { x: at, y: y.at(found.low) + 7 }];
    });
    const bounds = { left: this.left, right: this.right, top: lane.top + 1, bottom: lane.bottom - 1 };
    const [place] = placed([{ places, width, height: size + 2 }], bounds);
    const { x: at, y: top } = place ?? { x: this.left + 16, y: lane.top + 3 };
    const box = this.#plated({ x: at - 4, y: top, width: width + 8, height: size + 2 });
    this.#write(words, at, top + size * 0.86, { size, weight: 700, ink: this.traceInk(channel.role) });
    return [box];
  }

  // The upright rule: zones of the target as on the ruler of Trim, engraved lines, numerals, the aim.
  #rule({ lane, y, said, large }) {
    const { pen, left, inks, textures } = this;
    const [from, to] = [y.value(lane.bottom), y.value(lane.top)];
    for (const { zone, from: low, to: high } of zoneBands(said?.edges_mv, { lo: from, hi: to })) {
      pen.globalAlpha = zone === "on-target" ? 0.55 : 1;
      pen.fillStyle = textures[zone] ?? inks[zone];
      pen.fillRect(left - 12, y.at(high), 11, y.at(low) - y.at(high));
    }
    pen.globalAlpha = 1;
    const perPx = 1 / -y.perUnit;
    for (const shift of [1, 0]) {
      pen.strokeStyle = shift ? inks.glint : inks.ink;
      pen.lineWidth = 1;
      pen.beginPath();
      pen.moveTo(left + shift - 0.5, lane.top);
      pen.lineTo(left + shift - 0.5, lane.bottom);
      for (const { value, words } of engraving(from, to, perPx * (large ? 34 : 26), perPx * 5)) {
        pen.moveTo(left, y.at(value) + shift);
        pen.lineTo(left - (words ? 12 : 6), y.at(value) + shift);
      }
      pen.stroke();
    }
    for (const { value, words } of engraving(from, to, perPx * (large ? 34 : 26), perPx * 5)) {
      const at = y.at(value);
      if (words && at > lane.top + 7 && at < lane.bottom - 7) this.#write(words, left - 16, at + 5, { align: "right", weight: 500 });
    }
    if (said?.aim_mv != null && said.aim_mv > from && said.aim_mv < to) triangle(pen, left + 1, y.at(said.aim_mv), inks.ink);
  }

  // Words for sync, clamp and active window of the focused channel, in a strip above the lanes.
  #strip(channel, reading, x) {
    const { pen, left, right, inks } = this;
    const spans = [["sync", [0, reading?.sync?.sync_width_us ?? 0], 2], ["clamp", channel.clamp_us, 4], ["active window", channel.active_us, 3]];
    const labels = [];
    pen.strokeStyle = inks.ink;
    pen.lineWidth = 1.2;
    for (const [word, span, weight] of spans) {
      if (!span || span[1] <= span[0]) continue;
      const [from, to] = [Math.max(left, x.at(span[0])), Math.min(right, x.at(span[1]))];
      if (to - from < 1) continue;
      const width = this.#wide(word, 14, 600);
      const long = word === "active window" && to - from > 420 ? "active window: flats are looked for here" : word === "clamp" && to - from > 200 ? "clamp: blanking is taken here" : word;
      const before = word === "sync" && channel.clamp_us ? x.at(channel.clamp_us[0]) - left : undefined;
      labels.push({ words: long, to: before, x: (from + to) / 2 - left, width: long === word ? width : this.#wide(long, 14, 600), weight });
      pen.beginPath();
      pen.moveTo(from + 1, this.top - 2);
      pen.lineTo(from + 1, this.top - 8);
      pen.lineTo(to - 1, this.top - 8);
      pen.lineTo(to - 1, this.top - 2);
      pen.stroke();
    }
    for (const { words, x: middle } of labelsThatFit(labels, right - left)) this.#write(words, left + middle, this.top - 13, { align: "center", weight: 600 });
    this.#write("mV", left - 16, this.top - 13, { align: "right", ink: inks.soft });
  }

  #times(window, x) {
    const { pen, left, right, bottom, inks } = this;
    const perPx = 1 / x.perUnit;
    const ticks = engraving(window.now.from, window.now.to, perPx * 70, perPx * 6);
    for (const shift of [1, 0]) {
      pen.strokeStyle = shift ? inks.glint : inks.ink;
      pen.lineWidth = 1;
      pen.beginPath();
      pen.moveTo(left, bottom + 4 + shift);
      pen.lineTo(right, bottom + 4 + shift);
      for (const { value, words } of ticks) {
        pen.moveTo(x.at(value) + shift, bottom + 4);
        pen.lineTo(x.at(value) + shift, bottom + (words ? 15 : 9));
      }
      pen.stroke();
    }
    const unit = this.narrow ? "us" : "us after sync";
    const free = right - this.#wide(unit, 14, 400) - 12;
    for (const { value, words } of ticks) {
      if (!words) continue;
      const half = this.#wide(words, 14, 500) / 2;
      const at = x.at(value);
      if (at - half > left - 8 && at + half < free) this.#write(words, at, bottom + 30, { align: "center", weight: 500 });
    }
    this.#write(unit, right, bottom + 30, { align: "right", ink: inks.soft });
  }

  #hairline(x, us) {
    const at = x.at(us);
    if (at < this.left || at > this.right) return;
    this.pen.strokeStyle = this.inks.ink;
    this.pen.lineWidth = 1;
    line(this.pen, at, this.top, at, this.bottom + 4);
    const words = timeWords(us, 1 / x.perUnit);
    const width = this.#wide(words, 14, 700) + 12;
    const left = Math.min(Math.max(at - width / 2, this.left), this.right - width);
    this.pen.fillStyle = this.inks.ink;
    this.pen.fillRect(left, this.bottom + 16, width, 20);
    this.#write(words, left + 6, this.bottom + 31, { weight: 700, ink: this.inks.ground });
  }

  /** Cover what lies behind words. */
  #plated(box) {
    this.pen.globalAlpha = 0.8;
    this.pen.fillStyle = this.inks.plate;
    this.pen.fillRect(box.x, box.y, box.width, box.height);
    this.pen.globalAlpha = 1;
    return box;
  }

  #wide(words, size, weight) {
    this.pen.font = `${weight} ${size}px ${FONT}`;
    return this.pen.measureText(words).width;
  }

  #write(words, x, y, { size = 14, weight = 400, align = "left", ink = this.inks.ink } = {}) {
    const { pen } = this;
    pen.font = `${weight} ${size}px ${FONT}`;
    pen.textAlign = align;
    pen.fillStyle = ink;
    pen.fillText(words, x, y);
  }
}

const scaleName = (channel) => (channel.active_us ? PICTURE : channel.channel);

function line(pen, x0, y0, x1, y1) {
  pen.beginPath();
  pen.moveTo(x0, y0);
  pen.lineTo(x1, y1);
  pen.stroke();
}

function arrow(pen, x, y, way) {
  pen.beginPath();
  pen.moveTo(x - 4, y - 7 * way);
  pen.lineTo(x, y);
  pen.lineTo(x + 4, y - 7 * way);
  pen.stroke();
}

function triangle(pen, x, y, ink) {
  pen.fillStyle = ink;
  pen.beginPath();
  pen.moveTo(x, y);
  pen.lineTo(x + 10, y - 6);
  pen.lineTo(x + 10, y + 6);
  pen.fill();
}

/** A repeating texture in one colour, of the zones as on the ruler: strokes, lines, dots. */
function texture(pen, name, ink) {
  const tile = document.createElement("canvas");
  tile.width = tile.height = 8;
  const brush = tile.getContext("2d");
  brush.fillStyle = brush.strokeStyle = ink;
  brush.globalAlpha = 0.16;
  brush.fillRect(0, 0, 8, 8);
  brush.globalAlpha = name === "clamp" ? 0.5 : 0.85;
  brush.lineWidth = name === "over" ? 2.2 : 1.3;
  if (name === "over") for (const shift of [-8, 0, 8]) line(brush, shift - 1, 9, shift + 9, -1);
  if (name === "dim") line(brush, 0, 4, 8, 4);
  if (name === "clamp") line(brush, 4, 0, 4, 8);
  if (name === "too-low") for (const at of [2, 6]) brush.fillRect(at - 1.2, at - 1.2, 2.4, 2.4);
  return pen.createPattern(tile, "repeat");
}

/** Levels of all channels at a time, in words. */
export const readoutLevels = (frame, us) => frame.channels.map((channel) => ({ name: nameOf(channel), words: levelWords(levelAt(frame, channel, us)) }));
