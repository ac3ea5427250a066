// One probe moved over red, green, blue and back to red: what was taken, how old it is, and what comes next.

import { find } from "./dom.js";
import { ask } from "./rest.js";
import { COLOURS, ago, listed, whole } from "./words.js";

const PATH = "match/one-probe";

/** The only colour of a hookup, or null: with one there is nothing to match but by moving its probe. */
export function onlyColour(clips) {
  const colours = clips.map((clip) => clip.role).filter((role) => COLOURS.includes(role));
  return colours.length === 1 ? colours[0] : null;
}

/** What to say of `{taken, due, problem}` as the daemon gave it `sinceS` seconds ago: what to do, then what is kept. */
export function guidance({ taken, due, problem }, sinceS) {
  const kept = listed(taken.map((one) => `${one.role} ${whole(one.level_mv)}\u00a0mV${age(one, sinceS)}`));
  if (problem) return `Begin anew with ${due}: ${problem}`;
  if (taken.length === 4) return `One probe: all taken, ${kept}`;
  if (!taken.length) return `To match by one probe show full white, put it on ${due} and take it; the others within 60\u00a0s`;
  return `Move the same probe ${taken.length === 3 ? "back " : ""}to ${due} and take it. Kept: ${kept}`;
}

const age = (one, sinceS) => (one.age_s === null ? "" : ` (${ago(one.age_s + sinceS)} old)`);

/** The words for the match line, and the button that takes the present level. */
export class OneProbe {
  constructor() {
    Object.assign(this, { button: find("take"), body: null, refusal: "" });
    this.button.onclick = () => this.#take();
  }

  /** The hookup is this now. */
  async follow(clips) {
    this.refusal = "";
    this.#stand(onlyColour(clips) === null ? null : await ask(PATH).catch(() => null));
  }

  /** What the match line says while there is no match, or null where one probe is not the way. */
  words(nowMs) {
    return this.body && (this.refusal || guidance(this.body, (nowMs - this.at) / 1000));
  }

  async #take() {
    this.button.disabled = true;
    try {
      this.refusal = "";
      this.#stand(await ask(PATH, "POST", { role: this.body.due }));
    } catch (error) {
      this.refusal = error.message;
    }
    this.button.disabled = false;
  }

  #stand(body) {
    this.body = body;
    this.at = performance.now();
    this.button.hidden = body === null;
    if (body) this.button.textContent = `Take as ${body.due}`;
  }
}
