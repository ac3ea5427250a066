// Keeps in `firstLevelMs` when the first frame with a digit in one of the elements `levels` was painted, since navigation began.
// Run in the page before its own scripts, after a line that says what `levels` is.
(() => {
  const painted = new MessageChannel();
  painted.port2.onmessage = () => (globalThis.firstLevelMs ??= performance.now());
  const nextFrame = requestAnimationFrame.bind(globalThis);
  globalThis.requestAnimationFrame = (draw) =>
    nextFrame((at) => {
      draw(at);
      if (globalThis.firstLevelMs) return;
      if ([...document.querySelectorAll(levels)].some((one) => /\d/.test(one.textContent))) painted.port1.postMessage(0);
    });
})();
