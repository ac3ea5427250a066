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
  }

  /** Show these notes (see situation.js), the first one large. */
  show(notes) {
    const now = JSON.stringify(notes);
    if (now === this.shown) return;
    this.shown = now;
    const first = notes[0] ?? { code: "clear", kind: "clear", title: "Nothing suspicious", do: "Trim each level to its aim." };
    this.strip.dataset.situation = first.code;
    this.strip.dataset.kind = first.kind;
    this.title.textContent = first.title;
    this.action.textContent = first.do;
    this.button.textContent = notes.length > 1 ? `Read all (${notes.length})` : "Read all";
    this.button.classList.toggle("away", notes.length === 0);
    this.items.replaceChildren(...notes.map(listItem));
  }
}

function listItem({ title, do: action, kind }) {
  const item = document.createElement("li");
  item.dataset.kind = kind;
  const strong = document.createElement("strong");
  strong.textContent = title;
  const rest = document.createElement("span");
  rest.textContent = action;
  item.append(strong, rest);
  return item;
}
