// A short notice above everything: what was done and where, with a way to take it back.

const SHOWN_MS = { good: 7000, act: 15000 };

export class Toast {
  constructor(root) {
    this.box = root.querySelector("[data-toast]");
    this.title = root.querySelector("[data-toast-title]");
    this.more = root.querySelector("[data-toast-more]");
    this.button = root.querySelector("[data-toast-undo]");
    this.timer = null;
    this.button.addEventListener("click", () => {
      this.box.hidden = true;
      this.undo();
    });
  }

  /** Show it; `kind` "good" or "act" (something is wrong, stays longer), `undo` what the button does, if there is one. */
  show({ title, more = "", kind = "good", undo = null }) {
    clearTimeout(this.timer);
    this.undo = undo;
    this.button.hidden = !undo;
    this.box.dataset.kind = kind;
    this.box.hidden = false;
    this.title.textContent = title;
    this.more.textContent = more;
    this.timer = setTimeout(() => {
      this.box.hidden = true;
    }, SHOWN_MS[kind]);
  }
}
