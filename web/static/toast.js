// A short notice above everything: what was done and where, with a way to take it back.

import { find } from "./dom.js";

const SHOWN_MS = { good: 7000, act: 15000 };
let timer;

/** Show it; `kind` "good" or "act" (something is wrong, stays longer), `undo` what the button does, if there is one. */
export function tell({ title, more = "", kind = "good", undo = null }) {
  const [box, button] = [find("toast"), find("toast-undo")];
  const hide = () => (box.hidden = true);
  clearTimeout(timer);
  timer = setTimeout(hide, SHOWN_MS[kind]);
  button.hidden = !undo;
  button.onclick = () => {
    hide();
    undo();
  };
  box.dataset.kind = kind;
  box.hidden = false;
  find("toast-title").textContent = title;
  find("toast-more").textContent = more;
}

/** Something is wrong elsewhere: what went well covers it no longer. */
export function endGood() {
  const box = find("toast");
  box.hidden ||= box.dataset.kind === "good";
}

/** Show what did not go well, and why. */
export const tellFailure = (title, error) => tell({ title, more: error.message, kind: "act" });
