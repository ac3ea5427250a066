import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { layTrace } = await page("linepixels.js");

const [WIDTH, HEIGHT] = [8, 10];
const AS_IT_IS = { at: (value) => value };

/** How much of each pixel is covered, row by row, after one trace of `[us, low, high]` points one pixel thick. */
function laid(points, strength = 1, data = new Uint8ClampedArray(4 * WIDTH * HEIGHT)) {
  const [us, low, high] = [0, 1, 2].map((n) => points.map((point) => point[n]));
  layTrace({ data, width: WIDTH, height: HEIGHT }, { us, low, high, count: points.length }, AS_IT_IS, AS_IT_IS, 1, strength);
  return Array.from({ length: HEIGHT }, (_, row) => Array.from({ length: WIDTH }, (__, column) => data[4 * (row * WIDTH + column) + 3] / 255));
}

const column = (rows, n) => rows.map((row) => row[n]);

test("a level between two rows covers a part of both, and one pixel in all", () => {
  const rows = laid([[0.5, 4.8, 4.8], [7.5, 4.8, 4.8]]);
  for (let n = 0; n < WIDTH; n += 1) {
    assert.ok(Math.abs(rows[4][n] - 0.7) < 0.01 && Math.abs(rows[5][n] - 0.3) < 0.01);
    assert.ok(Math.abs(column(rows, n).reduce((sum, one) => sum + one) - 1) < 0.01);
  }
});

test("a column is covered from its lowest to its highest level", () => {
  const rows = laid([[2.5, 7.5, 2.5]]);
  assert.deepEqual(column(rows, 2), [0, 0, 1, 1, 1, 1, 1, 1, 0, 0]);
  assert.ok(rows.every((row) => row.every((covered, n) => n === 2 || covered === 0)));
});

test("a step from one column to the next leaves no gap", () => {
  const rows = laid([[2.5, 1.5, 1.5], [3.5, 8.5, 8.5]]);
  assert.deepEqual(column(rows, 2), [0, 1, 0, 0, 0, 0, 0, 0, 0, 0]);
  assert.deepEqual(column(rows, 3), [0, 0, 1, 1, 1, 1, 1, 1, 1, 0]);
});

test("between points that are far apart the trace runs straight, also from one that is out of sight", () => {
  const rows = laid([[-3.5, 0.5, 0.5], [4.5, 8.5, 8.5], [30.5, 8.5, 8.5]]);
  assert.deepEqual([0, 1, 2, 3, 4, 7].map((n) => rows[n + 4]?.[n]), [1, 1, 1, 1, 1, undefined]);
  assert.equal(rows[8][7], 1);
});

test("of a trace beyond the lane nothing is laid, and every further trace covers a part of what was left", () => {
  assert.ok(laid([[0.5, -4, -6], [7.5, 15, 14]]).flat().every((covered) => covered <= 1));
  assert.ok(laid([[0.5, -4, -6], [7.5, -4, -6]]).flat().every((covered) => covered === 0));
  const data = new Uint8ClampedArray(4 * WIDTH * HEIGHT);
  laid([[2.5, 5.5, 5.5]], 0.38, data);
  assert.ok(Math.abs(laid([[2.5, 5.5, 5.5]], 0.38, data)[5][2] - (1 - 0.62 ** 2)) < 0.01);
});
