// Terminator test and tie: press, change something, press again. The daemon measures.

import { find, made, partsOf, put } from "./dom.js";
import { duePress, foundLines, liveWords, stateWords } from "./procedurewords.js";
import { ask } from "./rest.js";
import { capital } from "./words.js";

const GOOD_FOR_MS = 300_000;

/** Both procedures of the section. */
export class Procedures {
  constructor() {
    this.all = [...document.querySelectorAll("[data-procedure]")].map((root) => new Procedure(root));
  }

  /** Their view is shown, or no longer. */
  show(shown) {
    if (shown) for (const one of this.all) one.ask("", "GET");
  }

  /** What a press would find now (see `liveWords`). */
  say(now) {
    put(find("live"), liveWords(now));
    for (const one of this.all) one.expire();
  }
}

class Procedure {
  #presses;
  #second;
  #body;
  #busy;
  #path;
  #at;

  constructor(root) {
    this.#path = `procedures/${root.dataset.procedure}`;
    this.#presses = [...root.querySelectorAll("[data-press]")];
    Object.assign(this, partsOf(root, ["told", "found", "again"]));
    this.#second = root.querySelector("select");
    for (const one of this.#presses) one.onclick = () => this.#press(one);
    this.again.onclick = () => this.ask("", "DELETE");
  }

  expire() {
    if (this.#body?.age_s > 0 && performance.now() - this.#at > GOOD_FOR_MS - 1000 * this.#body.age_s) this.ask("", "GET");
  }

  async #press(button) {
    const byKey = document.activeElement === button;
    put(this.told, "Measuring: leave everything as it is.");
    await this.ask(`/${button.dataset.press}`, "POST", { first: { second: this.#second?.value }, learn: {} }[button.dataset.press]);
    if (byKey) this.#presses.find((one) => !one.disabled)?.focus();
  }

  /** Ask the daemon, and show what it answers; one request at a time. */
  async ask(path, method, request) {
    if (this.#busy) return;
    this.#busy = true;
    for (const one of this.#presses) one.disabled = true;
    let refusal = "";
    try {
      this.#body = await ask(this.#path + path, method, request);
    } catch (error) {
      refusal = `${capital(error.message.replace(/^press: /, ""))}.`;
      this.#body = await ask(this.#path).catch(() => this.#body);
    }
    this.#at = performance.now();
    this.#busy = false;
    if (this.#body) this.#draw(this.#body);
    if (refusal) put(this.told, refusal);
  }

  #draw(body) {
    for (const one of this.#presses) one.disabled = one.dataset.press !== duePress(body);
    if (this.#second) {
      this.#second.disabled = Boolean(body.first);
      this.#second.value = body.second ?? this.#second.value;
    }
    put(this.told, stateWords(body));
    this.found.replaceChildren(...foundLines(body).map(([strong, rest]) => made("p", made("strong", strong), ` ${rest}`)));
  }
}
