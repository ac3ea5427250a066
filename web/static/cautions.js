// The cautions: shown on the first visit, remembered as read, always within reach of a button.

import { ask } from "./rest.js";
import { keep, recall } from "./storage.js";

const KEY = "cautions-read";

export class Cautions {
  constructor(root) {
    this.sheet = root.querySelector("dialog[data-cautions]");
    this.title = root.querySelector("[data-cautions-title]");
    this.items = root.querySelector("[data-cautions-items]");
    this.note = root.querySelector("[data-cautions-note]");
    this.text = null;
    root.querySelector("[data-open-cautions]").addEventListener("click", () => this.open());
    root.querySelector("[data-close-cautions]").addEventListener("click", () => this.sheet.close());
    this.sheet.addEventListener("close", () => {
      if (this.text !== null) keep(KEY, this.text);
    });
  }

  /** On the first visit, and again when the text has changed. */
  async openUnlessRead() {
    await this.#load();
    if (this.text !== null && recall(KEY) !== this.text) this.#show(true);
  }

  async open() {
    this.#show(false);
    await this.#load();
  }

  // A first visit reads what must be known; the signs and keys are for the second look.
  #show(first) {
    if (this.sheet.open) return;
    this.sheet.querySelector("[data-help]").hidden = first;
    this.sheet.querySelector("[data-how-to-help]").hidden = !first;
    this.sheet.showModal();
  }

  async #load() {
    if (this.text !== null) return;
    try {
      const { title, items, note } = await ask("cautions");
      this.title.textContent = title;
      this.items.replaceChildren(...items.map((words) => Object.assign(document.createElement("li"), { textContent: words })));
      this.note.textContent = note ?? "";
      this.text = fingerprint(items.join("\n"));
    } catch (error) {
      this.note.textContent = `The cautions could not be fetched: ${error.message} They also stand in the README.`;
    }
  }
}

function fingerprint(text) {
  let sum = 5381;
  for (const character of text) sum = (sum * 33 + character.codePointAt(0)) % 4294967291;
  return sum.toString(36);
}
