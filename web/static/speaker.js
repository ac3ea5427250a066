// The tone that is heard: notes of tone.js played by Web Audio. Off until somebody asks for it.

import { Cadence } from "./tone.js";

const ASK_EVERY_MS = 50;
const AHEAD_S = 0.1;
const RAMP_S = 0.004;

export class Speaker {
  /** `soundNow()` says which sound it is at this moment, `onChange()` is called when `state` has changed. */
  constructor(soundNow, onChange) {
    Object.assign(this, { soundNow, onChange, audio: null, wanted: false, cadence: new Cadence(), timer: null });
  }

  /** "off", "on", or "waiting" where the browser lets nothing sound without another tap. */
  get state() {
    if (!this.wanted) return "off";
    return this.audio.state === "running" ? "on" : "waiting";
  }

  /** Call from within a gesture: a key or a tap. While it waits for a tap, that tap is not taken as "off". */
  toggle() {
    if (this.state === "on") this.#stop();
    else this.#start();
  }

  #start() {
    this.wanted = true;
    if (!this.audio) {
      this.audio = new AudioContext();
      this.audio.addEventListener("statechange", () => this.onChange());
    }
    this.audio.resume().catch(() => this.onChange());
    this.cadence.stop();
    this.timer ??= setInterval(() => this.#ask(), ASK_EVERY_MS);
    this.onChange();
  }

  #stop() {
    this.wanted = false;
    clearInterval(this.timer);
    this.timer = null;
    this.audio.suspend().catch(() => {});
    this.onChange();
  }

  #ask() {
    if (this.state !== "on") return;
    const now = this.audio.currentTime;
    for (const note of this.cadence.due(this.soundNow(), now, now + AHEAD_S)) play(this.audio, note);
  }
}

/** Play one note; `toHz` where it glides there. */
export function play(audio, { at, hz, lasts, loud, toHz = hz }) {
  const swing = audio.createOscillator();
  const gain = audio.createGain();
  const end = at + lasts;
  swing.frequency.value = hz;
  if (toHz !== hz) swing.frequency.setValueAtTime(hz, at).exponentialRampToValueAtTime(toHz, end);
  gain.gain.setValueAtTime(0, at);
  gain.gain.linearRampToValueAtTime(loud, at + RAMP_S);
  gain.gain.setValueAtTime(loud, end - RAMP_S);
  gain.gain.linearRampToValueAtTime(0, end);
  swing.connect(gain).connect(audio.destination);
  swing.start(at);
  swing.stop(end + RAMP_S);
}
