// Draws the Line view on its canvas: one lane a channel with an upright rule in mV, what made its level, and its trace.

import { extremes, points, targetOnLine } from "./linedata.js";
import { layTrace } from "./linepixels.js";
import { FollowedRange, engraving, lanes, placed, scaleOf } from "./linewindow.js";
import { nameOf, timeWords } from "./linewords.js";
import { labelsThatFit, zoneBands } from "./scale.js";
import { whole } from "./words.js";

const scaleName = (channel) => (channel.active_us ? "picture" : channel.channel);

export class LineDrawing {
  constructor(canvas) {
    Object.assign(this, { canvas, pen: canvas.getContext("2d", { alpha: false }), ranges: new Map(), lanes: [] });
    this.recolour();
  }

  /** Take the colours anew: the scheme changed. */
  recolour() {
    this.style = getComputedStyle(this.canvas);
    this.inks = {};
    this.ruled = [];
  }

  resize(width, height, ratio) {
    const pixels = (at) => Math.round(at * ratio) / ratio;
    const narrow = width < 600;
    Object.assign(this, { width, height, ratio, narrow, left: pixels(narrow ? 52 : 74), right: pixels(width - 10), top: pixels(30), bottom: pixels(height - 40), ruled: [], pixels });
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    this.image = new ImageData(Math.round((this.right - this.left) * ratio), this.canvas.height);
    this.sheet = new OffscreenCanvas(this.image.width, this.image.height).getContext("2d", { willReadFrequently: true });
  }

  /** Microseconds to pixels, where `from` to `to` shows. */
  across({ from, to }) {
    return scaleOf(from, to, this.left, this.right);
  }

  /** Draw one frame. True while something still glides. */
  draw({ frame, window, focused, cursorUs, reading, patternWhitePct, held, elapsedMs }) {
    const { pen, ratio } = this;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    const { channels } = frame;
    const x = this.across(window.now);
    const main = channels.find(({ role }) => role === focused) ?? channels[0];
    // at whole pixels, to which is clipped more quickly
    this.lanes = lanes(channels.map((one) => (one === main ? 2.3 : one.active_us ? 1 : 0.75)), this.top, this.bottom, 6)
      .map(({ top, bottom }) => ({ top: this.pixels(top), bottom: this.pixels(bottom) }));
    const moving = this.#follow(frame, window.goal, elapsedMs);
    const { width, left, top, bottom } = this;
    this.#fill("ground", 0, 0, width, top);
    this.#fill("ground", left, top, width, bottom);
    this.#fill("ground", 0, bottom, width, this.height);
    const drawn = channels.map((channel, n) => {
      const lane = this.lanes[n];
      const { now } = this.ranges.get(scaleName(channel));
      return { frame, window, channel, lane, x, y: scaleOf(now.from, now.to, lane.bottom - 2, lane.top + 2), large: channel === main, held };
    });
    if (channels[0].traces.length > 1) this.#singles(drawn);
    drawn.forEach((one, n) => {
      const { channel, lane, y, large } = one;
      this.#lane(one);
      const said = reading?.channels.find(({ channel: name }) => name === channel.channel);
      const { edges, aim } = targetOnLine(said, patternWhitePct);
      this.#rule(n, lane, y, large ? 34 : 26, edges);
      this.#edge(lane, y.at(aim));
    });
    this.#strip(main, reading?.sync?.sync_width_us, x);
    this.#times(window.now, x);
    if (cursorUs !== null) this.#hairline(x, cursorUs);
    return moving;
  }

