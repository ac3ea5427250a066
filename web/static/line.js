// The Line view: asks for the averaged line while it shows, takes hands and keys, and draws when something changed.

import { covers, parseLines, requestFor } from "./linedata.js";
import { LineDrawing, readoutLevels } from "./linedraw.js";
import { LineWindow } from "./linewindow.js";
import { nameOf, timeWords, toldWords, whyWords } from "./linewords.js";

const ASK_EVERY_MS = 120;
const STALE_MS = 2000;
const HOLD_MS = 2000;
const WORDS_EVERY_MS = 250;
const TAP_PX = 6;

export class LineView {
  /** `send` takes one object to the daemon, false where nobody took it. */
  constructor(section, send, outside = {}) {
    this.section = section;
    this.send = send;
    this.now = outside.now ?? (() => performance.now());
    this.parts = Object.fromEntries(["roles", "singles", "canvas", "why", "readout", "told", "said", "plate"].map((name) => [name, section.querySelector(`[data-line-${name}]`)]));
    this.window = new LineWindow();
    this.drawing = new LineDrawing(this.parts.canvas);
    Object.assign(this, { shown: false, whole: null, near: null, takenAt: -Infinity, seenAt: -Infinity, asked: null, askedAt: -Infinity });
    Object.assign(this, { focused: null, cursorUs: null, dirty: true, wordsAt: -Infinity, pointers: new Map(), drewAt: null });
    this.#listen();
    new ResizeObserver(() => this.#measure()).observe(this.parts.plate);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
      this.drawing.recolour();
      this.dirty = true;
    });
  }

  /** The view is looked at, or no longer: then the daemon need compute nothing. */
  show(shown) {
    if (shown === this.shown) return;
    this.shown = shown;
    if (!shown && this.asked) this.send({ type: "lines", width: 0 });
    this.greet();
  }

  /** A new connection knows nothing of what was asked before. */
  greet() {
    this.asked = null;
    this.dirty = true;
  }

  /** Take a binary frame. */
  take(buffer) {
    if (!this.shown) return;
    const frame = parseLines(buffer);
    if (this.#isBetweenPictures(frame)) return;
    const [from, to] = frame.whole_us;
    this.window.setWhole(from, to);
    if (covers(frame, from, to)) this.whole = frame;
    this.near = frame;
    this.takenAt = this.now();
    this.dirty = true;
  }

  /** A capture of the vertical interval shows no picture: what was seen just before stays, as the number does. */
  #isBetweenPictures(frame) {
    const seen = frame.channels.some((channel) => channel.level_mv !== null);
    if (seen) this.seenAt = this.now();
    return !seen && this.now() - this.seenAt < HOLD_MS;
  }

  /** Once an animation frame: `reading` is the newest one. */
  draw(nowMs, { reading, patternWhitePct = 100, calm = false }) {
    if (!this.shown || !this.drawing.width) return;
    this.#ask(nowMs);
    const { window } = this;
    const frame = this.#frame();
    const elapsedMs = this.drewAt === null || calm ? Infinity : nowMs - this.drewAt;
    this.drewAt = nowMs;
    const stale = nowMs - this.takenAt > STALE_MS;
    const moved = window.glide(elapsedMs);
    if (frame && (moved || this.dirty || stale !== this.stale)) {
      this.stale = stale;
      this.#lay(frame);
      const { focused, cursorUs } = this;
      this.dirty = this.drawing.draw({ frame, window, focused, cursorUs, reading, elapsedMs, stale });
    }
    if (nowMs - this.wordsAt >= WORDS_EVERY_MS) this.#say(frame, nowMs, patternWhitePct);
  }

  /** The newest frame that shows all that is in sight. */
  #frame() {
    const { now } = this.window;
    return this.near && covers(this.near, now.from, now.to) ? this.near : (this.whole ?? this.near);
  }

  #ask(nowMs) {
    if (nowMs - this.askedAt < ASK_EVERY_MS) return;
    const request = requestFor(this.window, (this.drawing.right - this.drawing.left) * Math.min(2, this.drawing.ratio), Number(this.parts.singles.value));
    const text = JSON.stringify(request);
    if (text === this.asked || !this.send(request)) return;
    this.asked = text;
    this.askedAt = nowMs;
  }

  #say(frame, nowMs, patternWhitePct) {
    this.wordsAt = nowMs;
    const { why, told } = this.parts;
    const main = frame?.channels.find(({ role }) => role === this.focused) ?? frame?.channels[0];
    const since = Math.round((nowMs - this.takenAt) / 1000);
    if (!main) put(why, "Waiting for a line: it shows as soon as line sync is found.");
    else if (this.stale) put(why, `No new line for ${since}\u00a0s: this is the last one.`);
    else put(why, whyWords(main, patternWhitePct));
    const { from, to } = this.window.now;
    Object.assign(this.parts.plate.dataset, { fromUs: from.toFixed(3), toUs: to.toFixed(3) });
    put(told, frame ? toldWords(frame, patternWhitePct) : "");
    this.#readout(frame);
    if (this.stepped) put(this.parts.said, this.parts.readout.textContent);
    this.stepped = false;
  }

  #readout(frame) {
    const { readout } = this.parts;
    const { cursorUs } = this;
    if (!frame || cursorUs === null) {
      put(readout, frame ? `Mean of ${frame.lines} lines. Point at the line, or press the arrow keys, for times and levels.` : "\u00a0");
      return;
    }
    const levels = readoutLevels(frame, cursorUs).map(({ name, words }) => `${name}\u00a0${words}`);
    put(readout, [timeWords(cursorUs, 1 / this.drawing.across(this.window).perUnit), ...levels].join(" · "));
  }

  #lay({ channels }) {
    const names = channels.map(({ channel, role }) => `${channel} ${role}`).join();
    if (names === this.names) return;
    this.names = names;
    const buttons = channels.map((channel) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = nameOf(channel);
      button.dataset.lineRole = channel.role ?? channel.channel;
      button.addEventListener("click", () => this.#focus(channel.role));
      return button;
    });
    this.parts.roles.replaceChildren(...buttons);
    this.#focus(channels.some(({ role }) => role === this.focused) ? this.focused : channels[0].role);
  }

  #focus(role) {
    this.focused = role;
    for (const button of this.parts.roles.children) button.setAttribute("aria-pressed", String(button.dataset.lineRole === role));
    this.#changed();
  }

  #changed() {
    this.dirty = true;
    this.wordsAt = -Infinity;
  }

  #measure() {
    const { clientWidth, clientHeight } = this.parts.plate;
    if (!clientWidth || !clientHeight) return;
    this.drawing.resize(clientWidth, clientHeight, globalThis.devicePixelRatio || 1);
    this.dirty = true;
  }

  #listen() {
    const { canvas, singles } = this.parts;
    for (const button of this.section.querySelectorAll("[data-line-zoom]")) button.addEventListener("click", () => this.#zoom(Number(button.dataset.lineZoom)));
    singles.addEventListener("change", () => this.#changed());
    canvas.addEventListener("keydown", (event) => this.#key(event));
    canvas.addEventListener("wheel", (event) => this.#wheel(event), { passive: false });
    canvas.addEventListener("pointerdown", (event) => this.#down(event));
    canvas.addEventListener("pointermove", (event) => this.#move(event));
    for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, (event) => this.#up(event));
    canvas.addEventListener("pointerleave", (event) => {
      if (event.pointerType === "mouse" && !this.pointers.size && document.activeElement !== canvas) this.#point(null);
    });
  }

  /** Zoom about the readout, or the middle; 0 shows the whole line. */
  #zoom(factor) {
    if (factor) this.window.zoom(factor, this.cursorUs ?? undefined);
    else this.window.all();
    this.#changed();
  }

  #point(us) {
    this.cursorUs = us;
    this.#changed();
  }

  #key(event) {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const { goal } = this.window;
    const step = (goal.to - goal.from) * (event.shiftKey ? 0.1 : 0.01);
    const at = this.cursorUs ?? (goal.from + goal.to) / 2;
    const acts = {
      ArrowLeft: () => this.#step(at - step), ArrowRight: () => this.#step(at + step),
      Home: () => this.#step(this.window.whole.from), End: () => this.#step(this.window.whole.to),
      ArrowUp: () => this.#beside(-1), ArrowDown: () => this.#beside(1),
      "+": () => this.#zoom(0.5), "=": () => this.#zoom(0.5), "-": () => this.#zoom(2), "−": () => this.#zoom(2), 0: () => this.#zoom(0),
      Escape: () => this.#point(null),
    };
    if (!acts[event.key]) return;
    event.preventDefault();
    event.stopPropagation();
    acts[event.key]();
  }

  #step(us) {
    const { whole } = this.window;
    this.#point(Math.min(Math.max(us, whole.from), whole.to));
    this.window.reveal(this.cursorUs);
    this.stepped = true;
  }

  #beside(by) {
    const channels = this.#frame()?.channels ?? [];
    const next = channels[channels.findIndex(({ role }) => role === this.focused) + by];
    if (next) this.#focus(next.role);
  }

  #wheel(event) {
    event.preventDefault();
    const x = this.drawing.across(this.window);
    if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) this.window.pan(event.deltaX / x.perUnit);
    else this.window.zoom(Math.exp(event.deltaY * (event.deltaMode ? 0.05 : 0.0018)), x.value(event.offsetX));
    this.#changed();
  }

  #down(event) {
    this.parts.canvas.setPointerCapture(event.pointerId);
    this.pointers.set(event.pointerId, { x: event.offsetX, from: event.offsetX, y: event.offsetY });
  }

  #move(event) {
    const held = this.pointers.get(event.pointerId);
    const x = this.drawing.across({ now: this.window.goal });
    if (!held) {
      this.#point(event.offsetX >= this.drawing.left ? x.value(event.offsetX) : null);
      return;
    }
    const others = [...this.pointers.values()].filter((one) => one !== held);
    if (others.length === 1) this.#pinch(x, held.x, event.offsetX, others[0].x);
    else if (!others.length && Math.abs(event.offsetX - held.from) > TAP_PX) held.dragged = true;
    if (held.dragged && !others.length) this.window.pan((held.x - event.offsetX) / x.perUnit);
    if (others.length) held.dragged = true;
    held.x = event.offsetX;
    this.#changed();
  }

  /** Two fingers: what is under each of them stays there. */
  #pinch(x, before, after, other) {
    const apart = (px) => Math.max(20, Math.abs(px - other));
    this.window.zoom(apart(before) / apart(after), x.value(other));
  }

  #up(event) {
    const held = this.pointers.get(event.pointerId);
    this.pointers.delete(event.pointerId);
    if (!held || held.dragged || event.type === "pointercancel") return;
    const lane = this.drawing.laneAt(held.y);
    const channel = this.#frame()?.channels[lane];
    if (channel) this.#focus(channel.role);
    this.#point(this.drawing.across(this.window).value(held.x));
  }
}

function put(element, words) {
  if (element.textContent !== words) element.textContent = words;
}
