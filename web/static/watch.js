// The watch for faults that come and go: its button, count and sound, and what it caught.

import { eventRows, eventWords, newFaults, watchWords } from "./benchwords.js";
import { find, made, put } from "./dom.js";
import { ask } from "./rest.js";
import { play } from "./speaker.js";
import { tell, tellFailure } from "./toast.js";

/** One a fault, three at most. */
const GLIDE = { hz: 420, toHz: 2100, lasts: 0.22, loud: 0.6 };
const APART_S = 0.3;

export class Watch {
  constructor() {
    this.state = this.last = this.audio = null;
    find("caught").onclick = () => this.#open();
    // A browser lets nothing sound before a gesture: any will do where the watch was on already.
    for (const gesture of ["pointerdown", "keydown"]) addEventListener(gesture, () => this.state?.on && this.#wake());
  }

  /** On or off, from within a gesture. */
  toggle() {
    if (!this.state) return;
    const on = !this.state.on;
    if (on) this.#wake();
    ask("bench/watch", "PUT", { on }).catch((error) => tellFailure("The watch is as it was", error));
  }

  /** The word of the daemon's run; started anew it watches for nothing. */
  take(watch, run) {
    const before = this.state;
    this.state = watch;
    if (before?.on && !watch.on) {
      this.audio?.suspend();
      if (run !== this.run) tell({ title: "The watch is off: press W", more: "The daemon was started anew.", kind: "act" });
    }
    this.run = run;
    this.#sound(newFaults(before, watch));
    if (before?.kept !== watch.kept) {
      this.#fetchLast();
      if (find("events").open && !find("events").querySelector("[open]")) this.#list();
    }
    this.#say();
  }

  #wake() {
    this.audio ??= new AudioContext();
    this.audio.resume().then(() => this.#say(), () => {});
  }

  #sound(count) {
    if (this.audio?.state !== "running") return;
    for (let n = 0; n < Math.min(count, 3); n += 1) play(this.audio, { ...GLIDE, at: this.audio.currentTime + n * APART_S });
  }

  /** It can watch, or not because the daemon is lost or no reading is fresh. */
  say(lost, stale) {
    const blind = lost ? "daemon lost" : stale ? "no reading" : "";
    if (blind === this.blind) return;
    Object.assign(this, { blind, lost });
    if (this.state) this.#say();
  }

  #say() {
    const on = this.state.on && !this.lost;
    const mute = on && !this.blind && this.audio?.state !== "running" ? "silent until you tap · " : "";
    find("watch").ariaPressed = on;
    put(find("caught"), mute + watchWords(this.state, this.last, this.blind));
  }

  async #fetchLast() {
    this.last = this.state.kept ? (await ask("book/events?most=1").catch(() => null))?.events[0] : null;
    this.#say();
  }

  #open() {
    find("events").showModal();
    this.#list();
  }

  // Not while one of them is open and read.
  async #list() {
    const items = await ask("book/events").then(({ events }) => events.map((event) => faultItem(event, this.state.band_mv)), (error) => [error.message]);
    find("events-items").replaceChildren(...(items.length ? items : ["Nothing was kept so far."]));
  }
}

function faultItem(event, bandMv) {
  const item = made("details", made("summary", eventWords(event)));
  item.addEventListener("toggle", () => item.children.length === 1 && showCaptures(item, event.id, bandMv));
  return item;
}

async function showCaptures(item, id, bandMv) {
  const table = item.appendChild(document.createElement("table"));
  try {
    for (const cells of eventRows((await ask(`book/events/${id}`)).captures, bandMv)) {
      const row = table.insertRow();
      for (const words of cells) row.insertCell().textContent = words;
      row.classList.toggle("event", cells[0] === "event");
    }
  } catch (error) {
    table.createCaption().textContent = error.message;
  }
  table.querySelector(".event")?.scrollIntoView({ block: "center" });
}
