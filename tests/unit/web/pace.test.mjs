import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { Announcements, Lasting, NewestWins, RateMeter, SteadyNumber, Trail, retryDelayMs } = await page("pace.js");

test("retries wait longer and longer, up to five seconds, spread by chance", () => {
  const middle = Array.from({ length: 12 }, (_, attempt) => retryDelayMs(attempt, () => 0.5));
  assert.deepEqual(middle.slice(0, 6), [250, 500, 1000, 2000, 4000, 5000]);
  assert.equal(middle.at(-1), 5000);
  assert.equal(retryDelayMs(0, () => 0), 187.5);
  assert.equal(retryDelayMs(50, () => 1), 6250);
});

test("the rate is that of the last three seconds", () => {
  const meter = new RateMeter();
  assert.equal(meter.perSecond(0), 0);
  for (let t = 0; t <= 5000; t += 10) meter.note(t);
  assert.ok(Math.abs(meter.perSecond(5000) - 100) < 0.01);
  assert.equal(meter.perSecond(9000), 0);
});

test("a steady number ignores noise of half a unit wherever it lies, and follows a change at once", () => {
  for (const middle of [750, 750.25, 750.5, 750.75]) {
    const steady = new SteadyNumber();
    const seen = new Set();
    for (let n = 0; n < 400; n += 1) {
      const shown = steady.next(middle + 0.5 * Math.cos(n), 50 * n);
      if (n > 40) seen.add(shown);
    }
    assert.equal(seen.size, 1, `${middle}: ${[...seen]}`);
    assert.equal(steady.next(middle + 3, 30000), Math.round(middle + 3));
    assert.equal(steady.next(null, 30050), null);
  }
});

test("a steady number settles on a small change within two seconds", () => {
  const steady = new SteadyNumber();
  steady.next(750, 0);
  for (let t = 50; t <= 2000; t += 50) steady.next(750.9, t);
  assert.equal(steady.shown, 751);
});

test("a lasting value changes only after another one stood for a second and a half, and never while two alternate", () => {
  const lasting = new Lasting("a");
  for (let t = 0; t < 5000; t += 100) assert.equal(lasting.next(t % 200 ? "a" : "b", t), "a");
  assert.equal(lasting.next("b", 5000), "a");
  assert.equal(lasting.next("b", 6499), "a");
  assert.equal(lasting.next("b", 6500), "b");
  assert.equal(lasting.next("c", 6501, true), "c");
});

test("announcements come at most once in two seconds, the last one wins, none comes twice", () => {
  const said = [];
  const announcements = new Announcements(2000);
  for (let t = 0; t <= 10000; t += 100) {
    announcements.offer(t < 5000 ? `level ${Math.floor(t / 300)}` : "in: leave it");
    const due = announcements.due(t);
    if (due !== null) said.push([t, due]);
  }
  for (let n = 1; n < said.length; n += 1) assert.ok(said[n][0] - said[n - 1][0] >= 2000);
  assert.equal(said.filter(([, text]) => text === "in: leave it").length, 1);
  assert.equal(said.at(-1)[1], "in: leave it");
});

test("of values that come while one is on its way only the newest is sent", async () => {
  const sent = [];
  let release;
  const turn = new NewestWins((value) => {
    sent.push(value);
    return new Promise((resolve) => {
      release = resolve;
    });
  });
  const done = turn.put(1);
  turn.put(2);
  turn.put(3);
  release();
  await new Promise((resolve) => setImmediate(resolve));
  release();
  await done;
  assert.deepEqual(sent, [1, 3]);
  turn.put(4);
  assert.deepEqual(sent, [1, 3, 4]);
  release();
});

test("a trail keeps ten seconds and forgets the rest", () => {
  const trail = new Trail();
  for (let t = 0; t <= 15000; t += 50) trail.note(t, t);
  assert.equal(trail.mv.at(-1), 15000);
  assert.equal(trail.mv[0], 15000 - 50 * (trail.mv.length - 1));
  trail.age(30000);
  assert.ok(trail.mv.every(Number.isNaN));
});

test("a trail runs on between readings of a slow scope and breaks where none came for two seconds", () => {
  const slow = new Trail();
  slow.note(600, 0);
  slow.note(700, 500);
  assert.ok(!slow.mv.slice(-11).some(Number.isNaN));
  assert.equal(slow.mv.at(-6), 650);
  const broken = new Trail();
  broken.note(600, 0);
  broken.note(700, 3000);
  assert.ok(Number.isNaN(broken.mv.at(-2)));
});

test("a trail breaks off where the level comes by another range, however the readings fall, and goes on from there", () => {
  for (const apart of [20, 50, 500]) {
    const trail = new Trail();
    for (let t = 0; t <= 2000; t += apart) trail.note(700, t, "8 mV a state");
    const after = 2000 + apart;
    for (let t = after; t <= after + 1000; t += apart) trail.note(710, t, "20 mV a state");
    const first = trail.mv.indexOf(710);
    assert.ok(first > 0 && Number.isNaN(trail.mv[first - 1]), `${apart} ms`);
    assert.ok(trail.mv.slice(first).every((mv) => mv === 710), `${apart} ms`);
    assert.ok(trail.mv.slice(0, first - 1).includes(700), `${apart} ms`);
  }
});
