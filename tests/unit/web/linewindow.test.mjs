import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { LineWindow, FollowedRange, engraving, lanes, placed, scaleOf } = await page("linewindow.js");
const { figure } = await page("words.js");
const near = (value, expected, by = 1e-6) => assert.ok(Math.abs(value - expected) <= by, `${value} is not ${expected}`);

function settled(window) {
  window.glide(Infinity);
  return window.now;
}

test("zooming keeps what is under the pointer where it is", () => {
  const window = new LineWindow({ from: -1, to: 63 });
  const before = scaleOf(window.goal.from, window.goal.to, 0, 1000).at(20);
  window.zoom(0.25, 20);
  near(window.goal.to - window.goal.from, 16);
  near(scaleOf(window.goal.from, window.goal.to, 0, 1000).at(20), before);
});

test("no zoom or pan shows anything beyond the line, or less than a quarter of a microsecond", () => {
  const window = new LineWindow({ from: -1, to: 63 });
  for (const act of [() => window.zoom(1e-9, 62.9), () => window.pan(1e6), () => window.pan(-1e6), () => window.zoom(1e9)]) {
    act();
    const { from, to } = window.goal;
    assert.ok(from >= -1 && to <= 63 && to - from >= 0.25 - 1e-9, `${from} to ${to}`);
  }
  assert.ok(window.isWhole);
});

test("a time out of sight is brought into sight, one in sight moves nothing", () => {
  const window = new LineWindow({ from: 0, to: 64 });
  window.zoom(1 / 16, 8);
  const before = { ...window.goal };
  window.reveal(8);
  assert.deepEqual(window.goal, before);
  window.reveal(40);
  assert.ok(window.goal.from < 40 && 40 < window.goal.to);
});

test("the window glides to its goal and gets there", () => {
  const window = new LineWindow({ from: 0, to: 64 });
  window.zoom(0.5, 0);
  assert.ok(window.glide(16));
  assert.ok(window.now.to > 32 && window.now.to < 64);
  for (let n = 0; n < 100; n += 1) window.glide(16);
  assert.deepEqual(window.now, { from: 0, to: 32 });
  assert.equal(window.glide(16), false);
});

test("another line rate shows whole, a period that differs by noise moves nothing", () => {
  const window = new LineWindow({ from: -1, to: 62.5 });
  window.zoom(0.5);
  const before = { ...settled(window) };
  window.setWhole(-1, 62.55);
  assert.deepEqual(settled(window), before);
  window.setWhole(-1, 31);
  assert.deepEqual(settled(window), { from: -1, to: 31 });
});

test("numerals are round, in order and far enough apart, at every zoom", () => {
  for (const span of [0.25, 0.7, 3, 11, 63.5]) {
    const ticks = engraving(10, 10 + span, span / 12, span / 100);
    const figures = ticks.filter(({ words }) => words !== null);
    assert.ok(figures.length >= 3 && figures.length <= 13, `${span}: ${figures.length}`);
    assert.equal(new Set(figures.map(({ words }) => words)).size, figures.length);
    for (const { value, words } of figures) near(Number(words), value, 1e-9 + 1e-6 * span);
    for (let n = 1; n < ticks.length; n += 1) assert.ok(ticks[n].value - ticks[n - 1].value >= span / 100 - 1e-9);
  }
});

test("a number has a true minus sign, and zero has none", () => {
  assert.equal(figure(-3.14, 1), "−3.1");
  assert.equal(figure(-0.04, 1), "0.0");
});

test("the rule holds what is in sight and stands still while that hardly changes", () => {
  const range = new FollowedRange();
  range.hold(0, 750);
  const first = { ...range.goal };
  assert.ok(first.from < 0 && first.to > 750);
  range.hold(-2, 753);
  assert.deepEqual(range.goal, first);
  range.hold(0, 1500);
  assert.ok(range.goal.to > 1500);
  range.hold(749, 751);
  assert.ok(range.goal.to - range.goal.from >= 60);
});

test("lanes share the height by weight and leave no more than their gaps", () => {
  const [first, second] = lanes([2, 1], 10, 106, 6);
  assert.deepEqual(first, { top: 10, bottom: 70 });
  assert.deepEqual(second, { top: 76, bottom: 106 });
});

test("labels take the first place that is free, or none", () => {
  const bounds = { left: 0, right: 100, top: 0, bottom: 100 };
  const size = { width: 30, height: 10 };
  const found = placed(
    [
      { name: "a", ...size, places: [{ x: 10, y: 10 }] },
      { name: "b", ...size, places: [{ x: 20, y: 12 }, { x: 20, y: 30 }] },
      { name: "c", ...size, places: [{ x: 90, y: 50 }] },
    ],
    bounds,
  );
  assert.deepEqual(found.map(({ name, x, y }) => [name, x, y]), [["a", 10, 10], ["b", 20, 30]]);
});
