// Which key does what. No DOM: a key event's fields in, an action out.

/** Keys as the help lists them: what to press, what it does. */
export const KEY_HELP = [
  ["1 to 9", "show one channel large"],
  ["0", "all side by side, and back"],
  ["← →", "the channel before, the next one (Page Up, Page Down too)"],
  ["Space", "keep a mark in the bench book; like T and H in every view"],
  ["F", "freeze what is shown, and go on"],
  ["T", "tone on or off"],
  ["W", "watch for faults on or off"],
  ["S", "it is the same unit, when that is asked"],
  ["R", "begin lowest, mean and highest anew"],
  ["H", "this help"],
];

const ACTION_OF = new Map([
  ["0", "abreast"], ["ArrowRight", "next"], ["PageDown", "next"], ["ArrowLeft", "before"], ["PageUp", "before"], [" ", "mark"],
  ["f", "freeze"], ["t", "tone"], ["r", "reset"], ["w", "watch"], ["s", "same"], ["h", "help"], ["?", "help"],
]);

/**
 * The action of a keydown event, `{name}` or `{name: "focus", number}`, or null: keys held down and keys with Ctrl, Alt or
 * Meta are nobody's, and what has the keyboard's focus keeps the keys that it needs itself.
 */
export function actionOf({ key, repeat, ctrlKey, altKey, metaKey, target }) {
  if (repeat || ctrlKey || altKey || metaKey || ownsKey(target, key)) return null;
  if (/^[1-9]$/.test(key)) return { name: "focus", number: Number(key) };
  const name = ACTION_OF.get(key.length === 1 ? key.toLowerCase() : key);
  return name ? { name } : null;
}

function ownsKey(target, key) {
  const kind = (target?.tagName ?? "").toLowerCase();
  if (kind === "input" && target.type === "range") return /^(Arrow|Page)/.test(key);
  if (kind === "input" || kind === "select" || kind === "textarea" || target?.isContentEditable) return true;
  return (kind === "button" || kind === "a" || kind === "summary") && key === " ";
}
