import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { covers, extremes, levelAt, parseLines, points, requestFor, targetOnLine } = await page("linedata.js");
const { LineWindow } = await page("linewindow.js");
const { levelWords, timeWords, toldWords, whyWords } = await page("linewords.js");

const RED = {
  channel: "CH1", role: "red", mv_per_count: 0.1, blanking_mv: -3, level_mv: 750.2, level_lines: 5, level_of: 6, clamp_us: [5.3, 8.8],
  active_us: [8.8, 61.8], looked_at: 6,
  flats: [
    { level_mv: 750.2, from_us: 10, to_us: 21.7, lines: 5, made_level: true },
    { level_mv: 0.3, from_us: 23, to_us: 34, lines: 6, made_level: false },
  ],
};
const SYNC = { channel: "CH4", role: "sync", mv_per_count: 0.1, blanking_mv: null, level_mv: null, level_lines: 0, level_of: 0, clamp_us: null, active_us: null, looked_at: 0, flats: [] };

/** A binary frame as the daemon sends it: averaged line and single ones of `values`, one list of [low, high] counts a trace. */
function encoded(values, header = {}) {
  const columns = values[0].length;
  const all = { type: "lines", setup: 1, columns, start_us: -1, us_per_column: 0.5, whole_us: [-1, 62.5], lines: 6, singles: [], channels: [RED, SYNC], ...header };
  let text = JSON.stringify(all);
  if (text.length % 2) text += " ";
  const bytes = new ArrayBuffer(4 + text.length + values.length * columns * 4);
  const view = new DataView(bytes);
  view.setUint32(0, text.length, true);
  new Uint8Array(bytes, 4).set(new TextEncoder().encode(text));
  values.flat(2).forEach((count, n) => view.setInt16(4 + text.length + 2 * n, count, true));
  return bytes;
}

const FRAME = parseLines(encoded([[[-30, -30], [7400, 7500], [-40, 20], [10, 10]], [[1, 2], [3, 4], [5, 6], [7, 8]]]));

test("a frame's traces are found, averaged ones before single ones, channel by channel", () => {
  const frame = parseLines(encoded([[[1, 2]], [[3, 4]], [[5, 6]], [[7, 8]]], { singles: [2] }));
  assert.deepEqual(frame.channels.map(({ traces }) => traces.map((trace) => [...trace])), [[[1, 2], [3, 4]], [[5, 6], [7, 8]]]);
});

test("levels are read above blanking, or above scope zero where there is none", () => {
  const [red, sync] = FRAME.channels;
  assert.ok(Math.abs(levelAt(FRAME, red, -0.4) - 748) < 1e-9);
  assert.ok(Math.abs(levelAt(FRAME, red, -0.9)) < 1e-9);
  assert.ok(Math.abs(levelAt(FRAME, sync, -0.9) - 0.15) < 1e-9);
  assert.equal(levelAt(FRAME, red, 40), null);
});

test("at both ends of the line its outermost level is read, and none beyond", () => {
  const red = FRAME.channels[0];
  const [first, last] = [levelAt(FRAME, red, -0.9), levelAt(FRAME, red, 0.9)];
  assert.deepEqual([-1.2, -1, 1, 1.2].map((us) => levelAt(FRAME, red, us)), [first, first, last, last]);
  assert.deepEqual([-1.3, 1.3].map((us) => levelAt(FRAME, red, us)), [null, null]);
});

test("edges and aim lie on the line where the pattern's white would be on them", () => {
  const said = { edges_mv: { over: 720, on_target: 680, dim: 600 }, aim_mv: 700 };
  assert.deepEqual(targetOnLine(said, 75), { edges: { over: 540, on_target: 510, dim: 450 }, aim: 525 });
  assert.deepEqual(targetOnLine(said, 100), { edges: said.edges_mv, aim: 700 });
  assert.deepEqual(targetOnLine({ edges_mv: null, aim_mv: null }, 75), { edges: null, aim: Infinity });
  assert.equal(targetOnLine(undefined, 75).aim, Infinity);
});

test("joining columns loses no extreme, and there are no more points than asked for", () => {
  const counts = Array.from({ length: 5000 }, (_, n) => [n === 3333 ? -9000 : -5, n === 1234 ? 9000 : 5]);
  const frame = parseLines(encoded([counts, counts], { us_per_column: 0.0125 }));
  const drawn = points(frame, frame.channels[0], frame.channels[0].traces[0], -1, 61.5, 400);
  assert.ok(drawn.count <= 400 && drawn.count > 300);
  assert.ok(Math.abs(Math.max(...drawn.high) - 903) < 1e-3);
  assert.ok(Math.abs(Math.min(...drawn.low) + 897) < 1e-3);
  assert.ok(drawn.us.every((us, n) => n === 0 || us > drawn.us[n - 1]));
});

test("only what is in sight counts for the rule, and is drawn with a column more at each side", () => {
  const [red] = FRAME.channels;
  assert.deepEqual(Object.values(extremes(FRAME, red, 0, 0.5)).map(Math.round), [-1, 5]);
  assert.equal(points(FRAME, red, red.traces[0], 0, 0.5, 100).count, 3);
  assert.equal(extremes(FRAME, red, 40, 50), null);
});

test("a frame covers a window but for a column", () => {
  assert.ok(covers(FRAME, -1, 1));
  assert.ok(!covers(FRAME, -1, 3));
});

test("the whole line is asked for without a window, a part with a quarter more at both sides", () => {
  const window = new LineWindow({ from: -1, to: 63 });
  assert.deepEqual(requestFor(window, 800, 0), { type: "lines", width: 800, single: 0 });
  window.zoom(0.25, 15);
  const request = requestFor(window, 800, 4);
  assert.deepEqual({ ...request, from_us: 0, to_us: 0 }, { type: "lines", width: 1200, from_us: 0, to_us: 0, single: 4 });
  assert.ok(Math.abs(request.to_us - request.from_us - 24) < 1e-3);
  assert.equal(requestFor(window, 9000, 0).width, 4096);
});

test("the words say what made the level, and what there is none of", () => {
  const plain = (text) => text.replaceAll("\u00a0", " ");
  assert.equal(plain(whyWords(RED)), "Red 750 mV: mean of its highest flat, 10.0 to 21.7 us, on 5 of 6 lines, above blanking, taken at 5.3 to 8.8 us.");
  assert.match(plain(whyWords(RED, 75)), / This is 75 % white; Trim scales it, if linear\.$/);
  assert.match(whyWords({ ...RED, level_mv: null, flats: [] }), /^Red has no level: no flat run on 6 lines/);
  assert.match(whyWords(SYNC), /^Sync carries no picture level/);
  const told = plain(toldWords(FRAME, 100));
  assert.match(told, /^Mean of 6 lines\. Red 750 mV/);
  assert.match(told, /Other flats: 0 mV at 23\.0 to 34\.0 us\./);
});

test("the readout is as fine as a pixel", () => {
  assert.equal(timeWords(12.3456, 0.06), "12.35\u00a0us");
  assert.equal(timeWords(12.3456, 0.0004), "12.346\u00a0us");
  assert.equal(levelWords(-12.34), "−12.3\u00a0mV");
  assert.equal(levelWords(null), "–");
});
