// One engraved rule: the still layer, and the moving parts above it: trail, slider, core, aim, leash, ghosts.

import { partsOf, put } from "./dom.js";
import { engrave, layOut } from "./engraving.js";
import { Lens } from "./lens.js";
import { Trail } from "./pace.js";
import { RulerRange, xOf } from "./scale.js";
import { whole } from "./words.js";

const RULE_PARTS = ["engraving", "trail", "aim", "aim-flag", "slider", "beyond", "core", "leash", "reference", "highest", "lowest-seen", "highest-seen"];
const MOVED_PX = 0.2;
const TRAIL_STROKES = 10;
const CORE_AT_LEAST_PX = 9;
const LEASH_FROM_PX = 22;

export class Rule {
  constructor(element) {
    this.element = element;
    this.parts = partsOf(element, RULE_PARTS);
    this.ink = this.parts.trail.getContext("2d");
    // `at` is where the moving parts were put, `still` whether the still layer is right, `guides` whether an arrow leads to the aim.
    Object.assign(this, { range: new RulerRange(), lens: new Lens(), trail: new Trail(), at: new Map(), still: true });
    Object.assign(this, { edges: null, windows: [], level: null, aim: null, extremes: null, trailBin: null, glidedAt: null, engravedAim: null, size: null });
    new ResizeObserver(() => this.#measure()).observe(element);
  }

  /** Edges of the target in mV, or null, and its published windows `{name, low_mv, high_mv}`. */
  setTarget(edges, windows) {
    this.edges = edges;
    this.windows = windows;
    this.range.rebase(edges);
    this.lens.clear();
    this.#measure(true);
  }

  /** The newest level of a channel as it came and as it is `shown`, with its extremes; null levels leave the rule empty. */
  take(channel, shown, extremes, nowMs) {
    Object.assign(this, { level: channel, aim: shown.aim, extremes });
    this.lens.follow(shown.number, shown.aim);
    const { peak_white_mv: mv, low_mv: low, high_mv: high } = channel;
    if (mv === null) return;
    this.range.hold(low ?? mv, high ?? mv, nowMs);
    if (!channel.held) this.trail.note(mv, nowMs, channel.path);
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
    if (!this.size?.width) return;
    const elapsed = this.glidedAt === null || calm ? Infinity : nowMs - this.glidedAt;
    this.glidedAt = nowMs;
    const glided = this.range.glide(elapsed);
    const opened = this.lens.glide(elapsed);
    this.scale = { lo: this.range.lo, hi: this.range.hi, lens: this.lens.on(this.range) };
    const engraved = glided || opened || !this.still || this.#aimLeftItsPlace();
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

  #measure(anew = false) {
    const { clientWidth, clientHeight } = this.element;
    if (!anew && this.size && clientWidth === this.size.width && clientHeight === this.size.height) return;
    this.size = layOut(clientWidth, clientHeight, this.windows.length);
    this.still = false;
  }

  #x(mv) {
    return xOf(mv, this.scale, this.size.width, this.size.pad);
  }

