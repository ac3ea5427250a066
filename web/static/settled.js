// What the page says of readings that come and go: states that last, levels that stay. No DOM; the clock is passed in.

import { LASTS_AFTER_MS, Lasting, SteadyNumber } from "./pace.js";
import { BESIDE, COLOURS, WHITE_ROLES } from "./words.js";

// All from good to bad. Of bad ones that alternate the worse one is shown.
const SYNC_STATES = ["locked", "vertical-interval", "blanking-only", "none"];
const VERDICTS = ["leave-it", null, "unsure", "too-low", "over"];
const MATCHES = [true, null, false];

/** The readings of one set-up, settled: `sync` (null until it is known), `channels` in the order of the page, `match`, `hints`, and those `hintsOf` each channel by its name. */
export class Settled {
  byRole = new Map();
  sync = new SettledSync();
  match = new SettledMatch();
  hints = new LastingHints();
  hintsOf = new Map();
  setup = null;
  roles = [];

  take(reading, nowMs) {
    if (reading.setup !== this.setup) Object.assign(this, new Settled(), { setup: reading.setup });
    this.sync.take(reading.sync, nowMs);
    const of = (role) => reading.channels.find((channel) => channel.role === role);
    this.hints.take(reading.hints, nowMs);
    for (const { channel, hints } of reading.channels) {
      if (!this.hintsOf.has(channel)) this.hintsOf.set(channel, new LastingHints());
      this.hintsOf.get(channel).take(hints, nowMs);
    }
    const none = this.sync.shown?.state === "none";
    this.roles = WHITE_ROLES.filter(of);
    for (const role of this.roles) {
      if (!this.byRole.has(role)) this.byRole.set(role, new SettledChannel());
      this.byRole.get(role).take(of(role), nowMs, none, this.hintsOf.get(of(role).channel).shown);
    }
    this.match.take(reading, nowMs);
  }

  /** The channels that have a ruler, as they are to be shown. */
  channels() {
    return this.roles.map((role) => this.byRole.get(role).shown);
  }
}

/** What came in the last while, the newest of each kind, from good to bad. */
class Lately {
  seen = new Map();

  next(what, bad, nowMs) {
    this.seen.set(bad, { what, bad, at: nowMs });
    return [...this.seen.values()].filter(({ at }) => nowMs - at < LASTS_AFTER_MS).sort((a, b) => a.bad - b.bad);
  }
}

/**
 * A lock counts at once and until it was missed for a while; then the worst state of that while is shown. A lock among
 * records without sync, or with blanking only, proves no blanking.
 */
class SettledSync {
  shown = null;
  rate = new SteadyNumber();
  lately = new Lately();

  take(sync, nowMs) {
    this.firstAt ??= nowMs;
    const lately = this.lately.next(sync, SYNC_STATES.indexOf(sync.state), nowMs);
    const worst = lately.at(-1);
    const locked = !lately[0].bad;
    if (!locked && !this.shown && nowMs - this.firstAt < LASTS_AFTER_MS) return;
    const { what } = locked ? lately[0] : worst;
    // The line rate in steps of 10 Hz.
    const steps = this.rate.next(what.line_rate_hz === null ? null : what.line_rate_hz / 10, nowMs);
    const state = locked && worst.bad > 1 ? "blanking-only" : what.state;
    this.shown = { ...what, state, line_rate_khz: steps === null ? null : steps / 100 };
  }
}

/**
 * A number in whole millivolts, and `what` it is judged by: that of a number which moved by more than it repeats, else the
 * worst of the last while. Noise of half a millivolt changes neither.
 */
class Judged {
  number = new SteadyNumber();
  lately = new Lately();

