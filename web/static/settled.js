// What the page says of readings that come and go: states that last, levels that stay. No DOM; the clock is passed in.

import { LASTS_AFTER_MS, Lasting, SteadyNumber } from "./pace.js";
import { COLOURS, WHITE_ROLES } from "./roles.js";

// From good to bad. Between two bad ones that alternate the worse one is shown.
const SYNC_STATES = ["locked", "vertical-interval", "blanking-only", "none"];
const BESIDE = ["black_mv", "sync_mv", "burst_mv_pp", "average_mv"];

/** The readings of one set-up, settled: `sync` (null until it is known), `channels` in the order of the page, `match`, `hints`. */
export class Settled {
  constructor() {
    Object.assign(this, { byRole: new Map(), sync: new SettledSync(), match: new SettledMatch(), hints: new LastingHints(), setup: null, roles: [] });
  }

  take(reading, nowMs) {
    if (reading.setup !== this.setup) Object.assign(this, new Settled(), { setup: reading.setup });
    this.sync.take(reading.sync, nowMs);
    const roles = WHITE_ROLES.filter((role) => reading.channels.some((channel) => channel.role === role));
    for (const role of this.byRole.keys()) if (!roles.includes(role)) this.byRole.delete(role);
    for (const role of roles) {
      if (!this.byRole.has(role)) this.byRole.set(role, new SettledChannel());
      this.byRole.get(role).take(reading.channels.find((channel) => channel.role === role), nowMs);
    }
    this.match.take(reading, nowMs);
    this.hints.take(reading.hints, nowMs);
    this.roles = roles;
  }

  /** The channels that have a ruler, as they are to be shown. */
  channels() {
    return this.roles.map((role) => this.byRole.get(role).shown);
  }
}

/** A lock counts at once and until it was missed for a while; then the worst state of that while is shown. */
class SettledSync {
  constructor() {
    this.shown = null;
    this.rate = new SteadyNumber();
    this.seen = new Map(SYNC_STATES.map((state) => [state, { at: -Infinity, sync: null }]));
  }

  take(sync, nowMs) {
    this.firstAt ??= nowMs;
    this.seen.set(sync.state, { at: nowMs, sync });
    const lately = [...this.seen.values()].filter(({ at }) => nowMs - at < LASTS_AFTER_MS);
    if (lately[0].sync.state === "locked") this.#show(lately[0].sync, nowMs);
    else if (this.shown || nowMs - this.firstAt >= LASTS_AFTER_MS) this.#show(lately.at(-1).sync, nowMs);
  }

  // The line rate in steps of 10 Hz.
  #show(sync, nowMs) {
    const steps = this.rate.next(sync.line_rate_hz === null ? null : sync.line_rate_hz / 10, nowMs);
    this.shown = { ...sync, line_rate_khz: steps === null ? null : steps / 100 };
  }
}

/**
 * `shown` is the channel with `number` and `aim` as whole millivolts and the judgement that goes with them: noise of half a
 * millivolt changes none of it. A level that a single capture missed stays; `raw` is the newest one for the slider.
 */
class SettledChannel {
  constructor() {
    Object.assign(this, { liveAt: -Infinity, clippedAt: -Infinity, judged: null, raw: null, hints: new LastingHints() });
    Object.assign(this, { number: new SteadyNumber(), aim: new SteadyNumber(), judgement: new Lasting() });
    this.beside = Object.fromEntries(BESIDE.map((key) => [key, new SteadyNumber()]));
  }

  take(channel, nowMs) {
    const live = channel.peak_white_mv !== null && !channel.held;
    if (live) this.liveAt = nowMs;
    const gone = nowMs - this.liveAt >= LASTS_AFTER_MS;
    if (live || gone || !this.raw) this.raw = channel;
    if (channel.clipped) this.clippedAt = nowMs;
    this.#judge(this.raw, nowMs);
    const beside = Object.fromEntries(BESIDE.map((key) => [key, this.beside[key].next(this.raw[key] ?? null, nowMs)]));
    this.shown = {
      ...this.judged,
      ...beside,
      number: this.number.shown,
      aim: this.aim.shown,
      held: this.raw.held,
      age_s: this.raw.age_s,
      clipped: this.raw.peak_white_mv !== null && nowMs - this.clippedAt < LASTS_AFTER_MS,
      hints: this.hints.take(channel.hints, nowMs),
    };
  }

  // The judgement changes with the number, or when it has been another one for a while though the number stands.
  #judge(channel, nowMs) {
    const before = this.number.shown;
    const moved = this.number.next(channel.peak_white_mv, nowMs) !== before || !this.judged;
    this.aim.next(channel.aim_mv, nowMs);
    const now = `${channel.zone} ${channel.verdict} ${channel.decidable}`;
    const settled = this.judgement.next(now, nowMs, moved);
    const u95Moved = Math.abs((channel.u95_mv ?? 0) - (this.judged?.u95_mv ?? 0)) > 0.2 + 0.15 * (channel.u95_mv ?? 0);
    if (moved || (settled === now && (now !== this.judgedAs || u95Moved))) {
      this.judged = channel;
      this.judgedAs = now;
    }
  }
}

/**
 * The match of the three colours; `colours` says whether they are all in the hookup. Which are highest and lowest is told
 * where they lie further apart than the levels repeat; by one probe they are of readings that stand.
 */
class SettledMatch {
  constructor() {
    Object.assign(this, { spread: new SteadyNumber(), verdict: new Lasting(), seenAt: -Infinity, shown: null, colours: false });
  }

  take({ match, channels }, nowMs) {
    const of = (role) => channels.find((channel) => channel.role === role);
    this.colours = COLOURS.every(of);
    if (!match || match.spread_mv === null) {
      if (nowMs - this.seenAt >= LASTS_AFTER_MS) this.shown = null;
      return;
    }
    this.seenAt = nowMs;
    const before = this.spread.shown;
    const spread = this.spread.next(match.spread_mv, nowMs);
    const repeat = Math.hypot(of(match.highest)?.u95_repeat_mv ?? 0, of(match.lowest)?.u95_repeat_mv ?? 0);
    const named = match.method === "one-probe" || match.spread_mv > repeat;
    const now = `${match.ok} ${match.method} ${named && match.highest} ${named && match.lowest}`;
    const settled = this.verdict.next(now, nowMs, !this.shown);
    if (!this.shown || (settled === now && (settled !== this.shownAs || spread !== before))) {
      this.shown = named ? match : { ...match, highest: null, lowest: null };
      this.shownAs = now;
    }
    this.shown = { ...this.shown, spread_mv: spread };
  }
}

/** Hints that have lasted; one that comes and goes neither appears nor disappears. */
export class LastingHints {
  constructor() {
    this.known = new Map();
    this.shown = [];
  }

  take(hints, nowMs) {
    const here = new Map(hints.map((hint) => [`${hint.code} ${hint.text}`, hint]));
    for (const [key, hint] of here) if (!this.known.has(key)) this.known.set(key, { hint, lasting: new Lasting(false) });
    for (const [key, { lasting }] of this.known) {
      if (!lasting.next(here.has(key), nowMs) && !here.has(key)) this.known.delete(key);
    }
    this.shown = [...this.known.values()].filter(({ lasting }) => lasting.shown).map(({ hint }) => hint);
    return this.shown;
  }
}
