// One channel's panel: name, number, words, rule.

import { Rule } from "./rule.js";
import { besideWords, capital, isDead, levelDetail, meterText, standing, whole } from "./words.js";

export class ChannelPanel {
  constructor(role, onFocus) {
    this.role = role;
    this.element = document.getElementById("channel").content.firstElementChild.cloneNode(true);
    this.element.dataset.channel = role;
    const part = (name) => this.element.querySelector(`[data-${name}]`);
    this.name = part("focus");
    this.number = part("number");
    this.unitMore = part("unit-more");
    this.words = part("words");
    this.detail = part("detail");
    this.beside = part("beside");
    this.swatch = part("swatch").firstElementChild;
    this.meter = part("rule");
    this.name.textContent = capital(role);
    this.name.title = `Show ${role} large`;
    this.name.addEventListener("click", () => onFocus(role));
    this.meter.setAttribute("aria-label", `${capital(role)} peak white in millivolts`);
    this.rule = new Rule(this.meter);
    this.channel = null;
    this.target = undefined;
  }

  setFocused(focused) {
    this.element.classList.toggle("focused", focused);
    this.name.setAttribute("aria-pressed", String(focused));
  }

  /** This channel as it is to be shown, and its newest reading for the rule; `windowsOf` gives a target's published windows. */
  take({ shown, raw }, windowsOf, nowMs) {
    const target = JSON.stringify([raw.target, raw.edges_mv, windowsOf(raw.target)]);
    if (target !== this.target) {
      this.target = target;
      this.rule.setTarget(raw.edges_mv, windowsOf(raw.target));
    }
    this.channel = shown;
    this.rule.take(raw, shown.aim, nowMs);
  }

  /** Number and rule, every frame. */
  draw(nowMs, calm) {
    const number = this.channel?.number ?? null;
    put(this.number, number === null ? "–" : whole(number));
    this.number.classList.toggle("long", number !== null && (number > 999 || number < 0));
    this.rule.draw(nowMs, calm);
  }

  /** Words and states, a few times a second; `conditions` as standing() takes them, `waiting` is said while there is nothing. */
  say(conditions, patternWhitePct, waiting) {
    const { channel, element } = this;
    element.classList.toggle("stale", conditions.staleS !== null || Boolean(channel?.held));
    if (!channel) {
      put(this.words, waiting);
      return;
    }
    put(this.words, standing(channel, conditions).words);
    put(this.detail, levelDetail(channel, conditions));
    put(this.beside, besideWords(channel, patternWhitePct));
    put(this.unitMore, channel.clipped ? " or more" : " above blanking");
    const zone = channel.number === null || isDead(channel) ? "" : (channel.zone ?? "");
    if (element.dataset.zone !== zone) {
      element.dataset.zone = zone;
      this.swatch.setAttribute("fill", zone ? `url(#texture-${zone})` : "none");
    }
    element.dataset.verdict = channel.verdict ?? "";
    this.#sayMeter(channel, conditions);
  }

  #sayMeter(channel, conditions) {
    const { lo, hi } = this.rule.range.goal;
    set(this.meter, "aria-valuemin", whole(lo).replace("−", "-"));
    set(this.meter, "aria-valuemax", String(hi));
    set(this.meter, "aria-valuenow", String(channel.number ?? lo));
    set(this.meter, "aria-valuetext", meterText(channel, conditions));
  }
}

function put(element, words) {
  if (element.textContent !== words) element.textContent = words;
}

function set(element, name, value) {
  if (element.getAttribute(name) !== value) element.setAttribute(name, value);
}
