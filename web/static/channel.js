// One channel's panel: name, number, words, rule.

import { Rule } from "./rule.js";
import { ON_AIM, besideWords, capital, comparedWords, extremesWords, isDead, levelDetail, meterText, motionWords, standing, whole } from "./words.js";

export class ChannelPanel {
  /** `key` is the digit that shows it large. */
  constructor(role, key, { onFocus, onReset }) {
    this.role = role;
    this.element = document.getElementById("channel").content.firstElementChild.cloneNode(true);
    this.element.dataset.channel = role;
    const part = (name) => this.element.querySelector(`[data-${name}]`);
    this.name = part("focus");
    this.number = part("number");
    this.unitMore = part("unit-more");
    this.words = part("words");
    this.detail = part("detail");
    this.motion = part("motion");
    this.extremes = part("extremes");
    this.beside = part("beside");
    this.flank = part("flank");
    this.meter = part("rule");
    part("name").textContent = capital(role);
    part("key").textContent = key;
    this.name.setAttribute("aria-label", capital(role));
    this.name.title = `Show ${role} large: key ${key}`;
    this.element.addEventListener("click", () => onFocus(role));
    part("reset").setAttribute("aria-label", "Begin lowest, mean and highest anew");
    part("reset").addEventListener("click", (event) => {
      event.stopPropagation();
      onReset();
    });
    this.meter.setAttribute("aria-label", `${capital(role)} peak white in millivolts`);
    this.rule = new Rule(this.meter);
    this.channel = null;
    this.target = undefined;
  }

  setFocused(focused) {
    this.element.classList.toggle("focused", focused);
    this.name.setAttribute("aria-pressed", String(focused));
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
    put(this.number, number === null ? "–" : whole(number));
    this.number.classList.toggle("long", number !== null && (number > 999 || number < 0));
    this.rule.draw(nowMs, calm);
  }

  /** Words and states, a few times a second; `conditions` as standing() takes them, `waiting` is said while there is nothing. */
  say(conditions, patternWhitePct, waiting, nowMs) {
    const { channel, element } = this;
    element.classList.toggle("stale", conditions.staleS !== null || Boolean(channel?.held));
    if (!channel) {
      put(this.words, waiting);
      return;
    }
    const { meaning, words } = standing(channel, conditions);
    put(this.words, words);
    element.toggleAttribute("data-on-aim", meaning === ON_AIM);
    put(this.detail, levelDetail(channel, conditions));
    put(this.motion, this.#motionWords(channel, conditions, nowMs));
    put(this.extremes, extremesWords(this.history.extremes, nowMs));
    put(this.beside, [comparedWords(channel), besideWords(channel, patternWhitePct)].filter(Boolean).join(" · "));
    put(this.unitMore, channel.clipped ? " or more" : " above blanking");
    const zone = channel.number === null || isDead(channel) ? "" : (channel.zone ?? "");
    if (element.dataset.zone !== zone) {
      element.dataset.zone = zone;
      this.flank.setAttribute("fill", zone ? `url(#texture-${zone})` : "none");
    }
    element.dataset.verdict = channel.verdict ?? "";
    this.#sayMeter(channel, conditions);
  }

  #motionWords(channel, { staleS }, nowMs) {
    if (channel.number === null) return "";
    const known = staleS === null && !channel.held;
    return motionWords(known ? this.history.motion : null, channel.age_s + (staleS ?? 0), nowMs);
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
