// What this browser remembers. Storage may be forbidden: then nothing is remembered, and nothing breaks.

/** What was kept under `key`, or null. `area` is "local", or "session" for this tab alone. */
export function recall(key, area = "local") {
  try {
    return globalThis[`${area}Storage`].getItem(`peakwhite.${key}`);
  } catch {
    return null;
  }
}

/** Keep `value` under `key`; null forgets it. */
export function keep(key, value, area = "local") {
  try {
    if (value === null) globalThis[`${area}Storage`].removeItem(`peakwhite.${key}`);
    else globalThis[`${area}Storage`].setItem(`peakwhite.${key}`, value);
  } catch {
    // see above
  }
}
