import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { LiveLink, liveUrl } = await page("live.js");

// A world with a clock that stands until it is turned, and sockets that do what the test says.
function world() {
  const outside = {
    time: 0, timers: [], sockets: [],
    now: () => outside.time,
    random: () => 0.5,
    later: (run, ms) => outside.timers.push({ at: outside.time + ms, run }),
    every: (run, ms) => {
      const again = () => {
        run();
        outside.timers.push({ at: outside.time + ms, run: again });
      };
      outside.timers.push({ at: ms, run: again });
    },
    openSocket: (url) => {
      const socket = { url, closed: false, close: () => { socket.closed = true; } };
      outside.sockets.push(socket);
      return socket;
    },
    turn: (ms) => {
      const end = outside.time + ms;
      for (;;) {
        outside.timers.sort((a, b) => a.at - b.at);
        if (!outside.timers.length || outside.timers[0].at > end) break;
        const { at, run } = outside.timers.shift();
        outside.time = at;
        run();
      }
      outside.time = end;
    },
    say: (frame) => outside.sockets.at(-1).onmessage({ data: JSON.stringify(frame) }),
  };
  return outside;
}

function started() {
  const outside = world();
  const frames = [];
  const link = new LiveLink("ws://bench/api/v1/live", (frame) => frames.push(frame), outside);
  link.start();
  return { outside, frames, link };
}

test("the live address stands beside the page, under any path and with TLS too", () => {
  assert.equal(liveUrl("http://127.0.0.1:8000/"), "ws://127.0.0.1:8000/api/v1/live");
  assert.equal(liveUrl("https://bench.example/video/levels/?a=1#x"), "wss://bench.example/video/levels/api/v1/live");
});

test("a closed socket is opened again after a growing wait, and from the start after a hello", () => {
  const { outside } = started();
  const waits = [];
  for (let n = 0; n < 4; n += 1) {
    outside.sockets.at(-1).onclose();
    const before = outside.time;
    const count = outside.sockets.length;
    while (outside.sockets.length === count) outside.turn(10);
    waits.push(outside.time - before);
  }
  assert.deepEqual(waits, [250, 500, 1000, 2000]);
  outside.say({ type: "hello" });
  outside.sockets.at(-1).onclose();
  const count = outside.sockets.length;
  outside.turn(250);
  assert.equal(outside.sockets.length, count + 1);
});

test("a socket that is open but silent is given up", () => {
  const { outside } = started();
  const silent = outside.sockets[0];
  outside.say({ type: "hello" });
  outside.turn(7500);
  assert.equal(silent.closed, false);
  outside.turn(1500);
  assert.equal(silent.closed, true);
  outside.turn(1000);
  assert.equal(outside.sockets.length, 2);
});

test("frames of a socket that was given up are not heard any more", () => {
  const { outside, frames } = started();
  const old = outside.sockets[0];
  outside.turn(9500);
  old.onmessage({ data: '{"type":"hello"}' });
  old.onclose();
  assert.deepEqual(frames, []);
});

test("waking up does not wait for the timer, and does not open a second socket", () => {
  const { outside, link } = started();
  link.wake();
  assert.equal(outside.sockets.length, 1);
  outside.sockets[0].onclose();
  link.wake();
  assert.equal(outside.sockets.length, 2);
  outside.turn(5000);
  assert.equal(outside.sockets.length, 2);
});

test("binary frames are no business of this page and are passed over", () => {
  const { outside, frames } = started();
  outside.sockets[0].onmessage({ data: new ArrayBuffer(4) });
  assert.deepEqual(frames, []);
});

test("a socket that is closed because nobody is signed in says so, and is opened again only when the link is woken", () => {
  const { outside, link } = started();
  let refused = 0;
  link.onRefused = () => (refused += 1);
  outside.sockets[0].onclose({ code: 1008, reason: "sign in first" });
  outside.turn(60_000);
  assert.deepEqual([refused, outside.sockets.length], [1, 1]);
  link.wake();
  assert.equal(outside.sockets.length, 2);
  outside.sockets[1].onclose({ code: 1013, reason: "too slow" });
  outside.turn(60_000);
  assert.deepEqual([refused, outside.sockets.length > 2], [1, true]);
});
