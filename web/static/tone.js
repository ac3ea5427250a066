// What is to sound when. No DOM, no audio: times in seconds of whatever clock the caller has.

import { standing } from "./words.js";

/** Frequencies in hertz, durations and periods in seconds, loudness 0 to 1. */
const SOUNDS = {
  over: { every: 0.17, notes: [1480], lasts: 0.06, loud: 0.5 },
  under: { every: 0.62, notes: [294], lasts: 0.16, loud: 0.7 },
  "on-aim": { every: 1, notes: [880], lasts: 0.018, loud: 0.25 },
  lost: { every: 2, notes: [784, 587, 440], lasts: 0.15, loud: 0.5 },
};
const NOTES_APART = 0.2;

/**
 * What the channel in focus sounds like: by the side of its aim that it lies on, or "lost", for look at the page, where no
 * level is fresh or the words do not say which way to trim.
 */
export const soundOf = (channel, conditions, fresh) => (fresh && standing(channel, conditions).way) || "lost";

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
