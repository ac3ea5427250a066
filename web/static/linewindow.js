// Which part of the line shows, and how it moves: microseconds to pixels and back, zoom, pan, scales. No DOM.

import { eased } from "./pace.js";
import { figure } from "./words.js";

const LEAST_US = 0.25;
const EASE_MS = 70;

/** Move the ends of `now` towards those of `goal`; Infinity goes there at once. True while it moves. */
function glide({ now, goal }, elapsedMs) {
  if (now.from === goal.from && now.to === goal.to) return false;
  for (const end of ["from", "to"]) now[end] = eased(now[end], goal[end], elapsedMs / EASE_MS, (goal.to - goal.from) * 0.002);
  return true;
}

/** The part of the line that shows. It glides to `goal`, so that the eye keeps its place. */
export class LineWindow {
  constructor(whole = { from: -1, to: 62.5 }) {
    Object.assign(this, { whole, now: { ...whole }, goal: whole });
  }

  /** From where to where a line goes; another line rate shows whole. */
  setWhole(from, to) {
    if (Math.abs(from - this.whole.from) < 0.2 && Math.abs(to - this.whole.to) < 0.2) return;
    Object.assign(this, new LineWindow({ from, to }));
  }

  get isWhole() {
    return this.goal.to - this.goal.from >= (this.whole.to - this.whole.from) * 0.999;
  }

  /** Show `factor` times as much, with the time `aboutUs` where it is; Infinity shows all. */
  zoom(factor, aboutUs = (this.goal.from + this.goal.to) / 2) {
    const { from, to } = this.goal;
    const span = Math.min(Math.max((to - from) * factor, LEAST_US), this.whole.to - this.whole.from);
    const part = Math.min(1, Math.max(0, (aboutUs - from) / (to - from)));
    this.#aim(aboutUs - part * span, span);
  }

  /** Move by so many microseconds, as far as there is line. */
  pan(us) {
    this.#aim(this.goal.from + us, this.goal.to - this.goal.from);
  }

  /** Bring a time into sight. */
  reveal(us) {
    const { from, to } = this.goal;
    const room = (to - from) / 4;
    if (us < from) this.pan(us - from - room);
    if (us > to) this.pan(us - to + room);
  }

  glide(elapsedMs) {
    return glide(this, elapsedMs);
  }

  #aim(at, span) {
    const from = Math.min(Math.max(at, this.whole.from), this.whole.to - span);
    this.goal = { from, to: from + span };
  }
}

/** A linear scale: `at` gives the pixel of a value, `value` the value at a pixel. */
export function scaleOf(from, to, firstPx, lastPx) {
  const perUnit = (lastPx - firstPx) / (to - from);
  return { perUnit, at: (value) => firstPx + (value - from) * perUnit, value: (px) => from + (px - firstPx) / perUnit };
}

/** Engraving from `from` to `to`: numerals at least `apart` of a unit apart, lines between them at least `close` apart. */
export function engraving(from, to, apart, close) {
  const decade = 10 ** Math.floor(Math.log10(apart));
  const lead = [1, 2, 5, 10].find((n) => n * decade >= apart * (1 - 1e-9));
  const major = lead * decade;
  const parts = (lead === 2 ? [10, 4, 2] : [10, 5, 2]).find((n) => major / n >= close) ?? 1;
  const digits = Math.max(0, -Math.floor(Math.log10(major) + 1e-9));
  const ticks = [];
  for (let n = Math.ceil((from * parts) / major - 1e-9); (n * major) / parts <= to + major * 1e-9; n += 1) {
    const value = (n * major) / parts;
    ticks.push({ value, words: n % parts ? null : figure(value, digits) });
  }
  return ticks;
}

/** The millivolts that a rule shows: follows what is in sight, but not what changes by less than a tenth, and glides. */
export class FollowedRange {
  /** Make low to high (mV) fill the middle of the rule; never less than 60 in all. */
  hold(low, high) {
    const span = Math.max(high - low, 60);
    const middle = (low + high) / 2;
    const wanted = { from: middle - 0.62 * span, to: middle + 0.72 * span };
    const { goal } = this;
    const near = (end) => Math.abs(wanted[end] - goal[end]) < (goal.to - goal.from) / 10;
    if (goal && near("from") && near("to") && low > goal.from && high < goal.to) return;
    this.goal = wanted;
    this.now ??= { ...wanted };
  }

  glide(elapsedMs) {
    return glide(this, elapsedMs);
  }
}

/** Lanes one above the other between two heights: `{top, bottom}` each, shares by weight, `gap` pixels between them. */
export function lanes(weights, top, bottom, gap) {
  const each = (bottom - top - gap * (weights.length - 1)) / weights.reduce((sum, one) => sum + one);
  let at = top - gap;
  return weights.map((weight) => {
    const lane = { top: at + gap, bottom: at + gap + weight * each };
    at = lane.bottom;
    return lane;
  });
}

/**
 * Labels `{places: [{x, y}], width, height}` (left top) that lie within `bounds` and over none before them, with the first of their
 * places that is free as `x` and `y`.
 */
export function placed(labels, bounds, taken = []) {
  const found = [];
  for (const label of labels) {
    const { width, height } = label;
    const free = label.places.find(({ x, y }) => {
      const inside = x >= bounds.left && x + width <= bounds.right && y >= bounds.top && y + height <= bounds.bottom;
      return inside && [...taken, ...found].every((box) => x >= box.x + box.width || x + width <= box.x || y >= box.y + box.height || y + height <= box.y);
    });
    if (free) found.push({ ...label, ...free });
  }
  return found;
}
