// The sheet of settings: every key with its meaning, changed here, written to the daemon's file.

import { assign, made, put } from "./dom.js";
import { ask } from "./rest.js";
import { broughtWords, changesOf, choicesOf, fixedWords, groupsOf, helpWords, inFile, mistakesBy, nameOf, shownValue } from "./settingsdata.js";
import { capital, joined } from "./words.js";

const PATH = "settings";

export class Settings {
  #fields = new Map();
  #rows = [];
  #body;
  #file = made("p");
  #groups = made("div");
  #say = assign(made("p"), { role: "status" });
  #save = assign(made("button", "Save"), { class: "strong", "data-writes": "" });
  #drop = this.#button("Drop changes", () => this.#lay(this.#body, false));
  #form;
  #sheet;

  constructor() {
    const title = assign(made("h2", "Settings"), { id: "settings-title", tabindex: -1, autofocus: "" });
    const anew = this.#button("Read the file anew", () => this.#ask("Read anew.", "/reload", "POST"));
    anew.dataset.writes = "";
    const close = this.#button("Close", () => this.#sheet.close());
    const use = assign(made("div", this.#say, this.#save, this.#drop, anew, close), { class: "use" });
    this.#form = assign(made("form", this.#groups, use), { class: "settings-form", autocomplete: "off" });
    this.#form.noValidate = true;
    this.#form.oninput = () => this.#edited();
    this.#form.onsubmit = (event) => {
      event.preventDefault();
      this.#ask("Saved.", "", "PUT", { digest: this.#body.digest, changes: this.#changes() });
    };
    this.#sheet = assign(made("dialog", title, this.#file, this.#form), { class: "sheet settings", "aria-labelledby": "settings-title" });
    document.body.append(this.#sheet);
  }

  /** Show it, with what the daemon has now; what was typed before stays. */
  async open() {
    this.#sheet.showModal();
    await this.#ask("", "", "GET");
  }

  #button(words, action) {
    const button = assign(made("button", words), { type: "button", class: "quiet" });
    button.onclick = action;
    return button;
  }

  #changes() {
    return changesOf(this.#rows, (row) => this.#fields.get(nameOf(row)).input.value);
  }

  async #ask(done, path, method, body) {
    for (const { input, mistake } of this.#fields.values()) {
      input.ariaInvalid = null;
      put(mistake, "");
    }
    try {
      const answer = await ask(PATH + path, method, body);
      this.#lay(answer, method !== "PUT");
      this.#tell(done && `${done} ${broughtWords(answer)}`);
    } catch (error) {
      this.#refused(error);
    }
  }

  /** Lay out every key; `keep` says whether what was typed and not saved stays. */
  #lay(body, keep) {
    const before = new Map(keep && this.#body ? this.#changes().map((one) => [nameOf(one), this.#fields.get(nameOf(one)).input.value]) : []);
    this.#body = body;
    put(this.#file, `They stand in ${body.file}${body.digest ? "" : ", which is made when something is saved"}. What is left empty has its default.`);
    this.#fields.clear();
    const groups = groupsOf(body.settings);
    this.#rows = groups.flatMap(([, rows]) => rows);
    this.#groups.replaceChildren(...groups.map(([title, rows]) => made("fieldset", made("legend", title), ...rows.map((row) => this.#field(row)))));
    for (const [name, text] of before) if (this.#fields.has(name)) this.#fields.get(name).input.value = text;
    this.#edited();
  }

  #field(row) {
    const name = nameOf(row);
    const id = `setting-${this.#fields.size}`;
    const choices = choicesOf(row);
    const input = choices ? made("select", ...choices.map(([value, words]) => new Option(words, value))) : made("input");
    const fixed = Boolean(fixedWords(row));
    input.value = shownValue(fixed ? row.value : inFile(row));
    input.disabled = fixed;
    if (!choices && row.kind !== "text" && row.kind !== "names") input.inputMode = "decimal";
    if (!choices) input.placeholder = shownValue(row.default);
    assign(input, { name, "aria-describedby": `${id} ${id}-wrong` });
    const unit = row.unit ? `, ${row.unit}` : "";
    const help = assign(made("p", helpWords(row)), { id });
    const mistake = assign(made("p"), { id: `${id}-wrong`, class: "mistake" });
    this.#fields.set(name, { input, mistake });
    return assign(made("div", made("label", made("span", capital(row.meaning) + unit), made("code", row.key), input), help, mistake), { class: "setting" });
  }

  #edited() {
    const count = this.#changes().length;
    this.#save.disabled = this.#drop.disabled = !count;
    this.#tell(count ? `${count} changed, not saved yet.` : "", count ? "wait" : "");
  }

  #refused({ message, answer }) {
    const found = mistakesBy(this.#rows, answer?.mistakes ?? []);
    for (const [name, words] of Object.entries(found)) {
      const field = this.#fields.get(name);
      if (!field) continue;
      field.input.ariaInvalid = "true";
      put(field.mistake, words);
    }
    const beside = Object.keys(found).filter(Boolean).length;
    const rest = joined([beside && `Not saved: see what is marked, ${beside} in all.`, found[""]], " ");
    this.#tell(rest || `Not done: ${message}.`, "act");
    this.#form.querySelector('[aria-invalid="true"]')?.focus();
  }

  #tell(words, kind = "") {
    this.#say.dataset.kind = kind;
    put(this.#say, words);
  }
}
