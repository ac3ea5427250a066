// The Line view: asks for the averaged line while it shows, takes hands and keys, and draws when something changed.

import { partsOf, put } from "./dom.js";
import { covers, parseLines, requestFor } from "./linedata.js";
import { LineDrawing } from "./linedraw.js";
import { LineWindow } from "./linewindow.js";
import { nameOf, readoutWords, toldWords, whyWords } from "./linewords.js";

const ASK_EVERY_MS = 120;
const STALE_MS = 2000;
const HOLD_MS = 2000;
const WORDS_EVERY_MS = 250;
const TAP_PX = 6;
const PARTS = ["roles", "singles", "canvas", "why", "readout", "told", "said", "plate"];

const now = () => performance.now();

export class LineView {
  window = new LineWindow();
  focused = null;
  cursorUs = null;
  #whole = null; // the newest frame of the whole line
  #near = null; // the newest frame
  #shown = false;
  #asked = null;
  #dirty = true;
  #drewAt = null;
  #takenAt = -Infinity;
  #seenAt = -Infinity;
  #askedAt = -Infinity;
  #wordsAt = -Infinity;
  #pointers = new Map();
  #parts;
  #drawing;
  #stale;
  #stepped;
  #names;

  /** `send` takes one object to the daemon, false where nobody took it. */
  constructor(section, send) {
    this.send = send;
    this.#parts = partsOf(section, PARTS, "line-");
    this.canvas = this.#parts.canvas;
    this.#drawing = new LineDrawing(this.canvas);
    this.#listen(section);
    new ResizeObserver(() => this.#measure()).observe(this.#parts.plate);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
      this.#drawing.recolour();
      this.#dirty = true;
    });
  }

  /** The view is looked at, or no longer: then the daemon need compute nothing. */
  show(shown) {
    if (this.#shown && !shown && this.#asked) this.send({ type: "lines", width: 0 });
    this.#shown = shown;
    this.greet();
  }

  /** A new connection knows nothing of what was asked before. */
  greet() {
    this.#asked = null;
    this.#dirty = true;
  }

  /** Take a binary frame; one of the vertical interval shows no picture: what was seen just before stays, as the number does. */
  take(buffer) {
    if (!this.#shown) return;
    const frame = parseLines(buffer);
    if (frame.channels.some((channel) => channel.level_mv !== null)) this.#seenAt = now();
    else if (now() - this.#seenAt < HOLD_MS) return;
    const [from, to] = frame.whole_us;
    this.window.setWhole(from, to);
    if (covers(frame, from, to)) this.#whole = frame;
    this.#near = frame;
    this.#takenAt = now();
    this.#dirty = true;
  }

  /** Once an animation frame: `reading` is the newest one. */
  draw(nowMs, { reading, patternWhitePct = 100, calm = false }) {
    if (!this.#shown || !this.#drawing.width) return;
    if (nowMs - this.#askedAt >= ASK_EVERY_MS) this.#ask(nowMs);
    const { window, focused, cursorUs } = this;
    const frame = this.#frame();
    const elapsedMs = this.#drewAt === null || calm ? Infinity : nowMs - this.#drewAt;
    this.#drewAt = nowMs;
    const stale = nowMs - this.#takenAt > STALE_MS;
    const moved = window.glide(elapsedMs);
    this.#dirty ||= stale !== this.#stale;
    this.#stale = stale;
    this.#parts.plate.classList.toggle("held", Boolean(frame) && stale);
    if (frame && (moved || this.#dirty)) {
      this.#lay(frame.channels);
      this.#dirty = this.#drawing.draw({ frame, window, focused, cursorUs, reading, patternWhitePct, held: stale, elapsedMs });
    }
    if (nowMs - this.#wordsAt >= WORDS_EVERY_MS) this.#say(frame, nowMs, patternWhitePct);
  }

  // The newest frame that shows all that is in sight.
  #frame() {
    const { from, to } = this.window.now;
    return this.#near && covers(this.#near, from, to) ? this.#near : (this.#whole ?? this.#near);
  }

  #ask(nowMs) {
    const { right, left, ratio } = this.#drawing;
    const request = requestFor(this.window, (right - left) * Math.min(2, ratio), Number(this.#parts.singles.value));
    const text = JSON.stringify(request);
    if (text === this.#asked || !this.send(request)) return;
    this.#asked = text;
    this.#askedAt = nowMs;
  }

  #say(frame, nowMs, patternWhitePct) {
    const { why, told, said, readout, plate } = this.#parts;
    const { window, cursorUs } = this;
    this.#wordsAt = nowMs;
    const { from, to } = window.now;
    Object.assign(plate.dataset, { fromUs: from.toFixed(3), toUs: to.toFixed(3) });
    if (!frame) {
      put(why, "Waiting for a line: it shows as soon as line sync is found.");
      return;
    }
    const main = frame.channels.find(({ role }) => role === this.focused) ?? frame.channels[0];
    put(why, this.#stale ? `No new line for ${Math.round((nowMs - this.#takenAt) / 1000)}\u00a0s: this is the last one.` : whyWords(main, patternWhitePct));
    put(told, toldWords(frame, patternWhitePct));
    if (cursorUs === null) put(readout, `Mean of ${frame.lines} lines. Point at the line, or press the arrow keys, for times and levels.`);
    else put(readout, readoutWords(frame, cursorUs, 1 / this.#drawing.across(window.now).perUnit));
    if (this.#stepped) put(said, readout.textContent);
    this.#stepped = false;
  }

  // A button for every channel.
  #lay(channels) {
    const names = channels.map(({ channel, role }) => `${channel} ${role}`).join();
    if (names === this.#names) return;
    this.#names = names;
    this.#parts.roles.replaceChildren(...channels.map((channel) => {
      const button = Object.assign(document.createElement("button"), { type: "button", textContent: nameOf(channel) });
      button.dataset.lineRole = channel.role ?? channel.channel;
      button.addEventListener("click", () => this.#focus(channel.role));
      return button;
    }));
    this.#focus(channels.some(({ role }) => role === this.focused) ? this.focused : channels[0].role);
  }

  #focus(role) {
    this.focused = role;
    for (const button of this.#parts.roles.children) button.setAttribute("aria-pressed", String(button.dataset.lineRole === role));
    this.#changed();
  }

  #changed() {
    this.#dirty = true;
    this.#wordsAt = -Infinity;
  }

  #measure() {
    const { clientWidth, clientHeight } = this.#parts.plate;
    if (!clientWidth || !clientHeight) return;
    this.#drawing.resize(clientWidth, clientHeight, globalThis.devicePixelRatio || 1);
    this.#dirty = true;
  }

  #listen(section) {
    const { canvas } = this;
    for (const button of section.querySelectorAll("[data-line-zoom]")) button.addEventListener("click", () => this.#zoom(Number(button.dataset.lineZoom)));
    this.#parts.singles.addEventListener("change", () => this.#changed());
    const on = (names, run) => names.forEach((name) => canvas.addEventListener(name, (event) => run.call(this, event), { passive: false }));
    on(["keydown"], this.#key);
    on(["wheel"], this.#wheel);
    on(["pointerdown"], this.#down);
    on(["pointermove"], this.#move);
    on(["pointerup", "pointercancel"], this.#up);
    on(["pointerleave"], ({ pointerType }) => {
      if (pointerType === "mouse" && !this.#pointers.size && document.activeElement !== canvas) this.#point(null);
    });
  }

  // Zoom about the readout, or the middle; 0 shows the whole line.
  #zoom(factor) {
    this.window.zoom(factor || Infinity, this.cursorUs ?? undefined);
    this.#changed();
  }

  #point(us) {
    this.cursorUs = us;
    this.#changed();
  }

  #key(event) {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const { goal, whole } = this.window;
    const step = (goal.to - goal.from) * (event.shiftKey ? 0.1 : 0.01);
    const at = this.cursorUs ?? (goal.from + goal.to) / 2;
    const steps = { ArrowLeft: at - step, ArrowRight: at + step, Home: whole.from, End: whole.to };
    const beside = { ArrowUp: -1, ArrowDown: 1 };
    const zooms = { "+": 0.5, "=": 0.5, "-": 2, "−": 2, 0: 0 };
    const { key } = event;
    if (key in steps) this.#step(steps[key]);
    else if (key in beside) this.#beside(beside[key]);
    else if (key in zooms) this.#zoom(zooms[key]);
    else if (key === "Escape") this.#point(null);
    else return;
    event.preventDefault();
    event.stopPropagation();
  }

  #step(us) {
    const { whole } = this.window;
    this.#point(Math.min(Math.max(us, whole.from), whole.to));
    this.window.reveal(this.cursorUs);
    this.#stepped = true;
  }

  #beside(by) {
    const channels = this.#frame()?.channels ?? [];
    const next = channels[channels.findIndex(({ role }) => role === this.focused) + by];
    if (next) this.#focus(next.role);
  }

  #wheel(event) {
    event.preventDefault();
    const { deltaX, deltaY, deltaMode, offsetX } = event;
    const x = this.#drawing.across(this.window.now);
    if (Math.abs(deltaX) > Math.abs(deltaY)) this.window.pan(deltaX / x.perUnit);
    else this.window.zoom(Math.exp(deltaY * (deltaMode ? 0.05 : 0.0018)), x.value(offsetX));
  }

  #down({ pointerId, offsetX: x, offsetY: y }) {
    this.canvas.setPointerCapture(pointerId);
    this.#pointers.set(pointerId, { x, from: x, y });
  }

  // One hand drags; of two fingers, what is under each of them stays there.
  #move({ pointerId, offsetX }) {
    const held = this.#pointers.get(pointerId);
    const x = this.#drawing.across(this.window.goal);
    if (!held) {
      this.#point(offsetX >= this.#drawing.left ? x.value(offsetX) : null);
      return;
    }
    const other = [...this.#pointers.values()].find((one) => one !== held);
    held.dragged ||= Boolean(other) || Math.abs(offsetX - held.from) > TAP_PX;
    const apart = (px) => Math.max(20, Math.abs(px - other.x));
    if (other) this.window.zoom(apart(held.x) / apart(offsetX), x.value(other.x));
    else if (held.dragged) this.window.pan((held.x - offsetX) / x.perUnit);
    held.x = offsetX;
  }

  #up({ pointerId, type }) {
    const held = this.#pointers.get(pointerId);
    this.#pointers.delete(pointerId);
    if (!held || held.dragged || type === "pointercancel") return;
    const lane = this.#drawing.lanes.findIndex(({ top, bottom }) => held.y >= top && held.y <= bottom);
    const channel = this.#frame()?.channels[lane];
    if (channel) this.#focus(channel.role);
    this.#point(this.#drawing.across(this.window.now).value(held.x));
  }
}
