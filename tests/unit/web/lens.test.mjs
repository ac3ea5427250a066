import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { HALF_MV, Lens } = await page("lens.js");
const { stretches, tickSteps, xOf } = await page("scale.js");
const RANGE = { lo: 550, hi: 800 };

function opened(level, aim) {
  const lens = new Lens();
  lens.follow(level, aim);
  lens.glide(Infinity);
  return lens;
}

const onRule = (lens) => ({ ...RANGE, lens: lens.on(RANGE) });

test("the rule opens as the level comes near the aim and closes when it leaves", () => {
  const lens = opened(704, 695);
  assert.equal(lens.open, 1);
  lens.follow(708, 695);
  lens.glide(Infinity);
  assert.equal(lens.open, 0);
  assert.equal(lens.on(RANGE), null);
});

test("between opening and closing lies a stretch in which it stays as it is", () => {
  const shut = opened(706, 695);
  assert.equal(shut.open, 0);
  const open = opened(695, 695);
  open.follow(706, 695);
  open.glide(Infinity);
  assert.equal(open.open, 1);
});

test("one millivolt is at least five pixels wide on a phone's rule, and 15 on a laptop's", () => {
  for (const [width, pad, least] of [[340, 16, 5], [900, 24, 15]]) {
    const range = onRule(opened(695, 695));
    const millivolt = xOf(696, range, width, pad) - xOf(695, range, width, pad);
    assert.ok(millivolt >= least, `${millivolt} of ${width}`);
    const inner = stretches(range)[1];
    assert.equal(tickSteps(inner, (width - 2 * pad) * (inner.end - inner.start), 70).minor, 1);
  }
});

test("an opened rule still shows the whole range, in order and without a gap", () => {
  const range = onRule(opened(700, 695));
  assert.equal(xOf(550, range, 600, 20), 20);
  assert.equal(xOf(800, range, 600, 20), 580);
  let before = -Infinity;
  for (let mv = 520; mv <= 830; mv += 0.5) {
    const x = xOf(mv, range, 600, 20);
    assert.ok(x > before);
    assert.ok(before === -Infinity || x - before < 8);
    before = x;
  }
});

test("no place on the rule jumps while it opens, closes, or the aim goes on", () => {
  const lens = new Lens();
  let before = null;
  const step = (level, aim) => {
    lens.follow(level, aim);
    lens.glide(16);
    const now = [600, 680, 690, 695, 700, 714, 760].map((mv) => xOf(mv, onRule(lens), 900, 24));
    if (before) now.forEach((x, n) => assert.ok(Math.abs(x - before[n]) < 40, `${x} after ${before[n]}`));
    before = now;
  };
  for (let n = 0; n < 80; n += 1) step(699, 695);
  for (let n = 0; n < 80; n += 1) step(700, 700);
  for (let n = 0; n < 80; n += 1) step(740, 700);
  assert.equal(lens.open, 0);
});

test("an aim that wanders by a millivolt does not move the opened stretch", () => {
  const lens = opened(695, 695);
  lens.follow(695, 697);
  assert.equal(lens.glide(16), false);
  assert.deepEqual(lens.on(RANGE), { ...lens.on(RANGE), from: 695 - HALF_MV, to: 695 + HALF_MV });
});

test("without a level or an aim it closes, and an aim near the end of the rule opens nothing", () => {
  const lens = opened(695, 695);
  lens.follow(null, 695);
  lens.glide(Infinity);
  assert.equal(lens.open, 0);
  assert.equal(opened(555, 555).on(RANGE), null);
});
