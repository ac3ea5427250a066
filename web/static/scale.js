// The ruler's arithmetic: which millivolts it shows, where they lie, which ticks and words fit. No DOM.

import { eased } from "./pace.js";

const SHRINK_AFTER_MS = 4000;
const EASE_MS = 110;

/** The range that shows all four zones of a target; without a target, 0 to 1000 mV. */
export function baseRange(edges) {
  if (!edges) return { lo: 0, hi: 1000 };
  return { lo: Math.floor((edges.dim - 40) / 50) * 50, hi: Math.ceil((edges.over + 65) / 50) * 50 };
}

/** The smallest range of round ends that holds `base` and, with room beside it, the span low to high (mV). */
export function rangeHolding(base, low, high) {
  if (low >= base.lo && high <= base.hi) return base;
  const span = Math.max(high, base.hi) - Math.min(low, base.lo);
  const step = span > 1500 ? 500 : span > 600 ? 100 : 50;
  const room = span * 0.04;
  return {
    lo: low < base.lo ? Math.floor((low - room) / step) * step : base.lo,
    hi: high > base.hi ? Math.ceil((high + room) / step) * step : base.hi,
  };
}

/**
 * The range a ruler shows, and how it changes: it opens at once when a level leaves it, closes only after the level
 * has been back for four seconds, and glides to its new ends instead of jumping.
 */
export class RulerRange {
  constructor() {
    this.rebase(null);
  }

  /** Take a target's edges; the ruler goes to their range at once. */
  rebase(edges) {
    this.base = this.goal = baseRange(edges);
    Object.assign(this, this.base, { smallerSince: null });
  }

  /** Make room for the span low to high, in mV. */
  hold(low, high, nowMs) {
    const { goal } = this;
    const wanted = rangeHolding(this.base, low, high);
    const larger = wanted.lo < goal.lo || wanted.hi > goal.hi;
    const smaller = !larger && (wanted.lo > goal.lo || wanted.hi < goal.hi);
    this.smallerSince = smaller ? (this.smallerSince ?? nowMs) : null;
    if (larger) this.goal = rangeHolding(goal, low, high);
    if (smaller && nowMs - this.smallerSince >= SHRINK_AFTER_MS) this.goal = wanted;
  }

  /** Move towards the goal by `elapsedMs`; Infinity goes there at once. True if the range moved. */
  glide(elapsedMs) {
    if (this.lo === this.goal.lo && this.hi === this.goal.hi) return false;
    const close = (this.hi - this.lo) / 2000;
    for (const end of ["lo", "hi"]) this[end] = eased(this[end], this.goal[end], elapsedMs / EASE_MS, close);
    return true;
  }
}

/**
 * The stretches of a ruler from low to high, `{lo, hi, start, end}`: their ends in mV and as parts of its length. There is
 * one, or three where `range.lens` (see lens.js) is open: the two outer ones give way to it, each in proportion.
 */
export function stretches({ lo, hi, lens }) {
  if (!lens) return [{ lo, hi, start: 0, end: 1 }];
  const { from, to, share } = lens;
  const start = ((1 - share) * (from - lo)) / (from - lo + hi - to);
  return [
    { lo, hi: from, start: 0, end: start },
    { lo: from, hi: to, start, end: start + share },
    { lo: to, hi, start: start + share, end: 1 },
  ];
}

/** Pixel of a level on a ruler `width` pixels wide with `pad` pixels free at both ends. */
export function xOf(mv, range, width, pad) {
  const all = stretches(range);
  const { lo, hi, start, end } = all.find((one) => mv < one.hi) ?? all.at(-1);
  return pad + (start + ((mv - lo) / (hi - lo)) * (end - start)) * (width - 2 * pad);
}

/** Steps of the engraving in mV: numerals `major` at least `apartPx` apart, `minor` lines at least 4 pixels apart. */
export function tickSteps(range, width, apartPx) {
  const perPx = (range.hi - range.lo) / Math.max(1, width);
  const major = roundStep(perPx * apartPx);
  const lead = Number(String(major)[0]);
  const parts = (lead === 2 ? [20, 10, 4, 2] : [10, 5, 2]).find((n) => major / n >= 4 * perPx && Number.isInteger(major / n)) ?? 1;
  return { major, minor: major / parts };
}

function roundStep(atLeast) {
  const decade = 10 ** Math.floor(Math.log10(Math.max(1, atLeast)));
  return decade * [1, 2, 5, 10].find((n) => n * decade >= atLeast);
}

/** Multiples of `step` from lo to hi. */
export function multiples(step, range) {
  const found = [];
  for (let n = Math.ceil(range.lo / step - 1e-9); n * step <= range.hi + 1e-9; n += 1) found.push(n * step);
  return found;
}

/** The zones that a range shows, from low to high: `{zone, from, to}` in mV. */
export function zoneBands(edges, range) {
  if (!edges) return [];
  const ends = [-Infinity, edges.dim, edges.on_target, edges.over, Infinity];
  return ["too-low", "dim", "on-target", "over"]
    .map((zone, n) => ({ zone, from: Math.max(ends[n], range.lo), to: Math.min(ends[n + 1], range.hi) }))
    .filter(({ from, to }) => to > from);
}

/**
 * Of labels `{x, width, weight}` (x is the middle) those that fit side by side inside 0 to `width`, heavier ones first.
 * One with `from` and `to` stays between these; one that finds no place is left out.
 */
export function labelsThatFit(labels, width) {
  const placed = [];
  for (const label of [...labels].sort((a, b) => b.weight - a.weight)) {
    const x = freePlace(label, placed, width);
    if (x !== null) placed.push({ ...label, x });
  }
  return placed.sort((a, b) => a.x - b.x);
}

function freePlace(label, placed, width) {
  const half = label.width / 2;
  const first = Math.max(0, label.from ?? 0) + half;
  const last = Math.min(width, label.to ?? width) - half;
  if (first > last) return null;
  const wanted = Math.min(Math.max(label.x, first), last);
  const apart = (other) => half + other.width / 2 + 8;
  const aside = placed.flatMap((other) => [other.x - apart(other), other.x + apart(other)]);
  const free = (x) => x >= first && x <= last && placed.every((other) => Math.abs(other.x - x) >= apart(other) - 1e-6);
  return [wanted, ...aside.sort((a, b) => Math.abs(a - wanted) - Math.abs(b - wanted))].find(free) ?? null;
}

/** Where a flag `long` pixels wide stands beside the point x, `gap` away: 1 right of it, -1 left, 0 nowhere within `width`. */
export function flagSide(x, long, gap, width) {
  if (x + gap + long <= width) return 1;
  return x - gap - long >= 0 ? -1 : 0;
}

/**
 * The first of `wordings` `{words, width}` that fits in, right of or left of the span left to right inside 0 to `width`:
 * `{words, x, half, inside}` with x its middle; null where none fits.
 */
export function spanLabel(wordings, left, right, width) {
  for (const { words, width: long } of wordings) {
    const half = long / 2 + 6;
    if (right - left > 2 * half + 8) return { words, x: (left + right) / 2, half, inside: true };
    if (right + 2 * half < width) return { words, x: right + half, half, inside: false };
    if (left - 2 * half > 0) return { words, x: left - half, half, inside: false };
  }
  return null;
}