  // One rule for all channels with a level, so that they compare; one each for the others.
  #follow(frame, { from, to }, elapsedMs) {
    let moving = false;
    for (const name of new Set(frame.channels.map(scaleName))) {
      const seen = frame.channels.filter((one) => scaleName(one) === name).map((one) => extremes(frame, one, from, to)).filter(Boolean);
      if (!seen.length) seen.push({ low: 0, high: 700 });
      if (!this.ranges.has(name)) this.ranges.set(name, new FollowedRange());
      const range = this.ranges.get(name);
      range.hold(Math.min(...seen.map(({ low }) => low)), Math.max(...seen.map(({ high }) => high)));
      moving = range.glide(elapsedMs) || moving;
    }
    return moving;
  }

  // Outside the active window the plate is shaded, the clamp has a texture; flats lie as bars behind the traces.
  #lane(one) {
    const { pen, left, right, ratio } = this;
    const { channel, lane: { top, bottom }, x, y } = one;
    pen.save();
    pen.beginPath();
    pen.rect(left, top, right - left, bottom - top);
    pen.clip();
    this.#fill("plate", left, top, right, bottom);
    // no longer live: nothing on it is to be trimmed by
    if (one.held) pen.globalAlpha = 0.5;
    if (channel.active_us) {
      const [[from, to], [first, last]] = [channel.active_us, channel.clamp_us];
      this.#fill("steel", left, top, x.at(from), bottom);
      this.#fill("steel", x.at(to), top, right, bottom);
      this.#fill("texture-clamp", x.at(first), top, x.at(last), bottom);
    }
    pen.setLineDash([7, 5]);
    this.#stroke([[left, y.at(0), right, y.at(0)]], "soft");
    pen.setLineDash([]);
    const flats = channel.flats
      .map((flat) => ({ ...flat, from: Math.max(left, x.at(flat.from_us)), to: Math.min(right, x.at(flat.to_us)), at: y.at(flat.level_mv) }))
      .filter(({ from, to }) => to - from > 1);
    for (const { from, to, at, made_level: made } of flats) {
      this.#fill(made ? "core" : "line", from, at - 5, to, at + 5);
      pen.strokeStyle = made ? "#12181a" : this.#ink("soft");
      pen.strokeRect(from, at - 5, to - from, 10);
    }
    if (channel.traces.length > 1) pen.drawImage(this.sheet.canvas, 0, top * ratio, this.image.width, (bottom - top) * ratio, left, top, right - left, bottom - top);
    this.#trace(one);
    pen.globalAlpha = 1;
    this.#labels(one, flats);
    pen.restore();
  }

  #points({ frame, window: { now }, channel }, trace) {
    return points(frame, channel, trace, now.from, now.to, Math.min(this.image.width, this.right - this.left));
  }

  // The single lines of all lanes, put on a sheet at once.
  #singles(drawn) {
    const { pen, ratio, left, image: { data, width } } = this;
    for (const one of drawn) {
      const { channel, lane: { top, bottom }, x, y } = one;
      const [first, height] = [Math.round(top * ratio), Math.round((bottom - top) * ratio)];
      const rows = data.subarray(4 * first * width, 4 * (first + height) * width);
      pen.fillStyle = this.#ink(`trace-${channel.role}`);
      new DataView(data.buffer).setUint32(rows.byteOffset, parseInt(`${pen.fillStyle.slice(1)}00`, 16));
      const inks = new Uint32Array(data.buffer, rows.byteOffset, height * width);
      inks.fill(inks[0]);
      const to = [scaleOf(x.value(left), x.value(left + width / ratio), 0, width), scaleOf(y.value(top), y.value(bottom), 0, height)];
      for (const trace of channel.traces.slice(1)) layTrace({ data: rows, width, height }, this.#points(one, trace), ...to, ratio, 0.38);
    }
    this.sheet.putImageData(this.image, 0, 0);
  }

  // The averaged line, of hairs side by side: one wide stroke takes three times as long.
  #trace(one) {
    const { pen, ratio } = this;
    const { channel, x, y, large } = one;
    const { us, low, high, count } = this.#points(one, channel.traces[0]);
    const path = new Path2D();
    for (let k = 0; k < count; k += 1) {
      const [at, upper, lower] = [x.at(us[k]), y.at(high[k]), y.at(low[k])];
      const fine = lower - upper < 0.6;
      if (!fine) path.lineTo(at, upper);
      path.lineTo(at, fine ? (lower + upper) / 2 : lower);
    }
    const width = large ? 2.2 : 1.7;
    const hairs = Math.max(2, Math.ceil(width * ratio));
    const apart = (width - 1 / ratio) / (hairs - 1);
    pen.strokeStyle = this.#ink(`trace-${channel.role}`);
    pen.lineWidth = 1 / ratio;
    pen.lineJoin = "bevel";
    for (let hair = 0; hair < hairs; hair += 1) {
      const by = (hair - (hairs - 1) / 2) * apart * ratio;
      pen.setTransform(ratio, 0, 0, ratio, by, by);
      pen.stroke(path);
    }
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  }

  // The level on a dimension line from blanking to its flat, the name at its trace; in the large lane the other flats and blanking.
  #labels({ frame, channel, lane, x, y, large }, flats) {
    const { left, right } = this;
    const taken = [];
    const write = (words, places, style) => this.#label(words, places, lane, taken, style);
    const size = this.narrow ? 14 : large ? 22 : 17;
    const beside = (width) => [0, 0.15, 0.2, 0.4, 0.6].flatMap((part) => {
      const at = left + 12 + part * (right - left);
      const { low, high } = extremes(frame, channel, x.value(at), x.value(at + width)) ?? { low: 0, high: 0 };
      return [[at, y.at(high) - size - 9], [at, y.at(low) + 4]];
    });
    const [made] = flats.filter((flat) => flat.made_level).sort((a, b) => b.to - b.from - a.to + a.from);
    if (made) this.#dimension(made, Math.min(y.at(0), lane.bottom), large && channel, write);
    write(nameOf(channel), (width) => [...beside(width), [left + 12, lane.top + 3]], { size, weight: 700, ink: `trace-${channel.role}` });
    if (!large) return;
    for (const { level_mv: mv, from, to, at } of flats.filter((flat) => !flat.made_level)) {
      write(whole(mv), (width) => [at - 23, at + 6].map((top) => [(from + to - width) / 2, top]));
    }
    const zero = (width) => [1, 0.7].flatMap((part) => [-21, 6].map((by) => [left + part * (right - left) - width - 4, y.at(0) + by]));
    write(channel.blanking_mv === null ? "scope zero" : "blanking", zero);
  }

  #dimension({ from, to, at, level_mv: mv }, foot, channel, write) {
    const words = `${whole(mv)}\u00a0mV`;
    const middle = (from + to) / 2;
    const size = [channel ? 26 : 17, 17].find((one) => this.#wide(words, one, 700) < to - from - 12) ?? 14;
    const room = foot - at > size + 34;
    if (room) {
      const tip = (y, way) => [-4, 4].map((by) => [middle + by, y + 7 * way, middle, y]);
      this.#stroke([[middle, at + 6, middle, foot - 1], ...tip(at + 6, 1), ...tip(foot - 1, -1)], "ink", 1.4);
    }
    const tops = [...(room ? [(at + foot - size) / 2 - 2] : []), at + 8, at - size - 10];
    write(words, (width) => tops.map((top) => [middle - width / 2, top]), { size, weight: 700 });
    if (!channel) return;
    const said = "made the level" + (this.narrow ? "" : `, on ${channel.level_lines} of ${channel.level_of} lines`);
    if (this.#wide(said, 14, 600) < to - from - 16) write(said, (width) => [middle - width / 2, to - width - 8].map((x) => [x, at - 26]));
  }

  // The upright rule, drawn only when it is another: zones of the target as on the ruler of Trim, engraved lines, numerals.
  #rule(n, { top, bottom }, y, apartPx, edges) {
    const { left } = this;
    const [from, to] = [y.value(bottom), y.value(top)];
    const ruled = JSON.stringify([from, to, top, bottom, edges]);
    if (ruled === this.ruled[n]) return;
    this.ruled[n] = ruled;
    this.#fill("ground", 0, top - 6, left, bottom);
    for (const { zone, from: low, to: high } of zoneBands(edges, { lo: from, hi: to })) {
      this.#fill(`texture-${zone}`, left - 12, y.at(high), left - 1, y.at(low));
    }
    const ticks = engraving(from, to, apartPx / -y.perUnit, 5 / -y.perUnit);
    const lines = ticks.map(({ value, words }) => [y.at(value), words]);
    this.#groove(lines.map(([at, words]) => [left - (words ? 12 : 6), at, left - 1, at]));
    for (const [at, words] of lines) if (words && at > top + 7 && at < bottom - 7) this.#write(words, left - 16, at + 5, { align: "right", weight: 500 });
  }

  // Where the rule meets the plate: a line, and the aim.
  #edge({ top, bottom }, at) {
    const { pen, left } = this;
    this.#groove([[left - 0.5, top, left - 0.5, bottom]]);
    if (!(at > top && at < bottom)) return;
    pen.fillStyle = this.#ink("ink");
    pen.fill(new Path2D(`M${left + 1} ${at}l10 -6v12z`));
  }

  // Words for sync, clamp and active window of the large channel, in a strip above the lanes.
  #strip({ clamp_us: clamp, active_us: active }, syncUs, x) {
    const { left, right, top } = this;
    const labels = [];
    const spans = { "active window": active, clamp, sync: [0, syncUs] };
    Object.entries(spans).forEach(([word, span], weight) => {
      const [first, last] = [Math.max(left, x.at(span?.[0])) + 1, Math.min(right, x.at(span?.[1])) - 1];
      if (!(last > first)) return;
      this.#stroke([[first, top - 2, first, top - 8], [first, top - 8, last, top - 8], [last, top - 8, last, top - 2]], "ink", 1.2);
      const words = !weight && last - first > 420 ? "active window: flats are looked for here" : word;
      labels.push({ words, width: this.#wide(words, 14, 600), x: (first + last) / 2 - left, weight });
    });
    for (const { words, x: middle } of labelsThatFit(labels, right - left)) this.#write(words, left + middle, top - 13, { align: "center", weight: 600 });
    this.#write("mV", left - 16, top - 13, { align: "right", ink: "soft" });
  }

  #times({ from, to }, x) {
    const { left, right, bottom } = this;
    const lines = engraving(from, to, 70 / x.perUnit, 6 / x.perUnit).map(({ value, words }) => [x.at(value), words]);
    this.#groove([[left, bottom + 4, right, bottom + 4], ...lines.map(([at, words]) => [at, bottom + 4, at, bottom + (words ? 15 : 9)])]);
    const unit = this.narrow ? "us" : "us after sync";
    const free = right - this.#wide(unit, 14, 400) - 28;
    for (const [at, words] of lines) if (words && at < free) this.#write(words, at, bottom + 30, { align: "center", weight: 500 });
    this.#write(unit, right, bottom + 30, { align: "right", ink: "soft" });
  }

  #hairline(x, us) {
    const at = x.at(us);
    const { left, right, bottom } = this;
    if (at < left || at > right) return;
    this.#stroke([[at, this.top, at, bottom + 4]]);
    const words = timeWords(us, 1 / x.perUnit);
    const width = this.#wide(words, 14, 700) + 12;
    const first = Math.min(Math.max(at - width / 2, left), right - width);
    this.#fill("ink", first, bottom + 16, first + width, bottom + 36);
    this.#write(words, first + 6, bottom + 31, { weight: 700, ink: "ground" });
  }

  // Write words on the first of `places(width)`, [left, top] each, that is free in the lane; they are then taken.
  #label(words, places, { top, bottom }, taken, { size = 14, weight = 600, ink } = {}) {
    const width = this.#wide(words, size, weight) + 8;
    const bounds = { left: this.left, right: this.right, top: top + 1, bottom: bottom - 1 };
    const inside = (x) => Math.min(Math.max(x, bounds.left), bounds.right - width);
    const [box] = placed([{ places: places(width).map(([x, y]) => ({ x: inside(x), y })), width, height: size + 3 }], bounds, taken);
    if (!box) return;
    taken.push(box);
    this.#write(words, box.x + 4, box.y + size * 0.88 + 1, { size, weight, ink, rim: size / 3 });
  }

  // A rim of the plate hides no more of a trace than it must.
  #write(words, x, y, { size = 14, weight = 400, align = "left", ink = "ink", rim = 0 }) {
    const { pen } = this;
    pen.font = this.#font(size, weight);
    pen.textAlign = align;
    if (rim) {
      pen.strokeStyle = this.#ink("plate");
      pen.lineWidth = rim;
      pen.strokeText(words, x, y);
    }
    pen.fillStyle = this.#ink(ink);
    pen.fillText(words, x, y);
  }

  #wide(words, size, weight) {
    this.pen.font = this.#font(size, weight);
    return this.pen.measureText(words).width;
  }

  #font(size, weight) {
    return `${weight} ${size}px ${(this.inks.font ??= this.style.fontFamily)}`;
  }

  #fill(ink, x0, y0, x1, y1) {
    this.pen.fillStyle = this.#ink(ink);
    this.pen.fillRect(x0, y0, x1 - x0, y1 - y0);
  }

  #stroke(segments, ink = "ink", width = 1) {
    const { pen } = this;
    pen.strokeStyle = this.#ink(ink);
    pen.lineWidth = width;
    pen.beginPath();
    for (const [x0, y0, x1, y1] of segments) {
      pen.moveTo(x0, y0);
      pen.lineTo(x1, y1);
    }
    pen.stroke();
  }

  // Engraved: a glint beside every upright or level line. Filled, which is much quicker than to stroke.
  #groove(segments) {
    for (const [ink, by] of [["glint", 0.5], ["ink", -0.5]]) {
      for (const [x0, y0, x1, y1] of segments) {
        if (x0 === x1) this.#fill(ink, x0 + by, y0, x0 + by + 1, y1);
        else this.#fill(ink, x0, y0 + by, x1, y0 + by + 1);
      }
    }
  }

  // A colour of the style sheets, or a texture of one.
  #ink(name) {
    const colour = (of) => this.style.getPropertyValue(`--${of}`).trim();
    this.inks[name] ??= name.startsWith("texture-") ? texture(this.pen, name.slice(8), colour(name.slice(8))) : colour(name) || colour("ink");
    return this.inks[name];
  }
}

// Of the zones as on the ruler of Trim: strokes, lines, dots; the clamp has upright lines.
function texture(pen, name, ink) {
  const tile = document.createElement("canvas");
  tile.width = tile.height = 8;
  const brush = tile.getContext("2d");
  brush.fillStyle = brush.strokeStyle = ink;
  brush.globalAlpha = name === "on-target" ? 0.55 : 0.16;
  brush.fillRect(0, 0, 8, 8);
  brush.globalAlpha = name === "clamp" ? 0.5 : 0.85;
  brush.lineWidth = name === "over" ? 2.2 : 1.3;
  brush.stroke(new Path2D({ over: "M-9 9 1 -1M-1 9 9 -1M7 9 17 -1", dim: "M0 4H8", clamp: "M4 0V8" }[name] ?? ""));
  if (name === "too-low") for (const at of [1, 5]) brush.fillRect(at, at, 2.4, 2.4);
  return pen.createPattern(tile, "repeat");
}
