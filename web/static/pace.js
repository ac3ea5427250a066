// Small rules of pace: how often, how steady, when again. No DOM, no clock of its own.

/** A state that comes and goes with single captures is said only after it has lasted this long. */
export const LASTS_AFTER_MS = 1500;

/** One step of a glide from `value` to `goal`, of `part` of the time that it takes; it is there when it is `close`. */
export function eased(value, goal, part, close) {
  const next = value + (goal - value) * (1 - Math.exp(-part));
  return Math.abs(goal - next) <= close ? goal : next;
}

/** Milliseconds to wait before attempt number `attempt` (0, 1, 2, …): doubling, at most 5 s, 25 % either way by chance. */
export const retryDelayMs = (attempt, random) => Math.min(5000, 250 * 2 ** Math.min(attempt, 10)) * (0.75 + 0.5 * random());

/** Counts events over the last three seconds. */
export class RateMeter {
  at = [];

  clear() {
    this.at = [];
  }

  note(nowMs) {
    this.at = [...this.at.filter((at) => nowMs - at <= 3000), nowMs];
  }

  /** Events a second; 0 without two of them. */
  perSecond(nowMs) {
    const lately = this.at.filter((at) => nowMs - at <= 3000);
    const spread = Math.max(...lately) - Math.min(...lately);
    return spread > 0 ? ((lately.length - 1) * 1000) / spread : 0;
  }
}

const MEAN_OVER_MS = 1000;

/**
 * A whole number that stays while its value swings about it by `holdWithin`: noise of half a unit never changes it. It
 * still settles to within `settleWithin` of the mean over a second, so that a small turn of a trimmer shows.
 */
export class SteadyNumber {
  shown = null;

  constructor(holdWithin = 1.05, settleWithin = 0.7) {
    Object.assign(this, { holdWithin, settleWithin });
  }

  next(value, nowMs) {
    if (value === null) {
      this.shown = null;
    } else if (this.shown === null || Math.abs(value - this.shown) > this.holdWithin) {
      this.#show(value, nowMs);
    } else {
      this.mean += (value - this.mean) * (1 - Math.exp((this.at - nowMs) / MEAN_OVER_MS));
      this.at = nowMs;
      if (Math.abs(this.mean - this.shown) > this.settleWithin) this.#show(this.mean, nowMs);
    }
    return this.shown;
  }

  #show(value, nowMs) {
    this.shown = Math.round(value);
    this.mean = value;
    this.at = nowMs;
  }
}

/** A value that changes only when another one has come without a break for that long, or `atOnce`; the first counts at once. */
export class Lasting {
  constructor(shown = undefined) {
    this.shown = this.rival = shown;
  }

  next(value, nowMs, atOnce = false) {
    if (value !== this.rival) {
      this.rival = value;
      this.since = nowMs;
    }
    if (atOnce || this.shown === undefined || nowMs - this.since >= LASTS_AFTER_MS) this.shown = value;
    return this.shown;
  }
}

/** Lets at most one text through in two seconds; of those that come too early the last one waits. */
export class Announcements {
  saidAt = -Infinity;
  said = null;
  waiting = null;

  offer(text) {
    this.waiting = text === this.said ? null : text;
  }

  /** The text to say now, or null. */
  due(nowMs) {
    if (this.waiting === null || nowMs - this.saidAt < 2000) return null;
    this.said = this.waiting;
    this.saidAt = nowMs;
    this.waiting = null;
    return this.said;
  }
}

/** Sends values one at a time; while one is on its way only the newest is kept. `send` returns a promise. */
export class NewestWins {
  constructor(send) {
    Object.assign(this, { send, busy: false, pending: undefined });
  }

  async put(value) {
    this.pending = value;
    if (this.busy) return;
    this.busy = true;
    try {
      while (this.pending !== undefined) {
        const next = this.pending;
        this.pending = undefined;
        await this.send(next);
      }
    } finally {
      this.busy = false;
    }
  }
}

const BIN_MS = 50;
const BRIDGE_BINS = 40;

/**
 * Where a level has been in the last ten seconds: one sample in 50 ms, NaN where there was none. Oldest first. It breaks
 * off where the level came another way than before, by another range or probe: the two are not on one scale.
 */
export class Trail {
  mv = new Float64Array(200);

  constructor() {
    this.clear();
  }

  clear() {
    this.mv.fill(NaN);
    this.bin = null;
    this.path = undefined;
  }

  /**
   * A level seen at `nowMs`, by what `path`; the last of a bin counts. From one less than two seconds ago the trail runs on
   * straight.
   */
  note(mv, nowMs, path = null) {
    this.age(nowMs);
    this.bin ??= Math.floor(nowMs / BIN_MS);
    const last = this.mv.length - 1;
    if (path !== this.path) {
      Object.assign(this, { path, begun: this.bin });
      this.mv[last - 1] = NaN;
    }
    const earliest = last - Math.min(BRIDGE_BINS, this.bin - this.begun);
    let from = last - 1;
    while (from > earliest && Number.isNaN(this.mv[from])) from -= 1;
    const start = from < earliest ? NaN : this.mv[from];
    this.mv[last] = mv;
    if (Number.isNaN(start)) return;
    for (let n = from + 1; n < last; n += 1) this.mv[n] = start + ((mv - start) * (n - from)) / (last - from);
  }

  /** Let the trail grow old without a new level. */
  age(nowMs) {
    if (this.bin === null) return;
    const bin = Math.floor(nowMs / BIN_MS);
    const steps = Math.min(this.mv.length, Math.max(0, bin - this.bin));
    if (steps === 0) return;
    this.mv.copyWithin(0, steps);
    this.mv.fill(NaN, this.mv.length - steps);
    this.bin = bin;
  }
}
