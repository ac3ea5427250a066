// The stretch of a ruler that opens up around the aim as the level comes near, so that one millivolt shows. No DOM.

import { eased } from "./pace.js";

/** The stretch reaches this far to either side of its middle, in mV. */
export const HALF_MV = 12;
const OPENS_WITHIN_MV = 9;
const CLOSES_BEYOND_MV = 12;
const FOLLOWS_BEYOND_MV = 3;
const SHARE = 0.52;
const OPEN_EASE_MS = 170;

/**
 * Opens when the level is within 9 mV of the aim and closes when it is over 12 mV away; between the two it stays as it
 * is. It follows the aim only where this has gone more than 3 mV, and glides there.
 */
export class Lens {
  constructor() {
    this.clear();
  }

  clear() {
    Object.assign(this, { wanted: false, open: 0, middle: null, goal: null });
  }

  /** Level and aim in mV; with neither it closes. */
  follow(level, aim) {
    const away = level === null || aim === null ? Infinity : Math.abs(level - aim);
    this.wanted = away <= (this.wanted ? CLOSES_BEYOND_MV : OPENS_WITHIN_MV);
    if (away === Infinity) return;
    if (this.goal === null || this.open === 0 || Math.abs(aim - this.goal) > FOLLOWS_BEYOND_MV) this.goal = aim;
    if (this.middle === null || this.open === 0) this.middle = this.goal;
  }

  /** Move on by `elapsedMs`; Infinity arrives at once. True if anything moved. */
  glide(elapsedMs) {
    const open = this.wanted ? 1 : 0;
    if (this.open === open && this.middle === this.goal) return false;
    this.open = eased(this.open, open, elapsedMs / OPEN_EASE_MS, 0.002);
    if (this.middle !== null) this.middle = eased(this.middle, this.goal, elapsedMs / OPEN_EASE_MS, 0.02);
    return true;
  }

  /**
   * The stretch `{from, to, share}` on a ruler that shows lo to hi mV: its ends in mV and what part of the length it
   * takes; null while it is closed or lies not wholly on the ruler.
   */
  on({ lo, hi }) {
    if (this.open === 0) return null;
    const from = this.middle - HALF_MV;
    const to = this.middle + HALF_MV;
    if (from <= lo || to >= hi) return null;
    const own = (to - from) / (hi - lo);
    return own >= SHARE ? null : { from, to, share: own + (SHARE - own) * this.open };
  }
}
