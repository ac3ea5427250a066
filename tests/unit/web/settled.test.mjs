import assert from "node:assert/strict";
import { test } from "node:test";
import { NOTHING, channel, page, reading } from "./page.mjs";

const { Settled } = await page("settled.js");
const sync = (state) => ({ state, channel: "CH4", line_rate_hz: 15734.3, system: "525/60", field: null });
const HINT = { code: "x", text: "t", test: "u" };

/** Readings every 50 ms for `ms`, from what `of(n)` says of the n-th; gives what was shown after each. */
function run(settled, ms, of, look, from = 0) {
  const seen = [];
  for (let n = 0; n * 50 <= ms; n += 1) {
    settled.take(reading(n, of(n)), from + n * 50);
    seen.push(look(settled));
  }
  return seen;
}

const state = (settled) => settled.sync.shown?.state;
const red = (settled) => settled.channels()[0];

test("captures that miss the picture now and then change no sync state, level, match or hint", () => {
  const match = { spread_mv: 50, u95_mv: 35, limit_pct: 2, ok: null, method: "untied", highest: "red", lowest: "blue" };
  const colours = (more) => ["red", "green", "blue"].map((role) => channel({ role, ...more }));
  const good = { sync: sync("locked"), channels: colours(), match };
  const missed = { sync: sync("vertical-interval"), channels: colours({ ...NOTHING, hints: [HINT] }), match: null };
  const held = { sync: sync("vertical-interval"), channels: colours({ held: true, age_s: 1 }), match: null };
  const look = (settled) => JSON.stringify([settled.sync.shown, settled.channels(), settled.match.shown, settled.hints.shown]);
  const seen = run(new Settled(), 10000, (n) => (n % 5 === 0 ? good : n % 2 ? missed : held), look);
  assert.equal(new Set(seen).size, 1);
});

test("a sync that is gone for a second and a half is said, and its return at once", () => {
  const settled = new Settled();
  run(settled, 500, () => ({ sync: sync("locked") }), state);
  const seen = run(settled, 2000, () => ({ sync: sync("none") }), state, 550);
  assert.equal(seen.indexOf("none"), 29);
  assert.deepEqual(run(settled, 0, () => ({ sync: sync("locked") }), state, 2600), ["locked"]);
});

test("between blanking and no sync in turn the worse one is shown, without a break", () => {
  const seen = run(new Settled(), 8000, (n) => ({ sync: sync(n % 2 ? "none" : "blanking-only") }), state);
  assert.deepEqual([...new Set(seen)], [undefined, "none"]);
  assert.equal(seen.indexOf("none"), 30);
});

test("the line rate is steady against measuring noise", () => {
  const look = (settled) => settled.sync.shown.line_rate_khz;
  const seen = run(new Settled(), 5000, (n) => ({ sync: { ...sync("locked"), line_rate_hz: 15625 + (n % 2 ? 4 : -4) } }), look);
  assert.equal(new Set(seen).size, 1);
});

test("a level that swings by half a millivolt about an edge and about the half changes neither digit nor word", () => {
  const about = (n) => {
    const swing = 0.5 * Math.sin(n * 2.3);
    const mv = 714.5 + swing;
    const over = mv > 714.3;
    return channel({
      peak_white_mv: mv, low_mv: mv - 1, high_mv: mv + 1, zone: over ? "over" : "on-target", verdict: mv > 714.8 ? "over" : "unsure",
      aim_mv: 712.5 + swing / 5, off_aim_mv: mv - 712.5, u95_mv: 1.2 + swing / 5, average_mv: 300.5 + swing, p_over: 0.5 + swing,
    });
  };
  const look = (settled) => JSON.stringify(red(settled));
  assert.equal(new Set(run(new Settled(), 20000, (n) => ({ channels: [about(n)] }), look)).size, 1);
});

test("a judgement that lasts is taken though the number stands", () => {
  const settled = new Settled();
  run(settled, 500, () => ({ channels: [channel()] }), red);
  const seen = run(settled, 2000, () => ({ channels: [channel({ verdict: "unsure" })] }), (all) => red(all).verdict, 550);
  assert.equal(seen.indexOf("unsure"), 30);
});

test("a turned trimmer changes number and judgement together and at once", () => {
  const settled = new Settled();
  run(settled, 500, () => ({ channels: [channel()] }), red);
  settled.take(reading(99, { channels: [channel({ peak_white_mv: 730, zone: "over", verdict: "over" })] }), 550);
  assert.deepEqual([red(settled).number, red(settled).zone, red(settled).verdict], [730, "over", "over"]);
});

test("a level that is held for a second and a half is held", () => {
  const settled = new Settled();
  run(settled, 500, () => ({ channels: [channel()] }), red);
  const seen = run(settled, 2000, () => ({ channels: [channel({ held: true })] }), (all) => red(all).held, 550);
  assert.equal(seen.indexOf(true), 29);
});

test("clipping is said at once and stays while it comes and goes", () => {
  const clipped = (settled) => red(settled).clipped;
  const seen = run(new Settled(), 6000, (n) => ({ channels: [channel({ clipped: n % 4 === 0 })] }), clipped);
  assert.deepEqual([...new Set(seen)], [true]);
});

test("a hint appears after it has lasted, and one that comes and goes stays as it was", () => {
  const settled = new Settled();
  const codes = (all) => all.hints.shown.map((hint) => hint.code).join();
  assert.deepEqual([...new Set(run(settled, 4000, (n) => ({ hints: n % 2 ? [HINT] : [] }), codes))], [""]);
  assert.equal(run(settled, 2000, () => ({ hints: [HINT] }), codes, 4050).indexOf("x"), 30);
  assert.deepEqual([...new Set(run(settled, 4000, (n) => ({ hints: n % 2 ? [HINT] : [] }), codes, 6100))], ["x"]);
});

test("no colour is named highest or lowest while they lie within what a level repeats", () => {
  const channels = ["red", "green", "blue"].map((role) => channel({ role, u95_repeat_mv: 2 }));
  const match = { spread_mv: 2.1, u95_mv: 35, limit_pct: 2, ok: null, method: "untied", highest: "red", lowest: "blue" };
  const named = (settled) => settled.match.shown.highest;
  assert.deepEqual(run(new Settled(), 0, () => ({ channels, match }), named), [null]);
  assert.deepEqual(run(new Settled(), 0, () => ({ channels, match: { ...match, spread_mv: 6 } }), named), ["red"]);
  assert.deepEqual(run(new Settled(), 0, () => ({ channels, match: { ...match, method: "one-probe" } }), named), ["red"]);
});

test("another set-up begins anew", () => {
  const settled = new Settled();
  run(settled, 500, () => ({ channels: [channel()] }), red);
  settled.take(reading(50, { setup: 2, sync: sync("locked"), channels: [channel({ ...NOTHING })] }), 600);
  assert.equal(red(settled).number, null);
});
