// Keeping the screen on while somebody trims, or the words that say what to set where a browser may not.

export const BY_HAND = "This browser cannot keep the screen on here. Set it by hand: on a phone, display settings, screen time-out, the longest there is.";

/** What to say of the screen, from whether it is kept on now and whether the browser could. */
export function awakeWords(kept, able) {
  if (kept) return "The screen is kept on while this page shows.";
  return able ? "The browser let the screen go dark just now, as it does on a low battery; tap the page to ask again." : BY_HAND;
}

export class Awake {
  lock = null;

  constructor(onChange) {
    this.able = isSecureContext && "wakeLock" in navigator;
    this.onChange = onChange;
    document.addEventListener("visibilitychange", () => this.ask());
    addEventListener("pointerdown", () => this.ask());
  }

  get kept() {
    return this.lock !== null && !this.lock.released;
  }

  async ask() {
    if (!this.able || document.hidden || this.kept || this.asking) return;
    this.asking = true;
    try {
      this.lock = await navigator.wakeLock.request("screen");
      this.lock.addEventListener("release", () => this.onChange());
    } catch {
      this.lock = null; // refused, on a low battery: said in the help, asked again with the next tap
    }
    this.asking = false;
    this.onChange();
  }
}
