// The one place for states and hints: the most pressing thing in words, everything in a sheet.

import { find, made } from "./dom.js";
import { endGood } from "./toast.js";

export class Notice {
  notes = [];

  constructor() {
    [this.strip, this.title, this.action, this.button] = ["notice", "notice-title", "notice-do", "open-notes"].map(find);
    this.button.onclick = () => find("notes").showModal();
    new ResizeObserver(() => this.#offerTheRest()).observe(this.strip);
  }

  /** Show these notes (see situation.js), the first one large; `clear` where there are none. */
  show(notes, clear) {
    const first = notes[0] ?? clear;
    const now = JSON.stringify([first, ...notes]);
    if (now === this.shown) return;
    this.shown = now;
    this.notes = notes.length ? notes : [clear];
    if (first.kind === "act" && this.strip.dataset.kind !== "act") endGood();
    this.strip.dataset.situation = first.code;
    this.strip.dataset.kind = first.kind;
    this.title.textContent = first.title;
    this.action.textContent = first.kind === "hint" ? `Test: ${first.do}` : first.do;
    this.button.textContent = notes.length > 1 ? `Read all (${notes.length})` : "Read all";
    find("notes-items").replaceChildren(...this.notes.map(listItem));
    this.#offerTheRest();
  }

  // The button is there only where the strip does not say it all.
  #offerTheRest() {
    const [first, second] = this.notes;
    const rest = second || (first && (first.more || [this.title, this.action, this.action.parentElement].some(isCut)));
    this.button.classList.toggle("away", !rest);
  }
}

const isCut = (element) => !element.offsetHeight || element.scrollWidth > element.clientWidth || element.scrollHeight > element.clientHeight + 1;

function listItem({ title, do: action, more, kind }) {
  const lines = [["strong", title], ["span", more], ["span", kind === "hint" ? `Ten-second test: ${action}` : action]];
  const item = made("li", ...lines.filter(([, words]) => words).map((line) => made(...line)));
  item.dataset.kind = kind;
  return item;
}
