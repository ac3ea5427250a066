// What is to sound when. No DOM, no audio: times in seconds of whatever clock the caller has.

/** Frequencies in hertz, durations and periods in seconds, loudness 0 to 1. */
const OVER = { every: 0.17, notes: [{ after: 0, hz: 1480, lasts: 0.06, loud: 0.5 }] };
const UNDER = { every: 0.62, notes: [{ after: 0, hz: 294, lasts: 0.16, loud: 0.7 }] };
const ON_AIM = { every: 1, notes: [{ after: 0, hz: 880, lasts: 0.018, loud: 0.25 }] };
const LOST = {
  every: 2,
  notes: [
    { after: 0, hz: 784, lasts: 0.15, loud: 0.5 },
    { after: 0.2, hz: 587, lasts: 0.15, loud: 0.5 },
    { after: 0.4, hz: 440, lasts: 0.15, loud: 0.5 },
  ],
};
const SOUNDS = { over: OVER, under: UNDER, "on-aim": ON_AIM, lost: LOST };

/**
 * What a channel in focus sounds like: "lost" without a fresh level, else by which side of its aim it lies. `off` is the
 * shown distance to the aim in mV, null where there is no aim; a clipped level is over, whatever its number.
 */
export function soundOf({ fresh, clipped, off, repeatMv }) {
  if (!fresh) return "lost";
  if (clipped) return "over";
  if (off === null) return "lost";
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
    const { every, notes } = SOUNDS[sound];
    if (sound !== this.sound) {
      this.next = Math.max(now, this.begun ?? now);
      this.sound = sound;
    }
    if (this.next < now - every) this.next = now;
    const found = [];
    while (this.next < until) {
      for (const { after, ...note } of notes) found.push({ at: this.next + after, ...note });
      this.begun = Math.max(...found.map(({ at, lasts }) => at + lasts));
      this.next += every;
    }
    return found;
  }
}