  #engrave() {
    this.still = true;
    this.engravedAim = this.aim;
    const { scale, edges, windows, aim } = this;
    this.flagSide = engrave(this.parts.engraving, this.size, { range: scale, edges, windows, aim });
    this.element.dataset.scale = scale.lens ? "opened" : "whole";
    this.#fit(this.size);
  }

  #fit({ top, bottom, lines, text, width, roomy }) {
    const { parts } = this;
    const { trail } = parts;
    const ratio = globalThis.devicePixelRatio || 1;
    this.band = bottom - top;
    const [wide, high] = [Math.round(width * ratio), Math.round(this.band * ratio)];
    if (trail.width !== wide || trail.height !== high) {
      Object.assign(trail, { width: wide, height: high });
      trail.style.width = `${width}px`;
      this.ink.setTransform(ratio, 0, 0, ratio, 0, 0);
    }
    trail.hidden = false; // it has its place now, and is never seen to move
    this.ink.strokeStyle = getComputedStyle(this.element).color;
    const box = (from, to, ...names) => {
      for (const name of names) Object.assign(parts[name].style, { top: `${from}px`, height: `${to - from}px` });
    };
    box(top, bottom, "trail");
    box(top - 4, bottom + 2, "slider", "beyond");
    box(top - 4, bottom + lines, "core");
    box(top - 6, bottom, "reference", "highest");
    box(top - 18, bottom, "aim");
    const thick = Math.min(22, Math.max(12, this.band * 0.4));
    const middle = (top + bottom) / 2;
    box(middle - thick / 2, middle + thick / 2, "leash");
    box(bottom - 11, bottom, "lowest-seen", "highest-seen");
    parts["aim-flag"].style.fontSize = `${text}px`;
    this.element.classList.toggle("roomy", roomy);
    this.at.clear();
  }

  // Moved only when they would be seen to move.
  #place() {
    const { level, parts } = this;
    const mv = level?.peak_white_mv ?? null;
    this.element.classList.toggle("empty", mv === null);
    if (mv === null) return;
    const low = level.low_mv ?? mv;
    const high = level.high_mv ?? mv;
    this.#span(parts.slider, this.#x(low), this.#x(high), 2);
    const half = level.u95_repeat_mv ?? 0;
    this.#span(parts.core, this.#x(mv - half), this.#x(mv + half), CORE_AT_LEAST_PX);
    this.#placeBeyond(low, high);
    this.#placeAim(this.aim, mv);
    this.#point(parts.reference, level.reference?.level_mv);
    this.#point(parts.highest, level.highest?.level_mv);
    this.#point(parts["lowest-seen"], this.extremes?.lowest);
    this.#point(parts["highest-seen"], this.extremes?.highest);
  }

  // The part of the slider that a harmful edge cuts off.
  #placeBeyond(low, high) {
    const { edges, parts: { beyond } } = this;
    const over = Boolean(edges) && high > edges.over;
    const under = Boolean(edges) && !over && low < edges.dim;
    beyond.hidden = !(over || under);
    beyond.classList.toggle("under", under);
    if (over) this.#span(beyond, this.#x(Math.max(low, edges.over)), this.#x(high), 0);
    if (under) this.#span(beyond, this.#x(low), this.#x(Math.min(high, edges.dim)), 0);
  }

  #placeAim(mv, level) {
    const { aim, "aim-flag": flag, leash } = this.parts;
    const there = (mv ?? null) !== null;
    this.#point(aim, mv);
    const [from, to] = there ? [this.#x(level), this.#x(mv)] : [0, 0];
    leash.hidden = !this.guides || Math.abs(to - from) < LEASH_FROM_PX;
    if (!leash.hidden) {
      leash.classList.toggle("down", to < from);
      this.#span(leash, Math.min(from, to), Math.max(from, to), 0);
    }
    if (!there) return;
    put(flag, `aim ${whole(mv)}`);
    flag.hidden = !this.flagSide;
    flag.classList.toggle("left", this.flagSide < 0);
  }

  #point(part, mv) {
    part.hidden = (mv ?? null) === null;
    if (!part.hidden) this.#move(part, this.#x(mv));
  }

  #move(part, x) {
    const was = this.at.get(part);
    if (was && Math.abs(x - was.x) < MOVED_PX) return;
    this.at.set(part, { x, width: was?.width });
    part.style.transform = `translateX(${x.toFixed(2)}px)`;
  }

  #span(part, left, right, atLeast) {
    const width = Math.max(atLeast, right - left);
    this.#move(part, (left + right - width) / 2);
    const was = this.at.get(part);
    if (was.width !== undefined && Math.abs(width - was.width) < MOVED_PX) return;
    was.width = width;
    part.style.width = `${width.toFixed(2)}px`;
  }

  // Time runs upward: now at the engraved line, ten seconds ago at the top of the band.
  #drawTrail() {
    const { ink, trail, band, size } = this;
    const samples = trail.mv;
    const last = samples.length - 1;
    ink.clearRect(0, 0, size.width, band);
    ink.lineWidth = size.roomy ? 3.5 : 2;
    ink.lineJoin = "round";
    const each = samples.length / TRAIL_STROKES;
    for (let stroke = 0; stroke < TRAIL_STROKES; stroke += 1) {
      ink.globalAlpha = 0.2 + 0.8 * (stroke / (TRAIL_STROKES - 1)) ** 1.5;
      ink.beginPath();
      let draw = "moveTo";
      for (let n = stroke * each; n <= Math.min(last, (stroke + 1) * each); n += 1) {
        const none = Number.isNaN(samples[n]);
        if (!none) ink[draw](this.#x(samples[n]), (band * n) / last);
        draw = none ? "moveTo" : "lineTo";
      }
      ink.stroke();
    }
  }
}
