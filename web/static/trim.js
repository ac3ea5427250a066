// The Trim view: one panel a channel, which of them is large, and whether all stand frozen.

import { ChannelPanel } from "./channel.js";
import { keep, recall } from "./storage.js";

export class TrimView {
  panels = new Map();
  focused = null;
  abreast = false;
  frozen = null;
  drawn = null;

  /** `outside`: `windowsOf(target)` gives published windows, `onReset()` begins lowest, mean and highest anew. */
  constructor(root, outside) {
    this.root = root;
    this.outside = outside;
  }

  /** A panel for each of these roles, in this order. */
  lay(roles) {
    if (roles.length === this.panels.size && roles.every((role) => this.panels.has(role))) return;
    this.panels.clear();
    const on = { onFocus: (role) => this.focus(role), onReset: this.outside.onReset };
    roles.forEach((role, n) => this.panels.set(role, new ChannelPanel(role, String(n + 1), on)));
    this.root.replaceChildren(...[...this.panels.values()].map((panel) => panel.element));
    this.#show([recall("focus"), this.focused].find((role) => roles.includes(role)) ?? roles[0]);
  }

  /** Show this one large. Where all stand side by side, it is the one that sounds and is announced. */
  focus(role) {
    keep("focus", role);
    this.#show(role);
  }

  #show(role) {
    this.focused = role;
    for (const panel of this.panels.values()) panel.setFocused(panel.role === role, !this.abreast);
  }

  /** The channel with that number, from 1; nothing where there is none. */
  focusNumber(number) {
    const role = [...this.panels.keys()][number - 1];
    if (role) this.focus(role);
  }

  /** One on from the channel in focus, or one back, round the end. */
  step(by) {
    const roles = [...this.panels.keys()];
    this.focus(roles[(roles.indexOf(this.focused) + by + roles.length) % roles.length]);
  }

  setAbreast(abreast) {
    keep("abreast", abreast || null);
    this.abreast = abreast;
    this.root.classList.toggle("abreast", abreast);
    this.#show(this.focused);
  }

  /** Hold everything as it is, from `nowMs`; null lets it go on. */
  freeze(nowMs) {
    this.frozen = nowMs;
    this.root.classList.toggle("frozen", nowMs !== null);
  }

  /** Another run of the daemon: where levels were before is of no use. */
  clear() {
    for (const panel of this.panels.values()) panel.rule.clear();
    this.drawn = null;
  }

  /** Colours or windows changed. */
  refresh() {
    for (const panel of this.panels.values()) panel.rule.refresh();
  }

  /** Take a session's newest reading, once; true where it had not been drawn before. */
  take(session, histories) {
    if (this.frozen !== null || !session.reading || session.reading === this.drawn) return false;
    this.drawn = session.reading;
    const { byRole, roles } = session.settled;
    if (roles.length) this.lay(roles);
    for (const role of roles) this.panels.get(role).take(byRole.get(role), histories.of(role), this.outside.windowsOf, session.readingAt);
    return true;
  }

  draw(nowMs, calm) {
    for (const panel of this.panels.values()) panel.draw(this.frozen ?? nowMs, calm);
  }

  say(conditions, patternWhitePct, waiting, nowMs) {
    for (const panel of this.panels.values()) {
      if (this.frozen !== null) panel.sayFrozen((nowMs - this.frozen) / 1000);
      else panel.say(conditions, patternWhitePct, waiting, nowMs);
    }
  }
}
