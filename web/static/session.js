// What the page knows from the daemon's frames, and how old it is. No DOM; the clock is passed in (milliseconds).

import { Lag } from "./motion.js";
import { RateMeter } from "./pace.js";
import { Settled } from "./settled.js";

const STALE_AFTER_MS = 2000;
const LOST_AFTER_MS = 5000;

export class Session {
  hello = null;
  status = null;
  reading = null;
  readingAt = -Infinity;
  rate = new RateMeter();
  lag = new Lag();
  settled = new Settled();

  constructor(nowMs) {
    this.frameAt = nowMs;
  }

  /**
   * Take one frame of the live socket. Says what it was: "hello", "other-version" (the page's files are older or newer
   * than the daemon), "status", "reading", "old-reading" or "unknown".
   */
  receive(frame, nowMs) {
    this.frameAt = nowMs;
    if (frame.type === "hello") return this.#greet(frame);
    if (frame.type === "status") {
      this.status = frame;
      return "status";
    }
    if (frame.type === "reading") return this.#take(frame.reading, nowMs);
    return "unknown";
  }

  #greet(hello) {
    const before = this.hello;
    if (!before || before.run !== hello.run) {
      this.reading = null;
      this.readingAt = -Infinity;
      this.rate.clear();
      this.settled = new Settled();
    }
    this.lag.clear();
    this.status = null;
    this.hello = hello;
    return before && before.version !== hello.version ? "other-version" : "hello";
  }

  #take(reading, nowMs) {
    const old = this.reading;
    if (old && old.run === reading.run && reading.seq <= old.seq) return "old-reading";
    this.reading = reading;
    this.readingAt = nowMs;
    this.rate.note(nowMs);
    this.lag.note(reading, nowMs);
    this.settled.take(reading, nowMs);
    return "reading";
  }

  /** Nothing of any kind was heard for five seconds. */
  lost(nowMs) {
    return nowMs - this.frameAt >= LOST_AFTER_MS;
  }

  /** No reading came for two seconds. */
  silent(nowMs) {
    return nowMs - this.readingAt >= STALE_AFTER_MS;
  }

  /** The last reading is too old to trim by: it came long ago, or late. */
  stale(nowMs) {
    return Math.max(nowMs - this.readingAt + this.lag.late, this.lag.newest) >= STALE_AFTER_MS;
  }
}
