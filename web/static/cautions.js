// The cautions: shown until they are said to be read, always within reach of a button.

import { find, made } from "./dom.js";
import { ask } from "./rest.js";
import { keep, recall } from "./storage.js";

const READ_KEY = "cautions-read";
const RETRY_MS = 3000;

export class Cautions {
  sheet = document.querySelector("dialog[data-cautions]");
  text = null;

  constructor() {
    find("open-cautions").onclick = () => this.open();
    this.sheet.onclose = () => {
      if (this.sheet.returnValue && this.text !== null) keep(READ_KEY, this.text);
    };
  }

  /** On the first visit, and again when the text has changed. */
  async openUnlessRead() {
    await this.#load();
    if (this.text === null) setTimeout(() => this.openUnlessRead(), RETRY_MS);
    else if (recall(READ_KEY) !== this.text) this.#show(true);
  }

  async open() {
    this.#show(false);
    await this.#load();
  }

  // A first visit reads what must be known; the signs and keys are for the second look.
  #show(first) {
    if (this.sheet.open) return;
    find("help").hidden = first;
    find("how-to-help").hidden = !first;
    const button = find("close-cautions");
    button.value = first ? "read" : "";
    button.textContent = first ? "I have read this" : "Back to the levels";
    this.sheet.returnValue = ""; // what Escape leaves
    this.sheet.showModal();
  }

  async #load() {
    if (this.text !== null) return;
    try {
      const { title, items, note } = await ask("cautions");
      find("cautions-title").textContent = title;
      find("cautions-items").replaceChildren(...items.map((words) => made("li", words)));
      find("cautions-note").textContent = note ?? "";
      this.text = fingerprint(items.join("\n"));
    } catch (error) {
      find("cautions-note").textContent = `The cautions could not be fetched: ${error.message} They also stand in the README.`;
    }
  }
}

function fingerprint(text) {
  let sum = 5381;
  for (const character of text) sum = (sum * 33 + character.codePointAt(0)) % 4294967291;
  return sum.toString(36);
}
