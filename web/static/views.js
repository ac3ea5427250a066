// The views of the page: one shows at a time, the address's fragment says which ("#line"), so that a reload keeps it.

/** The name of the view that a fragment such as "#line" asks for; the first of `names` where it asks for none of them. */
export function viewOf(fragment, names) {
  const wanted = fragment.replace(/^#/, "");
  return names.includes(wanted) ? wanted : names[0];
}

export class Views {
  constructor(root, place = location) {
    this.place = place;
    this.sections = [...root.querySelectorAll("section[data-view]")];
    this.names = this.sections.map((section) => section.dataset.view);
    this.tabs = [...root.querySelectorAll("[data-view-link]")];
    for (const tab of this.tabs) tab.hidden = !this.names.includes(tab.dataset.viewLink);
    this.followers = [];
    this.current = null;
    addEventListener("hashchange", () => this.#show());
    this.#show();
  }

  /** Call `run(name)` now and whenever another view is shown. */
  follow(run) {
    this.followers.push(run);
    run(this.current);
  }

  #show() {
    const name = viewOf(this.place.hash, this.names);
    if (name === this.current) return;
    this.current = name;
    for (const section of this.sections) section.hidden = section.dataset.view !== name;
    for (const tab of this.tabs) {
      if (tab.dataset.viewLink === name) tab.setAttribute("aria-current", "page");
      else tab.removeAttribute("aria-current");
    }
    for (const run of this.followers) run(name);
  }
}
