// The live socket: opens, listens, and comes back by itself. Socket, timers, clock and chance can be passed in.

import { retryDelayMs } from "./pace.js";

const SILENT_AFTER_MS = 8000;
const WATCH_EVERY_MS = 1000;
const NOT_SIGNED_IN = /^sign/; // "sign in first", "signed out"

/** The live socket's address beside the page's own, whatever path a proxy serves it under. */
export function liveUrl(pageUrl) {
  const url = new URL("api/v1/live", pageUrl);
  url.protocol = url.protocol === "https:" ? "wss:" : "ws:";
  url.hash = url.search = "";
  return url.href;
}

const REAL = {
  openSocket: (address) => new WebSocket(address),
  random: Math.random,
  now: () => performance.now(),
  later: (run, ms) => setTimeout(run, ms),
  every: (run, ms) => setInterval(run, ms),
};

export class LiveLink {
  constructor(url, onFrame, outside = {}) {
    Object.assign(this, { url, onFrame, onBytes() {}, onRefused: null, attempt: 0, socket: null, waiting: false }, REAL, outside);
  }

  start() {
    this.#open();
    this.every(() => this.#watch(), WATCH_EVERY_MS);
  }

  /** Do not wait any longer for the next attempt: the page is looked at again, or the network is back. */
  wake() {
    if (this.waiting) this.#open();
  }

  /** Send one object as a text frame; false where no socket is open to take it. */
  send(message) {
    if (this.socket?.readyState !== 1) return false;
    this.socket.send(JSON.stringify(message));
    return true;
  }

  #open() {
    this.waiting = false;
    this.heardAt = this.now();
    const socket = this.openSocket(this.url);
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    socket.onmessage = (event) => {
      if (socket === this.socket) this.#hear(event.data);
    };
    socket.onclose = (event) => {
      if (socket !== this.socket) return;
      if (!this.onRefused || !NOT_SIGNED_IN.test(event?.reason)) return this.#again();
      this.socket = null;
      this.waiting = true;
      this.onRefused();
    };
  }

  #hear(data) {
    this.heardAt = this.now();
    if (typeof data !== "string") {
      this.onBytes(data);
      return;
    }
    const frame = JSON.parse(data);
    if (frame.type === "hello") this.attempt = 0;
    this.onFrame(frame);
  }

  #again() {
    this.socket = null;
    this.waiting = true;
    const attempt = this.attempt;
    this.attempt += 1;
    this.later(() => {
      if (this.waiting && this.attempt === attempt + 1) this.#open();
    }, retryDelayMs(attempt, this.random));
  }

  /** A socket that is open but silent (a cable pulled, a daemon stopped) never closes by itself. */
  #watch() {
    if (!this.socket || this.now() - this.heardAt < SILENT_AFTER_MS) return;
    const silent = this.socket;
    this.#again();
    silent.close();
  }
}
