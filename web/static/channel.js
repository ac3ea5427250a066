// One channel's panel: name, number, words, rule.

import { copied, partsOf, put } from "./dom.js";
import { Rule } from "./rule.js";
import { ON_AIM, ago, besideWords, capital, comparedWords, extremesWords, flankZone, joined, levelDetail, meterText, motionWords, standing, unitWords, whole } from "./words.js";

const PARTS = ["focus", "name", "key", "number", "unit-more", "words", "detail", "motion", "extremes", "reset", "beside", "flank", "rule"];

export class ChannelPanel {
  channel = null;
  said = {};

  /** `key` is the digit that shows it large. */
  constructor(role, key, { onFocus, onReset }) {
    this.role = role;
    this.element = copied("channel");
    this.element.dataset.channel = role;
    this.parts = partsOf(this.element, PARTS);
    const { focus, name, key: digit, reset, rule } = this.parts;
    name.textContent = capital(role);
    focus.setAttribute("aria-label", capital(role));
    digit.textContent = key;
    focus.title = `Show ${role} large: key ${key}`;
    this.element.onclick = () => onFocus(role);
    reset.setAttribute("aria-label", "Begin lowest, mean and highest anew");
    reset.onclick = (event) => {
      event.stopPropagation();
      onReset();
    };
    rule.setAttribute("aria-label", `${capital(role)} peak white in millivolts`);
    this.rule = new Rule(rule);
  }

  /** `large` where the one in focus is to be larger than the others. */
  setFocused(focused, large) {
    this.element.classList.toggle("focused", focused);
    this.element.classList.toggle("large", focused && large);
    this.parts.focus.ariaPressed = focused;
  }

  /**
   * This channel as it is to be shown, its newest reading for the rule and its history (see motion.js); `windowsOf` gives a
   * target's published windows.
   */
  take({ shown, raw }, history, windowsOf, nowMs) {
    const target = JSON.stringify([raw.target, raw.edges_mv, windowsOf(raw.target)]);
    if (target !== this.target) {
      this.target = target;
      this.rule.setTarget(raw.edges_mv, windowsOf(raw.target));
    }
    this.channel = shown;
    this.history = history;
    const { lowest, highest } = history.extremes;
    this.rule.take(raw, shown, { lowest, highest }, nowMs);
  }

  /** Number and rule, every frame. */
  draw(nowMs, calm) {
    const number = this.channel?.number ?? null;
    put(this.parts.number, number === null ? "–" : whole(number));
    this.parts.number.classList.toggle("long", number !== null && (number > 999 || number < 0));
    this.rule.draw(nowMs, calm);
  }

  /** Words and states, a few times a second; `conditions` as standing() takes them, `waiting` is said while there is nothing. */
  say(conditions, patternWhitePct, waiting, nowMs) {
    const { channel, element, parts } = this;
    element.classList.toggle("stale", conditions.staleS !== null || Boolean(channel?.held));
    element.classList.toggle("waiting", !channel);
    if (!channel) {
      put(parts.words, waiting);
      return;
    }
    const { meaning, words, way } = standing(channel, conditions);
    put(parts.words, words);
    this.rule.guides = Boolean(way);
    element.toggleAttribute("data-on-aim", meaning === ON_AIM);
    put(parts.detail, levelDetail(channel, conditions));
    put(parts.motion, this.#motionWords(channel, conditions, nowMs));
    put(parts.extremes, extremesWords(this.history.extremes, nowMs));
    put(parts.beside, joined([comparedWords(channel), besideWords(channel)]));
    put(parts["unit-more"], unitWords(channel, patternWhitePct));
    parts["unit-more"].className = patternWhitePct === 100 ? "wide" : "";
    const zone = flankZone(channel, way);
    if (element.dataset.zone !== zone) {
      element.dataset.zone = zone;
      parts.flank.setAttribute("fill", zone ? `url(#texture-${zone})` : "none");
    }
    element.classList.toggle("clipped", Boolean(channel.clipped));
    this.#sayMeter(channel, conditions);
  }

  /** The page was frozen so many seconds ago: what shows here is not live. */
  sayFrozen(seconds) {
    this.element.classList.add("stale");
    if (this.channel) put(this.parts.motion, `frozen ${ago(seconds)}`);
  }

  #motionWords(channel, { staleS, lagS }, nowMs) {
    if (channel.number === null) return "";
    const ageS = channel.age_s + (staleS ?? lagS);
    if (channel.held) return `${ago(ageS)} old`;
    const known = staleS === null && !channel.clipped;
    return motionWords(known ? this.history.motion : null, ageS, nowMs);
  }

  #sayMeter(channel, conditions) {
    const { lo, hi } = this.rule.range.goal;
    const said = { min: lo, max: hi, now: channel.number ?? lo, text: meterText(channel, conditions) };
    for (const [name, value] of Object.entries(said)) {
      if (this.said[name] !== value) this.parts.rule.setAttribute(`aria-value${name}`, value);
    }
    this.said = said;
  }
}
