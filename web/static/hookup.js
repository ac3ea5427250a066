// The Hookup view: which probe is where, what the readings say of it, and the scope.

import { assign, drawn, find, made, put } from "./dom.js";
import { CHOICES, EXT, FIELDS, blank, changesOf, clipWords, faultsOf, rolesOf, sketchOf, withRoles } from "./hookupdata.js";
import { later } from "./later.js";
import { Lasting } from "./pace.js";
import { ask } from "./rest.js";
import { SCOPE } from "./situation.js";
import { capital, clockTime } from "./words.js";

export class HookupView {
  form = find("hookup-form");
  cards = new Map();
  #force = null;
  #theirs = null;
  #shown = false;
  #seen = {};
  #loading;
  #listed;
  #settings;
  #reading;
  #bars;

  constructor() {
    this.form.oninput = () => this.#edited();
    this.form.onsubmit = (event) => {
      event.preventDefault();
      this.#use(this.#draft());
    };
    find("hookup-drop").onclick = () => this.#lay(this.#theirs ?? this.#force);
    find("bars-use").onclick = () => this.#use({ ...this.#draft(), clips: withRoles(this.#draft().clips, this.#bars) });
    find("scan").onclick = () => this.#scopes("scan", "POST", ({ scopes }) => `${scopes.filter((one) => one.identity).length} found.`, "Looking on USB and the network; this takes some seconds.");
    find("open-settings").onclick = () => this.#openSettings();
  }

  /** It shows now, or no longer. */
  show(shown) {
    this.#shown = shown;
    if (shown) this.#load();
  }

