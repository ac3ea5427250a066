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

test("a sync that is gone is no longer proven at once, said after a second and a half, and is back when that has lasted", () => {
  const settled = new Settled();
  run(settled, 500, () => ({ sync: sync("locked") }), state);
  const gone = run(settled, 2000, () => ({ sync: sync("none") }), state, 550);
  assert.deepEqual([gone[0], gone.indexOf("none"), new Set(gone).size], ["blanking-only", 29, 2]);
  const back = run(settled, 2000, () => ({ sync: sync("locked") }), state, 2600);
  assert.deepEqual([back[0], back.indexOf("locked"), new Set(back).size], ["blanking-only", 29, 2]);
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

test("a level that swings by half a millivolt about an edge and about the half keeps its digits, and the worse word", () => {
  const about = (n) => {
    const swing = 0.5 * Math.sin(n * 2.3);
    const mv = 714.5 + swing;
    const over = mv > 714.3;
    return channel({
      peak_white_mv: mv, low_mv: mv - 1, high_mv: mv + 1, zone: over ? "over" : "on-target", verdict: mv > 714.8 ? "over" : "unsure",
      aim_mv: 712.5 + swing / 5, off_aim_mv: mv - 712.5, u95_mv: 1.2 + swing / 5, average_mv: 300.5 + swing, p_over: 0.5 + swing,
    });
  };
  const seen = run(new Settled(), 20000, (n) => ({ channels: [about(n)] }), red);
  assert.equal(new Set(seen.map(({ number }) => number)).size, 1);
  assert.deepEqual([...new Set(seen.slice(30).map((one) => JSON.stringify(one)))].map((one) => JSON.parse(one).verdict), ["over"]);
});

test("a worse judgement is taken at once though the number stands, a better one when it has lasted", () => {
  const settled = new Settled();
  const verdict = (all) => red(all).verdict;
  run(settled, 500, () => ({ channels: [channel()] }), red);
  assert.deepEqual(run(settled, 0, () => ({ channels: [channel({ verdict: "unsure" })] }), verdict, 550), ["unsure"]);
  assert.equal(run(settled, 2000, () => ({ channels: [channel()] }), verdict, 600).indexOf("leave-it"), 29);
});

test("of two judgements that alternate the worse one is shown, however rare", () => {
  for (const often of [1, 2, 9]) {
    const settled = new Settled();
    run(settled, 3000, () => ({ channels: [channel()] }), red);
    const mixed = (n) => ({ channels: [channel({ verdict: n % 10 < often ? "unsure" : "leave-it" })] });
    assert.deepEqual([...new Set(run(settled, 10000, mixed, (all) => red(all).verdict, 3050))], ["unsure"]);
  }
});

test("noise within what a level repeats brings no better judgement with it", () => {
  const noisy = (n) => ({ channels: [channel({ peak_white_mv: 700 + (n % 2 ? 4 : -4), u95_repeat_mv: 12, verdict: n % 2 ? "unsure" : "leave-it" })] });
  const seen = run(new Settled(), 5000, noisy, (all) => red(all).verdict);
  assert.deepEqual([...new Set(seen.slice(1))], ["unsure"]);
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
  assert.deepEqual(run(new Settled(), 0, () => ({ channels, match }), named), [""]);
  assert.deepEqual(run(new Settled(), 0, () => ({ channels, match: { ...match, spread_mv: 6 } }), named), ["red"]);
  assert.deepEqual(run(new Settled(), 0, () => ({ channels, match: { ...match, method: "one-probe" } }), named), ["red"]);
});

const MATCH = { spread_mv: 2, u95_mv: 2, limit_pct: 2, ok: true, method: "tied", highest: "red", lowest: "blue" };
const three = (...levels) => ["red", "green", "blue"].map((role, n) => channel({ role, peak_white_mv: levels[n] }));

test("a spread that moved brings its verdict and its names at once, though the highest two swap by noise", () => {
  const settled = new Settled();
  run(settled, 3000, () => ({ channels: three(700, 699, 698), match: MATCH }), red);
  const apart = (n) => ({ channels: three(700, 700.2, 610), match: { ...MATCH, spread_mv: 90, ok: false, highest: n % 2 ? "red" : "green" } });
  const seen = run(settled, 3000, apart, (all) => all.match.shown, 3050);
  assert.deepEqual([...new Set(seen.map(({ ok, spread_mv: spread, lowest }) => `${ok} ${spread} ${lowest}`))], ["false 90 blue"]);
  const repaired = run(settled, 0, () => ({ channels: three(700, 699, 689), match: { ...MATCH, spread_mv: 11 } }), (all) => all.match.shown, 6100);
  assert.deepEqual([repaired[0].ok, repaired[0].spread_mv], [true, 11]);
});

test("of two verdicts on the match that alternate the worse one is shown, and a better one when it has lasted", () => {
  const settled = new Settled();
  const ok = (all) => all.match.shown.ok;
  run(settled, 3000, () => ({ channels: three(700, 699, 686), match: { ...MATCH, spread_mv: 14 } }), red);
  const mixed = (n) => ({ channels: three(700, 699, 686), match: { ...MATCH, spread_mv: 14, ok: n % 10 ? true : null } });
  assert.deepEqual([...new Set(run(settled, 5000, mixed, ok, 3050))], [null]);
  const seen = run(settled, 3000, () => ({ channels: three(700, 699, 686), match: { ...MATCH, spread_mv: 14 } }), ok, 8100);
  assert.equal(seen.indexOf(true), 29);
});

test("the hints of every channel settle by its name, those of a channel without a ruler too", () => {
  const settled = new Settled();
  const channels = [channel({ hints: [HINT] }), { ...channel({ ...NOTHING, channel: "CH4", role: "sync", hints: [HINT] }) }];
  run(settled, 3000, () => ({ channels }), red);
  assert.deepEqual([red(settled).hints, settled.hintsOf.get("CH1").shown, settled.hintsOf.get("CH4").shown], [[HINT], [HINT], [HINT]]);
});

test("without sync every level is held, with its age, though some records look like blanking", () => {
  const settled = new Settled();
  run(settled, 500, () => ({ sync: sync("locked") }), red);
  run(settled, 4000, (n) => ({ sync: sync(n % 2 ? "blanking-only" : "none") }), red, 550);
  assert.deepEqual([red(settled).number, red(settled).held], [690, true]);
  assert.ok(red(settled).age_s > 2.5 && red(settled).age_s < 4.1);
});

test("another set-up begins anew", () => {
  const settled = new Settled();
  run(settled, 500, () => ({ channels: [channel()] }), red);
  settled.take(reading(50, { setup: 2, sync: sync("locked"), channels: [channel({ ...NOTHING })] }), 600);
  assert.equal(red(settled).number, null);
});
