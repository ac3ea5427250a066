// Keeps in `painted` when each message came and when the first animation frame that drew it was painted, epoch milliseconds.
// Run in the page before its own scripts. What a frame draws is the newest message; those it overtook are not drawn.
(() => {
  const painted = (globalThis.painted = []);
  const epochMs = () => performance.timeOrigin + performance.now();
  const atOf = (text) => Date.parse(/"captured_at":"([^"]+)"/.exec(text)[1]);
  let newest = null;

  globalThis.WebSocket = class extends WebSocket {
    constructor(...given) {
      super(...given);
      this.addEventListener("message", ({ data }) => {
        if (typeof data === "string" && data.startsWith('{"type":"reading"')) newest = { from: atOf(data), heard: epochMs() };
      });
    }
  };

  const changes = new MutationObserver(() => {});
  changes.observe(document, { subtree: true, attributes: true, childList: true, characterData: true });
  const afterPaint = new MessageChannel();
  afterPaint.port2.onmessage = ({ data }) => painted.push({ ...data, painted: epochMs() });
  const nextFrame = requestAnimationFrame.bind(globalThis);
  globalThis.requestAnimationFrame = (draw) =>
    nextFrame((at) => {
      changes.takeRecords();
      draw(at);
      if (newest) afterPaint.port1.postMessage({ ...newest, changed: changes.takeRecords().length > 0 });
      newest = null;
    });

  /** How far the page's clock is ahead of the system's, milliseconds: the median over twenty ticks of the latter. */
  globalThis.clockAheadMs = () => {
    const ahead = Array.from({ length: 20 }, () => {
      const before = Date.now();
      while (Date.now() === before);
      return epochMs() - Date.now();
    });
    return ahead.sort((a, b) => a - b)[10];
  };
})();
