// The few things that every view does with elements.

/** The elements `[data-NAME]` under `root`, by name; `family` stands before each. */
export const partsOf = (root, names, family = "") => Object.fromEntries(names.map((name) => [name, root.querySelector(`[data-${family}${name}]`)]));

/** Let it say these words; touched only when they are others. */
export function put(element, words) {
  if (element.textContent !== words) element.textContent = words;
}

/** The element `[data-NAME]` of the page. */
export const find = (name) => document.querySelector(`[data-${name}]`);

/** A new element with that text, or with these things in it. */
export function made(tag, ...inside) {
  const element = document.createElement(tag);
  element.append(...inside);
  return element;
}

/** A copy of what stands in the template of that name. */
export const copied = (name) => document.getElementById(name).content.firstElementChild.cloneNode(true);

/** Give an element these attributes. */
export function assign(element, attributes) {
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}

/** A new SVG element with these attributes, the last one in `parent` if there is one. */
export function drawn(tag, attributes, parent = null) {
  const element = assign(document.createElementNS("http://www.w3.org/2000/svg", tag), attributes);
  parent?.append(element);
  return element;
}
