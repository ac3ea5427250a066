// The demo unit's trimmers: one slider a colour, with a step down and a step up.

import { copied, find, put } from "./dom.js";
import { NewestWins } from "./pace.js";
import { ask } from "./rest.js";
import { capital } from "./words.js";

const STEP = 0.5;
const OURS_FOR_MS = 2000;

export class Trimmers {
  constructor() {
    Object.assign(this, { section: find("trimmers"), sentence: find("trimmers-say"), invitation: "", byRole: new Map() });
  }

  /** Show them as the daemon says they stand. */
  async show() {
    try {
      const { unit, trimmers } = await ask("demo");
      this.invitation = `Trimmers of the ${unit} (simulated)`;
      for (const [role, { percent }] of Object.entries(trimmers)) {
        const trimmer = this.#trimmer(role);
        if (performance.now() - trimmer.turnedAt > OURS_FOR_MS) trimmer.stand(percent);
      }
      this.section.hidden = false;
      put(this.sentence, this.invitation);
    } catch (error) {
      put(this.sentence, error.message);
    }
  }

  /** Follow what somebody else turned; a trimmer that was turned here just now is left alone. */
  async follow() {
    if (!this.section.hidden && !document.hidden) await this.show();
  }

  hide() {
    this.section.hidden = true;
    put(this.sentence, "");
  }

  #trimmer(role) {
    let trimmer = this.byRole.get(role);
    if (!trimmer) {
      const send = new NewestWins((percent) => this.#send(role, percent));
      trimmer = new Trimmer(role, (percent) => send.put(percent));
      this.byRole.set(role, trimmer);
      this.section.append(trimmer.element);
    }
    return trimmer;
  }

  async #send(role, percent) {
    try {
      await ask(`demo/trimmers/${role}`, "PUT", { percent });
      put(this.sentence, this.invitation);
    } catch (error) {
      put(this.sentence, `${capital(role)} was not turned: ${error.message}`);
    }
  }
}

class Trimmer {
  turnedAt = -Infinity;

  constructor(role, onTurn) {
    this.element = copied("trimmer");
    this.element.dataset.trimmer = role;
    this.range = this.element.querySelector("input");
    this.value = this.element.querySelector("output");
    const label = this.element.querySelector("label");
    label.textContent = capital(role);
    this.range.id = `trimmer-${role}`;
    label.htmlFor = this.range.id;
    this.range.step = 0.1;
    const turned = () => {
      this.turnedAt = performance.now();
      this.#show();
      onTurn(Number(this.range.value));
    };
    this.range.oninput = turned;
    for (const button of this.element.querySelectorAll("button")) {
      const step = Number(button.dataset.step) * STEP;
      button.setAttribute("aria-label", `${capital(role)} trimmer ${step > 0 ? "up" : "down"} by ${STEP} per cent`);
      button.onclick = () => {
        this.range.value = Number(this.range.value) + step;
        turned();
      };
    }
  }

  stand(percent) {
    this.range.min = Math.min(80, Math.floor(percent));
    this.range.max = Math.max(120, Math.ceil(percent));
    this.range.value = percent;
    this.#show();
  }

  #show() {
    const words = `${Number(this.range.value).toFixed(1)}\u00a0%`;
    this.value.textContent = words;
    this.range.setAttribute("aria-valuetext", words);
  }
}
