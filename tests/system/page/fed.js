// Run before the page's own scripts: its clock, its animation frames and its live socket are the test's, so that readings
// come as fast as the page draws them. One frame in three hundred is one of the browser's, so that it lays out and paints too.
(() => {
  const browserFrame = requestAnimationFrame.bind(globalThis);
  const offsetMs = Date.now() - performance.now();
  let nowMs = performance.now();
  performance.now = () => nowMs;
  Date.now = () => Math.round(offsetMs + nowMs);

  let waiting = [];
  globalThis.requestAnimationFrame = (draw) => waiting.push(draw);
  let socket = null;
  globalThis.WebSocket = class {
    constructor() {
      socket = this;
      this.readyState = 1;
    }
    send() {}
    close() {}
  };

  /** Let the page hear one frame. */
  globalThis.say = (frame) => socket.onmessage({ data: JSON.stringify(frame) });
  let seq = 0;
  /** Let it take and draw `count` readings, these in turn, 50 ms of its clock apart. */
  globalThis.feed = async (readings, count) => {
    const texts = readings.map((reading) => JSON.stringify({ ...reading, seq: undefined, captured_at: undefined }).slice(1));
    for (let n = 0; n < count; n += 1) {
      nowMs += 50;
      seq += 1;
      socket.onmessage({ data: `{"type":"reading","reading":{"seq":${seq},"captured_at":"${new Date(Date.now()).toISOString()}",${texts[n % texts.length]}}` });
      const draws = waiting;
      waiting = [];
      for (const draw of draws) draw(nowMs);
      if (n % 300 === 299) await new Promise(browserFrame);
    }
  };
})();
