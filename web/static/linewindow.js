// Which part of the line shows, and how it moves: microseconds to pixels and back, zoom, pan, scales. No DOM.

const LEAST_US = 0.25;
const EASE_MS = 70;
const NEAR = 0.002;

/** The part of the line that shows. It glides to `goal`, so that the eye keeps its place. */
export class LineWindow {
  constructor(whole = { from: -1, to: 62.5 }) {
    this.whole = whole;
    this.now = { ...whole };
    this.goal = { ...whole };
  }

  /** From where to where a line goes; another line rate shows whole. */
  setWhole(from, to) {
    if (Math.abs(from - this.whole.from) < 0.2 && Math.abs(to - this.whole.to) < 0.2) return;
    this.whole = { from, to };
    this.now = { from, to };
    this.goal = { from, to };
  }

  get isWhole() {
    return this.goal.to - this.goal.from >= (this.whole.to - this.whole.from) * 0.999;
  }

  /** Show `factor` times as much, with the time `aboutUs` where it is. */
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
    if (us < from) this.pan(us - from - (to - from) / 4);
    if (us > to) this.pan(us - to + (to - from) / 4);
  }

  all() {
    this.goal = { ...this.whole };
  }

  /** Move towards the goal; Infinity goes there at once. True while it moves. */
  glide(elapsedMs) {
    const { now, goal } = this;
    if (now.from === goal.from && now.to === goal.to) return false;
    const part = 1 - Math.exp(-elapsedMs / EASE_MS);
    const close = (goal.to - goal.from) * NEAR;
    for (const end of ["from", "to"]) now[end] = Math.abs(goal[end] - now[end]) <= close ? goal[end] : now[end] + (goal[end] - now[end]) * part;
    return true;
  }

  #aim(from, span) {
    const first = Math.min(Math.max(from, this.whole.from), this.whole.to - span);
    this.goal = { from: first, to: first + span };
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

/** A number with so many decimals and a true minus sign. */
export function figure(value, digits = 0) {
  const words = Math.abs(value).toFixed(digits);
  return value < 0 && Number(words) !== 0 ? `−${words}` : words;
}

/** The millivolts that a rule shows: follows what is in sight, but not what changes by less than a tenth, and glides. */
export class FollowedRange {
  constructor() {
    this.now = null;
    this.goal = null;
  }

  /** Make low to high (mV) fill the middle of the rule; never less than `least` in all. */
  hold(low, high, least = 60) {
    const span = Math.max(high - low, least);
    const middle = (low + high) / 2;
    const wanted = { from: middle - 0.62 * span, to: middle + 0.72 * span };
    const { goal } = this;
    const room = goal && (goal.to - goal.from) / 10;
    if (goal && Math.abs(wanted.from - goal.from) < room && Math.abs(wanted.to - goal.to) < room && low > goal.from && high < goal.to) return;
    this.goal = wanted;
    this.now ??= { ...wanted };
  }

  /** As LineWindow's. */
  glide(elapsedMs) {
    return LineWindow.prototype.glide.call(this, elapsedMs);
  }
}

/** Lanes one above the other between two heights: `{top, bottom}` each, shares by weight, `gap` pixels between them. */
export function lanes(weights, top, bottom, gap) {
  const each = (bottom - top - gap * (weights.length - 1)) / weights.reduce((sum, one) => sum + one, 0);
  let at = top;
  return weights.map((weight) => {
    const lane = { top: at, bottom: at + weight * each };
    at = lane.bottom + gap;
    return lane;
  });
}

/**
 * Labels `{places: [{x, y}], width, height}` (left top) that lie within `bounds` and over none before them, with the first of their
 * places that is free as `x` and `y`.
 */
export function placed(labels, bounds, taken = []) {
  const boxes = [...taken];
  const found = [];
  for (const label of labels) {
    const free = label.places.find(({ x, y }) => {
      const inside = x >= bounds.left && x + label.width <= bounds.right && y >= bounds.top && y + label.height <= bounds.bottom;
      return inside && boxes.every((box) => x >= box.x + box.width || x + label.width <= box.x || y >= box.y + box.height || y + label.height <= box.y);
    });
    if (!free) continue;
    const box = { ...label, ...free };
    boxes.push(box);
    found.push(box);
  }
  return found;
}
