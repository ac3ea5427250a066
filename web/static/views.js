// The views of the page: one shows at a time, the address's fragment says which ("#line"), so that a reload keeps it.

import { find } from "./dom.js";

/** The name of the view that a fragment such as "#line" asks for; the first of `names` where it asks for none of them. */
export function viewOf(fragment, names) {
  const wanted = fragment.replace(/^#/, "");
  return names.includes(wanted) ? wanted : names[0];
}

export class Views {
  says = find("view-says");
  sections = [...document.querySelectorAll("section[data-view]")];
  tabs = [...document.querySelectorAll("[data-view-link]")];

  /** `open(name)` resolves when that view may show; where it throws, its words stand in the view's place. */
  constructor(open) {
    this.open = open;
    addEventListener("hashchange", () => this.#show());
    for (const tab of this.tabs) {
      tab.onclick = () => {
        if (tab.dataset.viewLink === this.current && this.says.textContent) this.#open(this.current);
      };
    }
    this.#show();
  }

  #show() {
    const name = viewOf(location.hash, this.sections.map(({ dataset }) => dataset.view));
    if (name === this.current) return;
    this.current = name;
    for (const tab of this.tabs) tab.ariaCurrent = tab.dataset.viewLink === name ? "page" : null;
    this.#open(name);
  }

  async #open(name) {
    for (const section of this.sections) section.hidden = true;
    this.says.textContent = "";
    let words = "";
    await this.open(name).catch((error) => (words = error.message));
    if (name !== this.current) return;
    this.says.textContent = words;
    for (const section of this.sections) section.hidden = Boolean(words) || section.dataset.view !== name;
  }
}
