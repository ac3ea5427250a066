// The few things that every view does with elements.

/** The elements `[data-NAME]` under `root`, by name. */
export const partsOf = (root, names) => Object.fromEntries(names.map((name) => [name, root.querySelector(`[data-${name}]`)]));

/** Let it say these words; touched only when they are others. */
export function put(element, words) {
  if (element.textContent !== words) element.textContent = words;
}

/** The element `[data-NAME]` of the page. */
export const find = (name) => document.querySelector(`[data-${name}]`);