  /** Take what the page knows now; called some times a second. */
  say(session, nowMs) {
    const { status, reading, settled } = session;
    if (!this.#shown || !status) return;
    const { scope, setup } = status;
    if (setup !== (this.#theirs ?? this.#force)?.setup) this.#load();
    const lost = session.lost(nowMs);
    const since = Date.parse(scope.since ?? "");
    const state = (SCOPE[scope.state]?.[1] ?? "Connected") + (Number.isNaN(since) ? "" : ` since ${clockTime(since)}`);
    const unknown = lost && "Not known: daemon lost";
    put(find("scope-state"), unknown || state);
    if (lost) put(find("control-words"), unknown);
    put(find("scope-more"), (lost ? [] : [scope.text, scope.do]).filter(Boolean).map((clause) => `${capital(clause)}.`).join(" "));
    put(find("scope-identity"), reading ? `${reading.scope.identity}, ${reading.scope.resource}` : "");
    if (reading && reading !== this.#reading) this.#take(reading, nowMs);
    const above = settled.hints.shown;
    let below = false;
    const stale = session.stale(nowMs);
    const say = (list, hints, none) => this.#sayHints(list, stale ? [] : hints, stale ? "No reading: nothing can be said of the hookup." : none);
    for (const [channel, card] of this.cards) {
      const all = settled.hintsOf.get(channel)?.shown ?? [];
      const own = all.filter(({ text }) => !above.some((hint) => hint.text === text));
      below ||= own.length > 0;
      say(card.hints, own, all.length ? "See above." : "Nothing suspicious.");
    }
    say(find("hookup-hints"), above, below ? "See the hints at the channels." : "Nothing speaks against the hookup in force, as a whole.");
    if (stale) find("bars").hidden = true;
  }

  #take(reading, nowMs) {
    this.#reading = reading;
    if (this.#seen.setup !== reading.setup) this.#seen = { setup: reading.setup, bars: new Lasting("") };
    const found = reading.channels.filter((one) => one.role_by_bars);
    const wrong = found.some((one) => one.role_by_bars !== one.role);
    const shown = this.#seen.bars.next(wrong ? JSON.stringify(found.map((one) => [one.channel, one.role_by_bars])) : "", nowMs);
    find("bars").hidden = !shown;
    if (!shown) return;
    this.#bars = JSON.parse(shown);
    put(find("bars-words"), `These look like colour bars: ${this.#bars.map((one) => one.join(" ")).join(", ")}.`);
  }

  #sayHints(list, hints, none) {
    const now = JSON.stringify([hints, none]);
    if (list.dataset.now === now) return;
    list.dataset.now = now;
    const items = hints.map(({ text, test }) => made("li", made("strong", text), ` Ten-second test: ${test}`));
    list.replaceChildren(...(items.length ? items : [made("li", none)]));
  }

  async #load() {
    if (this.#loading) return;
    this.#loading = true;
    try {
      this.#list(await ask("scopes"));
      const now = await ask("hookup");
      const same = this.#force && changesOf(this.#force, now).length === 0;
      const edited = this.#force && this.#changes().length > 0;
      if (same) this.#force = now;
      else if (!edited) this.#lay(now);
      if (edited) {
        this.#theirs = same ? null : now;
        this.#edited();
      }
    } catch (error) {
      this.#tell(error.message, "act");
    }
    this.#loading = false;
  }

  /** Show this hookup as the one in force. */
  #lay(force) {
    this.#force = force;
    this.#theirs = null;
    for (const channel of ["CH1", "CH2", "CH3", "CH4", EXT, ...force.clips.map((clip) => clip.channel)]) {
      if (!this.cards.has(channel)) this.cards.set(channel, this.#card(channel));
      const { fields } = this.cards.get(channel);
      const clip = force.clips.find((one) => one.channel === channel) ?? blank(channel);
      for (const [key] of FIELDS) fields[key].value = clip[key];
    }
    find("clips").replaceChildren(...[...this.cards.values()].map((card) => card.element));
    this.form.elements.pattern.value = force.pattern_white_pct;
    this.#edited();
  }

  #card(channel) {
    const fields = {};
    const labels = FIELDS.map(([key, label]) => {
      const choices = key === "role" ? rolesOf(channel) : CHOICES[key];
      fields[key] = choices ? made("select", ...choices.map(([value, words = value]) => new Option(words, value))) : assign(made("input"), { inputmode: "decimal" });
      fields[key].name = `${channel} ${key}`;
      return made("label", label, fields[key]);
    });
    const sketch = drawn("svg", { "aria-hidden": true });
    const words = made("p");
    const hints = assign(made("ul"), { class: "hints", tabindex: 0, "aria-label": `Hints on ${channel}` });
    const more = made("details", made("summary", "Probing point, load, link"), assign(made("div", ...labels.slice(1)), { class: "fields" }));
    const element = assign(made("fieldset", made("legend", channel), sketch, words, labels[0], hints, more), { class: "clip", "data-clip": channel });
    return { element, fields, sketch, words, hints };
  }

  #clip(channel) {
    const clip = { channel };
    for (const [key] of FIELDS) {
      const { value } = this.cards.get(channel).fields[key];
      clip[key] = CHOICES[key] ? value : number(value);
    }
    return clip;
  }

  /** The hookup as the form has it. */
  #draft() {
    const clips = [...this.cards.keys()].map((channel) => this.#clip(channel)).filter((clip) => clip.role);
    return { clips, target_of: this.#force.target_of, pattern_white_pct: number(this.form.elements.pattern.value) };
  }

  #changes() {
    return changesOf(this.#force, this.#draft());
  }

  #edited() {
    for (const [channel, { element, sketch, words }] of this.cards) {
      const clip = this.#clip(channel);
      const signal = clip.role && channel !== EXT;
      element.toggleAttribute("data-signal", signal);
      put(words, clipWords(clip));
      if (signal) sketch.replaceChildren(...sketchOf(clip).map(stroke));
    }
    const changes = this.#changes();
    const faults = faultsOf(this.#draft());
    for (const field of this.form.elements) if (field.name) field.ariaInvalid = field.name in faults;
    this.form.toggleAttribute("data-edited", changes.length > 0);
    find("hookup-drop").disabled = !changes.length;
    find("hookup-use").disabled = !changes.length || Object.keys(faults).length > 0;
    find("bars-use").disabled = changes.length > 0;
    if (!changes.length) this.#tell("In force as shown.");
    else if (this.#theirs) this.#tell(`Changed elsewhere meanwhile, ${changesOf(this.#force, this.#theirs).join("; ")}: drop your changes to see that. Yours: ${changes.join("; ")}`, "act");
    else if (find("hookup-use").disabled) this.#tell([...new Set(Object.values(faults))].join(" "), "act");
    else this.#tell(`Not in force yet. ${changes.join("; ")}`, "wait");
  }

  #tell(words, kind = "") {
    const say = find("hookup-say");
    say.dataset.kind = kind;
    put(say, words);
  }

  async #use(hookup) {
    this.#loading = true;
    try {
      this.#lay(await ask("hookup", "PUT", hookup));
      this.#tell(`In force since ${clockTime(Date.now())}; readings come anew.`);
    } catch (error) {
      this.#tell(`Not taken: ${error.message}`, "act");
    }
    this.#loading = false;
  }

  async #openSettings() {
    put(find("settings-said"), "");
    try {
      const [{ Settings }] = await later([import("./settings.js")], "settings.css");
      this.#settings ??= new Settings();
      await this.#settings.open();
    } catch (error) {
      put(find("settings-said"), error.message);
    }
  }

  /** Ask for the list of scopes in this way; `words` say what came of it. */
  async #scopes(path, method, words, before, body) {
    const [scan, say] = [find("scan"), find("scan-said")];
    put(say, before);
    scan.disabled = true;
    try {
      const answer = await ask(`scopes/${path}`, method, body);
      this.#list(answer);
      put(say, words(answer));
    } catch (error) {
      put(say, error.message);
    }
    scan.disabled = false;
    scan.focus();
  }

  #list({ scopes }) {
    const now = JSON.stringify(scopes);
    if (this.#listed === now) return;
    this.#listed = now;
    const items = (scopes ?? []).map(({ id, resource, identity, problem, in_use: used }) => {
      const item = made("li", made("strong", identity ?? problem), ` ${resource}${used ? ", in use" : ""} `);
      if (id && !used) {
        const button = assign(made("button", "Use this scope"), { "data-writes": "" });
        button.onclick = () => this.#scopes("in-use", "PUT", ({ why_not_kept: why }) => (why ? `Until the daemon ends: ${why}.` : "Kept in the settings."), "Changing over.", { id });
        item.append(button);
      }
      return item;
    });
    find("scopes").replaceChildren(...items);
  }
}

/** Decimals may be typed with a comma. */
const number = (text) => Number(text.trim().replace(",", ".") || NaN);

function stroke([kind, ...how]) {
  if (kind !== "text") return drawn("path", { class: kind, d: how[0] });
  const [x, y, words] = how;
  const text = drawn("text", { x, y });
  text.textContent = words;
  return text;
}
