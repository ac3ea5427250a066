// Who holds control: one page writes, any number look on. Taking it, giving it back, and noticing that it was taken.

import { partsOf } from "./dom.js";
import { ask, lease } from "./rest.js";
import { keep, recall } from "./storage.js";
import { tell } from "./toast.js";
import { capital } from "./words.js";

const NAME_KEY = "device";

const LOOKS_ON = "View only";

/** Who may write now, from a status frame's `control`, and how many look on; `looksOn`: this page is a viewer's. */
export function controlWords({ holder, mine }, viewers, looksOn = false) {
  const who = looksOn ? "This page is signed in as viewer: it can only look on. An operator’s code lets it change things."
    : mine ? `This page holds control, as ${holder}. Others can only look on.`
    : holder ? `${capital(holder)} holds control. This page can only look on.`
    : "Nobody holds control: every page may change things.";
  return who + (viewers > 1 ? ` ${viewers} pages are open, this one among them.` : " No other page is open.");
}

/**
 * What became of control since the status before (null: the first one on this socket): "taken" by somebody else, "ended",
 * or null. `own` is the name under which this page has a token, null without one.
 */
export function changeOf(before, { holder, mine }, own) {
  if (mine) return null;
  if (holder === null) return own === null ? null : "ended";
  if (own !== null) return before?.mine || holder !== own ? "taken" : null;
  return before && before.holder !== holder ? "taken" : null;
}

export class Control {
  /** `send(message)` goes over the live socket. */
  constructor(send) {
    Object.assign(this, { send, now: null, taking: false, looksOn: false });
    Object.assign(this, partsOf(document, ["words", "said", "take", "back", "name"], "control-"));
    this.name.value = recall(NAME_KEY) || usualName();
    keep(NAME_KEY, this.name.value);
    this.name.onchange = () => keep(NAME_KEY, this.name.value);
    this.take.onclick = () => this.#try(() => this.#take(Boolean(this.now?.holder)));
    this.back.onclick = () => this.#try(() => this.#giveBack());
  }

  /** The socket is new: say whose it is. */
  greet({ role }) {
    this.now = null;
    this.looksOn = role === "viewer";
    if (lease.token) this.#claim();
  }

  /** Hear a status frame. */
  hear({ control, viewers }) {
    const change = this.taking ? null : changeOf(this.now, control, lease.token && this.name.value);
    if (change === "taken") {
      tell({ title: `${capital(control.holder)} took control`, more: "This page only looks on now. The view Hookup takes control back.", kind: "act" });
    }
    if (change) {
      lease.hold(null);
      this.said.textContent = "";
    }
    this.now = control;
    const { looksOn } = this;
    const held = looksOn ? LOOKS_ON : control.holder && !control.mine ? `${capital(control.holder)} holds control` : null;
    for (const element of document.querySelectorAll("[data-writes]")) {
      element.inert = looksOn;
      if (held) element.dataset.held = held;
      else delete element.dataset.held;
    }
    this.words.textContent = controlWords(control, viewers, looksOn);
    this.take.hidden = this.name.disabled = control.mine || looksOn;
    this.back.hidden = !control.mine;
    this.take.textContent = control.holder ? "Take it over" : "Take control";
  }

  #claim() {
    this.send({ type: "control", token: lease.token });
  }

  async #take(over) {
    this.taking = true;
    try {
      const { token, taken_from: from } = await ask("control", "POST", { name: this.name.value, take: over });
      lease.hold(token);
      this.#claim();
      return from ? `Taken over from ${from}, whose page says so.` : "Taken.";
    } finally {
      this.taking = false;
    }
  }

  async #giveBack() {
    await ask("control", "DELETE");
    lease.hold(null);
    return "Given back.";
  }

  async #try(act) {
    try {
      this.said.textContent = await act();
    } catch (error) {
      this.said.textContent = error.message;
    }
  }
}

function usualName() {
  const kind = !matchMedia("(pointer: coarse)").matches ? "computer" : Math.min(screen.width, screen.height) < 600 ? "phone" : "tablet";
  return `${kind} ${10 + Math.floor(Math.random() * 90)}`;
}
