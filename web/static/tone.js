// What is to sound when. No DOM, no audio: times in seconds of whatever clock the caller has.

/** Frequencies in hertz, durations and periods in seconds, loudness 0 to 1. */
const SOUNDS = {
  over: { every: 0.17, notes: [1480], lasts: 0.06, loud: 0.5 },
  under: { every: 0.62, notes: [294], lasts: 0.16, loud: 0.7 },
  "on-aim": { every: 1, notes: [880], lasts: 0.018, loud: 0.25 },
  lost: { every: 2, notes: [784, 587, 440], lasts: 0.15, loud: 0.5 },
};
const NOTES_APART = 0.2;

/**
 * What a channel in focus sounds like: "lost" without a fresh level, else by which side of its aim it lies. `off` is the
 * shown distance to the aim in mV, null where there is no aim; a clipped level is over, whatever its number.
 */
export function soundOf({ fresh, clipped, off, repeatMv }) {
  if (fresh && clipped) return "over";
  if (!fresh || off === null) return "lost";
  if (Math.abs(off) <= Math.max(1, repeatMv ?? 0)) return "on-aim";
  return off > 0 ? "over" : "under";
}

/**
 * Notes ahead of time. Ask often, each time for a little more than until the next question: a change of sound is heard
 * within that time, the rhythm does not depend on when it is asked, and there is always a next note.
 */
export class Cadence {
  constructor() {
    this.stop();
  }

  stop() {
    this.sound = null;
    this.next = -Infinity;
  }

  /** The notes `{at, hz, lasts, loud}` of `sound` that begin from `now` and before `until`, each given once. */
  due(sound, now, until) {
    const { every, notes, lasts, loud } = SOUNDS[sound];
    if (sound !== this.sound) {
      this.next = Math.max(now, this.begun ?? now);
      this.sound = sound;
    }
    if (this.next < now - every) this.next = now;
    const found = [];
    while (this.next < until) {
      notes.forEach((hz, n) => found.push({ at: this.next + n * NOTES_APART, hz, lasts, loud }));
      this.begun = found.at(-1).at + lasts;
      this.next += every;
    }
    return found;
  }
}
