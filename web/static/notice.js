// The one place for states and hints: the most pressing thing in words, everything in a sheet.

export class Notice {
  constructor(root) {
    this.strip = root.querySelector("[data-notice]");
    this.title = root.querySelector("[data-notice-title]");
    this.action = root.querySelector("[data-notice-do]");
    this.button = root.querySelector("[data-open-notes]");
    this.sheet = root.querySelector("[data-notes]");
    this.items = root.querySelector("[data-notes-items]");
    this.shown = "";
    this.button.addEventListener("click", () => this.sheet.showModal());
    root.querySelector("[data-close-notes]").addEventListener("click", () => this.sheet.close());
    new ResizeObserver(() => this.#offerTheRest()).observe(this.strip);
  }

  /** Show these notes (see situation.js), the first one large; `clear` where there are none. */
  show(notes, clear) {
    const first = notes[0] ?? clear;
    const now = JSON.stringify([first, ...notes]);
    if (now === this.shown) return;
    this.shown = now;
    this.notes = notes;
    this.strip.dataset.situation = first.code;
    this.strip.dataset.kind = first.kind;
    this.title.textContent = first.title;
    this.action.textContent = first.kind === "hint" ? `Test: ${first.do}` : first.do;
    this.button.textContent = notes.length > 1 ? `Read all (${notes.length})` : "Read all";
    this.items.replaceChildren(...notes.map(listItem));
    this.#offerTheRest();
  }

  // The button is there only where the strip does not say it all.
  #offerTheRest() {
    const notes = this.notes ?? [];
    const rest = notes.length > 1 || Boolean(notes[0]?.more) || (notes.length === 1 && [this.title, this.action, this.action.parentElement].some(isCut));
    this.button.classList.toggle("away", !rest);
  }
}

const isCut = (element) => !element.offsetHeight || element.scrollWidth > element.clientWidth || element.scrollHeight > element.clientHeight + 1;

function listItem({ title, do: action, more, kind }) {
  const item = document.createElement("li");
  item.dataset.kind = kind;
  const lines = [["strong", title], ["span", more], ["span", kind === "hint" ? `Ten-second test: ${action}` : action]];
  for (const [tag, words] of lines) if (words) item.append(Object.assign(document.createElement(tag), { textContent: words }));
  return item;
}
