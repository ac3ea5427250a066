// The stretch of a ruler that opens up around the aim as the level comes near, so that one millivolt shows. No DOM.

/** The stretch reaches this far to either side of its middle, in mV. */
export const HALF_MV = 12;
const OPENS_WITHIN_MV = 9;
const CLOSES_BEYOND_MV = 12;
const FOLLOWS_BEYOND_MV = 3;
const SHARE = 0.52;
const EASE_MS = 170;
const ARRIVED = 0.002;

/**
 * Opens when the level is within 9 mV of the aim and closes when it is over 12 mV away; between the two it stays as it
 * is. It follows the aim only where this has gone more than 3 mV, and glides there.
 */
export class Lens {
  constructor() {
    this.clear();
  }

  clear() {
    this.wanted = false;
    this.open = 0;
    this.middle = null;
    this.goal = null;
  }

  /** Level and aim in mV; with neither it closes. */
  follow(level, aim) {
    if (level === null || aim === null) {
      this.wanted = false;
      return;
    }
    const away = Math.abs(level - aim);
    if (away <= OPENS_WITHIN_MV) this.wanted = true;
    else if (away > CLOSES_BEYOND_MV) this.wanted = false;
    if (this.goal === null || this.open === 0 || Math.abs(aim - this.goal) > FOLLOWS_BEYOND_MV) this.goal = aim;
    if (this.middle === null || this.open === 0) this.middle = this.goal;
  }

  /** Move on by `elapsedMs`; Infinity arrives at once. True if anything moved. */
  glide(elapsedMs) {
    const open = this.wanted ? 1 : 0;
    if (this.open === open && this.middle === this.goal) return false;
    const part = 1 - Math.exp(-elapsedMs / EASE_MS);
    this.open = near(this.open + (open - this.open) * part, open, ARRIVED);
    if (this.middle !== null) this.middle = near(this.middle + (this.goal - this.middle) * part, this.goal, 0.02);
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

const near = (value, goal, within) => (Math.abs(goal - value) <= within ? goal : value);
