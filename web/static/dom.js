// The few things that every view does with elements.

/** The elements `[data-NAME]` under `root`, by name; `family` stands before each. */
export const partsOf = (root, names, family = "") => Object.fromEntries(names.map((name) => [name, root.querySelector(`[data-${family}${name}]`)]));

/** Let it say these words; touched only when they are others. */
export function put(element, words) {
  if (element.textContent !== words) element.textContent = words;
}

/** The element `[data-NAME]` of the page. */
export const find = (name) => document.querySelector(`[data-${name}]`);
