import assert from "node:assert/strict";
import { test } from "node:test";
import { channel, page, reading } from "./page.mjs";

const { Extremes, Freshness, Histories, Lag, Motion } = await page("motion.js");
const { extremesWords, motionWords, paceWords } = await page("words.js");

/** A level from `mvAt(seconds)`, `perSecond` readings a second for `seconds`. */
function moved(mvAt, { perSecond = 20, seconds = 4, motion = new Motion(), from = 0 } = {}) {
  let at = from;
  for (; at < from + seconds; at += 1 / perSecond) motion.note(mvAt(at), 0.4, at * 1000);
  return { motion, nowMs: at * 1000 };
}

test("noise of half a millivolt is steady, at three readings a second and at a hundred", () => {
  for (const perSecond of [3, 10, 100]) {
    let seed = 7;
    const noise = () => {
      seed = (seed * 16807) % 2147483647;
      return seed / 2147483647 - 0.5;
    };
    const { motion } = moved(() => 700 + noise(), { perSecond });
    assert.equal(motion.way, 0, `${perSecond} a second`);
    assert.equal(motion.since, 0);
  }
});

test("a trimmer that is turned is rising or falling, at any rate of readings", () => {
  for (const perSecond of [1, 3, 20, 100]) {
    assert.equal(moved((s) => 700 + 5 * s, { perSecond }).motion.way, 1, `${perSecond} a second`);
    assert.equal(moved((s) => 700 - 5 * s, { perSecond }).motion.way, -1, `${perSecond} a second`);
  }
});

test("after it stopped the level is steady again within two seconds, and that is when its time begins", () => {
  const { motion } = moved((s) => 700 + 5 * s, { seconds: 2 });
  const { nowMs } = moved(() => 710, { seconds: 4, motion, from: 2 });
  assert.equal(motion.way, 0);
  assert.ok(motion.since > 2000 && motion.since < 4000, `${motion.since}`);
  assert.match(motionWords(motion, 0, nowMs), /^steady [234]\u00a0s · live$/);
});

test("motion is said with the age of a level that is not of just now", () => {
  assert.equal(motionWords({ way: 1, since: 0 }, 0.2, 5000), "rising ▲ · live");
  assert.equal(motionWords({ way: -1, since: 0 }, 3.2, 5000), "falling ▼ · 3\u00a0s old");
  assert.equal(motionWords({ way: 0, since: null }, 0, 5000), "live");
  assert.equal(motionWords(null, 7, 5000), "7\u00a0s old");
});

test("lowest, mean and highest are of all levels since the reset", () => {
  const extremes = new Extremes();
  assert.equal(extremesWords(extremes, 0), "");
  extremes.reset(1000);
  for (const mv of [700, 704, 699]) extremes.note(mv, 2000);
  assert.equal(extremesWords(extremes, 43_000), "lowest 699.0 · mean 701.0 · highest 704.0\u00a0mV in 42\u00a0s");
  extremes.reset(50_000);
  extremes.note(710.04, 50_100);
  assert.equal(extremesWords(extremes, 52_000), "lowest 710.0 · mean 710.0 · highest 710.0\u00a0mV in 2\u00a0s");
});

test("a level is fresh for a second, or for three intervals where these are longer", () => {
  const quick = new Freshness();
  assert.equal(quick.fresh(0), false);
  for (let at = 0; at <= 500; at += 50) quick.note(at);
  assert.equal(quick.fresh(1499), true);
  assert.equal(quick.fresh(1500), false);
  const slow = new Freshness();
  for (let at = 0; at <= 8000; at += 2000) slow.note(at);
  assert.equal(slow.fresh(13_999), true);
  assert.equal(slow.fresh(14_000), false);
});

test("held and clipped levels are in no history, and a held one is not fresh", () => {
  const histories = new Histories();
  histories.take(reading(1, { channels: [channel({ peak_white_mv: 700 })] }), 0);
  histories.take(reading(2, { channels: [channel({ peak_white_mv: 900, held: true })] }), 900);
  histories.take(reading(3, { channels: [channel({ peak_white_mv: 950, clipped: true })] }), 950);
  assert.equal(histories.of("red").extremes.highest, 700);
  assert.equal(histories.of("red").freshness.at, 950);
});

test("after a gap a level is steady since it came back, and another run begins everything anew", () => {
  const histories = new Histories();
  const from = (run, first, atMs) => {
    for (let n = 0; n < 10; n += 1) histories.take(reading(first + n, { run, channels: [channel({ peak_white_mv: 700 })] }), atMs + n * 100);
  };
  from("9f3c", 1, 0);
  from("9f3c", 11, 8000);
  assert.equal(histories.of("red").motion.since, 8000);
  assert.equal(histories.of("red").extremes.since, 0);
  from("77aa", 1, 9100);
  assert.equal(histories.of("red").extremes.since, 9100);
});

test("another set-up, or another way by range or probe, begins anew", () => {
  const histories = new Histories();
  histories.take(reading(1, { channels: [channel({ peak_white_mv: 700, path: "x1" })] }), 0);
  histories.take(reading(2, { channels: [channel({ peak_white_mv: 720, path: "x10" })] }), 100);
  assert.equal(histories.of("red").extremes.lowest, 720);
  histories.take(reading(3, { setup: 2, channels: [channel({ peak_white_mv: 690, path: "x10" })] }), 200);
  assert.equal(histories.of("red").extremes.highest, 690);
});

test("the lag is what a reading took and how much later than the quickest it came, whatever the clocks say", () => {
  const lag = new Lag();
  const at = Date.parse("2026-01-02T03:04:05.000Z");
  const drawn = (afterMs, seq) => {
    const capturedAt = new Date(at + seq * 1000).toISOString();
    lag.note({ captured_at: capturedAt, latency_ms: { fetch: 20, measure: 10 } }, seq * 1000 + 777_000 + afterMs);
  };
  drawn(35, 0);
  assert.equal(lag.mean, 30);
  for (let seq = 1; seq < 60; seq += 1) drawn(135, seq);
  assert.ok(lag.mean < 131);
  const late = new Lag();
  late.note({ captured_at: new Date(at).toISOString(), latency_ms: { fetch: 20, measure: 10 } }, 1000);
  for (let n = 1; n < 80; n += 1) late.note({ captured_at: new Date(at + 50 * n).toISOString(), latency_ms: { fetch: 20, measure: 10 } }, 1000 + 50 * n + 100);
  assert.ok(Math.abs(late.mean - 130) < 1, `${late.mean}`);
  assert.deepEqual([late.newest, late.late], [130, 100]);
});

test("rate and lag are words; without a lag the rate alone", () => {
  assert.equal(paceWords(12, 43), "12\u00a0readings/s · 40\u00a0ms behind");
  assert.equal(paceWords(12, 3), "12\u00a0readings/s · 10\u00a0ms behind");
  assert.equal(paceWords(3, 1260), "3\u00a0readings/s · 1.3\u00a0s behind");
  assert.equal(paceWords(12, null), "12\u00a0readings/s");
});
