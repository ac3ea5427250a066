// How a level moves, how far it went, how old it is. No DOM, no clock of its own.

const TREND_OVER_MS = 1500;
const AT_LEAST = 3;
const CAPACITY = 256;

/**
 * Whether a level is steady, and since when. It moves once the trend over 1.5 s (or three readings, whichever is longer)
 * passes what it repeats to, at least 1 mV; it is steady again when the trend is below half of that.
 */
export class Motion {
  constructor() {
    this.at = new Float64Array(CAPACITY);
    this.mv = new Float64Array(CAPACITY);
    this.clear();
  }

  clear() {
    Object.assign(this, { count: 0, way: 0, since: null });
  }

  note(mv, repeatMv, nowMs) {
    this.at[this.count % CAPACITY] = nowMs;
    this.mv[this.count % CAPACITY] = mv;
    this.count += 1;
    this.since ??= nowMs;
    const change = this.#trend(nowMs);
    const limit = Math.max(1, 2 * (repeatMv ?? 0));
    const stirs = Math.abs(change) > (this.way === 0 ? limit : limit / 2);
    const way = stirs ? Math.sign(change) : 0;
    if (way !== this.way) {
      this.way = way;
      this.since = nowMs;
    }
  }

  /** What the straight line through the latest readings rises from the first of them to the last, in mV. */
  #trend(nowMs) {
    let [n, sumT, sumV, sumTT, sumTV, first] = [0, 0, 0, 0, 0, 0];
    while (n < Math.min(this.count, CAPACITY)) {
      const index = (this.count - 1 - n) % CAPACITY;
      const t = this.at[index] - nowMs;
      if (t < -TREND_OVER_MS && n >= AT_LEAST) break;
      const v = this.mv[index];
      n += 1;
      sumT += t;
      sumV += v;
      sumTT += t * t;
      sumTV += t * v;
      first = t;
    }
    const spread = n * sumTT - sumT * sumT;
    return spread > 0 ? ((n * sumTV - sumT * sumV) / spread) * -first : 0;
  }
}

/** Lowest, mean and highest level since the last reset, in mV. */
export class Extremes {
  constructor() {
    this.reset(null);
  }

  reset(nowMs) {
    Object.assign(this, { since: nowMs, count: 0, lowest: null, mean: null, highest: null });
  }

  note(mv, nowMs) {
    this.since ??= nowMs;
    this.count += 1;
    this.lowest = Math.min(this.lowest ?? mv, mv);
    this.highest = Math.max(this.highest ?? mv, mv);
    this.mean = this.mean + (mv - this.mean) / this.count;
  }
}

/** Whether a level is fresh: one came within a second, or within three usual intervals where these are longer. */
export class Freshness {
  at = null;
  intervals = [];

  note(nowMs) {
    if (this.at !== null) this.intervals = [...this.intervals.slice(-4), nowMs - this.at];
    this.at = nowMs;
  }

  /** A second or three intervals (the middle one of the last five counts), whichever is longer. */
  get forMs() {
    const sorted = [...this.intervals].sort((a, b) => a - b);
    const usual = sorted.length < 3 ? 0 : sorted[Math.floor(sorted.length / 2)];
    return Math.max(1000, 3 * usual);
  }

  fresh(nowMs) {
    return this.at !== null && nowMs - this.at < this.forMs;
  }
}

/** All three for every role, from readings as they come; what is held or clipped counts as no level, after a gap motion begins anew. */
export class Histories {
  byRole = new Map();
  source = null;

  clear() {
    this.byRole.clear();
  }

  of(role) {
    if (!this.byRole.has(role)) this.byRole.set(role, { motion: new Motion(), extremes: new Extremes(), freshness: new Freshness() });
    return this.byRole.get(role);
  }

  /** Another run or set-up, or another way by range or probe, begins anew: its levels are not on one scale with those before. */
  take(reading, nowMs) {
    const source = `${reading.run} ${reading.setup}`;
    if (source !== this.source) this.clear();
    this.source = source;
    for (const channel of reading.channels) {
      if (!channel.role || channel.peak_white_mv === null || channel.held) continue;
      const one = this.of(channel.role);
      if (!one.freshness.fresh(nowMs)) one.motion.clear();
      one.freshness.note(nowMs);
      if (channel.clipped) continue;
      if (one.path !== undefined && one.path !== channel.path) {
        one.motion.clear();
        one.extremes.reset(nowMs);
      }
      one.path = channel.path;
      one.motion.note(channel.peak_white_mv, channel.u95_repeat_mv, nowMs);
      one.extremes.note(channel.peak_white_mv, nowMs);
    }
  }

  reset(nowMs) {
    for (const { extremes } of this.byRole.values()) extremes.reset(nowMs);
  }
}

const BUCKET_MS = 5000;
const BUCKETS = 6;

/**
 * How long after its capture a reading is on the page. The clocks of page and daemon need not agree: what a reading took
 * beside fetching and measuring is compared with the least of the last half minute, so the network's shortest way is not in it.
 */
export class Lag {
  constructor() {
    this.clear();
  }

  clear() {
    this.least = [];
    this.mean = null;
    this.newest = this.late = 0;
  }

  /** A reading that comes at `nowMs`: `newest` is its lag, `late` the part of that which it does not take as a rule. */
  note({ captured_at: capturedAt, latency_ms: latency }, nowMs) {
    const worked = (latency?.fetch ?? 0) + (latency?.measure ?? 0);
    const rest = nowMs - Date.parse(capturedAt) - worked;
    if (Number.isNaN(rest)) return;
    const bucket = Math.floor(nowMs / BUCKET_MS);
    const last = this.least.at(-1);
    if (last?.bucket === bucket) last.rest = Math.min(last.rest, rest);
    else this.least = [...this.least.slice(1 - BUCKETS), { bucket, rest }];
    this.late = rest - Math.min(...this.least.map((one) => one.rest));
    this.newest = worked + this.late;
    this.mean = this.mean === null ? this.newest : this.mean + (this.newest - this.mean) * 0.1;
  }
}
