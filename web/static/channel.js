// One channel's panel: name, number, words, rule.

import { SteadyNumber } from "./pace.js";
import { Rule } from "./rule.js";
import { ago, capital, levelDetail, levelWords, meterText, whole } from "./words.js";

export class ChannelPanel {
  constructor(role, onFocus) {
    this.role = role;
    this.element = document.getElementById("channel").content.firstElementChild.cloneNode(true);
    this.element.dataset.channel = role;
    const part = (name) => this.element.querySelector(`[data-${name}]`);
    this.name = part("focus");
    this.number = part("number");
    this.unit = part("unit");
    this.words = part("words");
    this.detail = part("detail");
    this.swatch = part("swatch").firstElementChild;
    this.meter = part("rule");
    this.name.textContent = capital(role);
    this.name.title = `Show ${role} large`;
    this.name.addEventListener("click", () => onFocus(role));
    this.meter.setAttribute("aria-label", `${capital(role)} peak white in millivolts`);
    this.rule = new Rule(this.meter);
    this.steady = new SteadyNumber();
    this.channel = null;
    this.target = undefined;
  }

  setFocused(focused) {
    this.element.classList.toggle("focused", focused);
    this.name.setAttribute("aria-pressed", String(focused));
  }

  /** The newest reading of this channel, `windowsOf` giving a target's published windows. */
  take(channel, windowsOf, nowMs) {
    const target = JSON.stringify([channel.target, channel.edges_mv, windowsOf(channel.target)]);
    if (target !== this.target) {
      this.target = target;
      this.rule.setTarget(channel.edges_mv, windowsOf(channel.target));
    }
    this.channel = channel;
    this.rule.take(channel, nowMs);
  }

  /** Number and rule, every frame. */
  draw(nowMs, calm) {
    const shown = this.steady.next(this.channel ? this.channel.peak_white_mv : null);
    if (shown !== this.shown) {
      this.shown = shown;
      this.number.textContent = shown === null ? "–" : whole(shown);
    }
    this.rule.draw(nowMs, calm);
  }

  /** Words and states, a few times a second; `ageS` is the age of the reading itself. */
  say(sync, stale, ageS) {
    const { channel, element } = this;
    element.classList.toggle("stale", stale || Boolean(channel?.held));
    if (!channel) return;
    put(this.words, levelWords(channel, sync));
    put(this.detail, stale ? `no longer live, ${ago(ageS)} old` : levelDetail(channel, sync, channel.age_s + ageS));
    put(this.unit, channel.clipped ? "mV or more" : "mV above blanking");
    const zone = channel.peak_white_mv === null ? "" : (channel.zone ?? "");
    if (element.dataset.zone !== zone) {
      element.dataset.zone = zone;
      this.swatch.setAttribute("fill", zone ? `url(#texture-${zone})` : "none");
    }
    element.dataset.verdict = channel.verdict ?? "";
    this.#sayMeter(channel, sync);
  }

  #sayMeter(channel, sync) {
    const { lo, hi } = this.rule.range.goal;
    const level = channel.peak_white_mv;
    set(this.meter, "aria-valuemin", whole(lo).replace("−", "-"));
    set(this.meter, "aria-valuemax", String(hi));
    set(this.meter, "aria-valuenow", level === null ? String(lo) : String(this.steady.shown ?? Math.round(level)));
    set(this.meter, "aria-valuetext", meterText(channel, sync));
  }
}

function put(element, words) {
  if (element.textContent !== words) element.textContent = words;
}

function set(element, name, value) {
  if (element.getAttribute(name) !== value) element.setAttribute(name, value);
}