  next(what, mv, repeatMv, bad, nowMs) {
    const before = this.number.shown;
    const number = this.number.next(mv, nowMs);
    this.moved = number === null || before === null || Math.abs(number - before) > repeatMv;
    if (this.moved) this.lately = new Lately();
    const worst = this.lately.next(what, bad, nowMs).at(-1);
    const u95 = worst.what.u95_mv ?? 0;
    if (this.moved || number !== before || worst.bad !== this.bad || Math.abs(u95 - (this.what.u95_mv ?? 0)) > 0.2 + 0.15 * u95) Object.assign(this, worst);
  }
}

/**
 * `shown` is the channel with `number` and `aim` as whole millivolts and the judgement that goes with them. A level that a
 * single capture missed stays; `raw` is the newest one for the slider.
 */
class SettledChannel {
  liveAt = -Infinity;
  clippedAt = -Infinity;
  raw = null;
  judged = new Judged();
  aim = new SteadyNumber();
  beside = BESIDE.map((key) => [key, new SteadyNumber()]);

  take(channel, nowMs, none, hints) {
    const live = channel.peak_white_mv !== null && !channel.held && !none;
    if (live) this.liveAt = nowMs;
    const gone = nowMs - this.liveAt >= LASTS_AFTER_MS;
    if (live || gone || !this.raw) this.raw = channel;
    if (channel.clipped) this.clippedAt = nowMs;
    const { raw } = this;
    this.judged.next(raw, raw.peak_white_mv, raw.u95_repeat_mv ?? 0, VERDICTS.indexOf(raw.verdict) + 9 * (raw.decidable === false), nowMs);
    this.shown = {
      ...this.judged.what,
      ...Object.fromEntries(this.beside.map(([key, steady]) => [key, steady.next(raw[key] ?? null, nowMs)])),
      number: this.judged.number.shown,
      aim: this.aim.next(raw.aim_mv, nowMs),
      held: raw.held || none,
      age_s: none && !raw.held ? (nowMs - this.liveAt) / 1000 : raw.age_s,
      clipped: raw.peak_white_mv !== null && nowMs - this.clippedAt < LASTS_AFTER_MS,
      hints,
    };
  }
}

/**
 * The match of the three colours; `colours` says whether they are all in the hookup. Which are highest and lowest is told
 * where they lie further apart than the levels repeat; by one probe they are of readings that stand.
 */
class SettledMatch {
  seenAt = -Infinity;
  shown = null;

  take({ match, channels }, nowMs) {
    const of = (role) => channels.find((channel) => channel.role === role);
    this.colours = COLOURS.every(of);
    if (!match || match.spread_mv === null) {
      if (nowMs - this.seenAt >= LASTS_AFTER_MS) this.shown = null;
      return;
    }
    this.seenAt = nowMs;
    if (!this.shown) Object.assign(this, { judged: new Judged(), names: new Lasting() });
    const { judged } = this;
    const repeat = Math.hypot(of(match.highest)?.u95_repeat_mv ?? 0, of(match.lowest)?.u95_repeat_mv ?? 0);
    judged.next(match, match.spread_mv, repeat, MATCHES.indexOf(match.ok), nowMs);
    const named = match.method === "one-probe" || match.spread_mv > repeat;
    const [highest, lowest] = this.names.next(named && match.highest ? `${match.highest} ${match.lowest}` : "", nowMs, judged.moved).split(" ");
    this.shown = { ...judged.what, spread_mv: judged.number.shown, highest, lowest };
  }
}

/** Hints that have lasted; one that comes and goes neither appears nor disappears. */
class LastingHints {
  known = new Map();
  shown = [];

  take(hints, nowMs) {
    const here = new Map(hints.map((hint) => [`${hint.code} ${hint.text}`, hint]));
    for (const [key, hint] of here) if (!this.known.has(key)) this.known.set(key, Object.assign(new Lasting(false), { hint }));
    for (const [key, one] of this.known) if (!one.next(here.has(key), nowMs) && !here.has(key)) this.known.delete(key);
    return (this.shown = [...this.known.values()].filter(({ shown }) => shown).map(({ hint }) => hint));
  }
}
