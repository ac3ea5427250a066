import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { RulerRange, baseRange, flagSide, labelsThatFit, multiples, rangeHolding, spanLabel, tickSteps, xOf, zoneBands } = await page("scale.js");
const EDGES = { over: 714.3, on_target: 678.6, dim: 600 };

// A small seeded generator, so that a failure comes again.
function seeded(seed) {
  return () => ((seed = (seed * 48271) % 2147483647) - 1) / 2147483646;
}

test("the base range shows all four zones", () => {
  const range = baseRange(EDGES);
  assert.deepEqual(zoneBands(EDGES, range).map((band) => band.zone), ["too-low", "dim", "on-target", "over"]);
  assert.deepEqual(range, { lo: 550, hi: 800 });
});

test("zone bands meet without gap or overlap and fill the range", () => {
  const random = seeded(1);
  for (let n = 0; n < 500; n += 1) {
    const lo = -500 + 1500 * random();
    const range = { lo, hi: lo + 10 + 2000 * random() };
    const bands = zoneBands(EDGES, range);
    assert.equal(bands[0].from, range.lo);
    assert.equal(bands.at(-1).to, range.hi);
    for (let k = 1; k < bands.length; k += 1) assert.equal(bands[k].from, bands[k - 1].to);
  }
});

test("a slider inside the base range leaves it alone", () => {
  const base = baseRange(EDGES);
  assert.equal(rangeHolding(base, 730, 771), base);
});

test("the range always holds the slider and the base", () => {
  const random = seeded(2);
  const base = baseRange(EDGES);
  for (let n = 0; n < 2000; n += 1) {
    const level = -200 + 8000 * random() ** 2;
    const half = 60 * random();
    const range = rangeHolding(base, level - half, level + half);
    assert.ok(range.lo <= Math.min(base.lo, level - half) && range.hi >= Math.max(base.hi, level + half));
    assert.ok(range.lo % 50 === 0 && range.hi % 50 === 0);
  }
});

test("a ruler opens at once and closes only after the level was back for four seconds", () => {
  const ruler = new RulerRange();
  ruler.rebase(EDGES);
  ruler.hold(1400, 1460, 0);
  assert.ok(ruler.goal.hi >= 1460);
  const opened = ruler.goal;
  ruler.hold(690, 720, 100);
  ruler.hold(690, 720, 4000);
  assert.equal(ruler.goal, opened);
  ruler.hold(690, 720, 4200);
  assert.deepEqual(ruler.goal, { lo: 550, hi: 800 });
});

test("a level that swings out and back does not make the ruler breathe", () => {
  const ruler = new RulerRange();
  ruler.rebase(EDGES);
  const goals = new Set();
  for (let t = 0; t < 20000; t += 50) {
    const level = 760 + 60 * Math.sin(t / 300);
    ruler.hold(level - 21, level + 21, t);
    if (t > 3000) goals.add(ruler.goal.hi);
  }
  assert.equal(goals.size, 1);
});

test("gliding moves the ends towards the goal without passing it, and arrives", () => {
  const ruler = new RulerRange();
  ruler.rebase(EDGES);
  ruler.hold(1400, 1460, 0);
  let before = ruler.hi;
  let frames = 0;
  while (ruler.glide(16)) {
    assert.ok(ruler.hi >= before && ruler.hi <= ruler.goal.hi);
    before = ruler.hi;
    frames += 1;
    assert.ok(frames < 200);
  }
  assert.equal(ruler.hi, ruler.goal.hi);
});

test("with reduced motion the ruler arrives in one step", () => {
  const ruler = new RulerRange();
  ruler.rebase(EDGES);
  ruler.hold(1400, 1460, 0);
  ruler.glide(Infinity);
  assert.equal(ruler.hi, ruler.goal.hi);
});

test("x runs linearly from pad to pad", () => {
  const range = { lo: 550, hi: 800 };
  assert.equal(xOf(550, range, 500, 20), 20);
  assert.equal(xOf(800, range, 500, 20), 480);
  assert.equal(xOf(675, range, 500, 20), 250);
});

test("numerals stand at least as far apart as asked, lines at least four pixels, and every numeral has its line", () => {
  const random = seeded(3);
  for (let n = 0; n < 2000; n += 1) {
    const range = { lo: 0, hi: 100 + 9000 * random() };
    const width = 200 + 1700 * random();
    const { major, minor } = tickSteps(range, width, 62);
    const perMv = width / range.hi;
    assert.ok(major * perMv >= 62 - 1e-9, `${major}`);
    assert.ok(minor === major || minor * perMv >= 4 - 1e-9);
    assert.ok(Math.abs(major / minor - Math.round(major / minor)) < 1e-9);
  }
});

test("multiples lie inside the range, ends included", () => {
  assert.deepEqual(multiples(50, { lo: 550, hi: 700 }), [550, 600, 650, 700]);
  assert.deepEqual(multiples(100, { lo: -150, hi: 150 }), [-100, 0, 100]);
});

test("labels never overlap nor leave their own band, and the heaviest one stays where its band has room", () => {
  const random = seeded(4);
  for (let n = 0; n < 1000; n += 1) {
    const labels = Array.from({ length: 5 }, (_, k) => {
      const from = 400 * random();
      return { x: 400 * random(), width: 20 + 60 * random(), weight: k, from, to: from + 150 };
    });
    const placed = labelsThatFit(labels, 400, 8);
    const heaviest = labels[4];
    const room = Math.min(400, heaviest.to) - heaviest.from;
    assert.equal(placed.some((label) => label.weight === 4), room >= heaviest.width);
    for (let k = 1; k < placed.length; k += 1) {
      const room = placed[k].x - placed[k].width / 2 - (placed[k - 1].x + placed[k - 1].width / 2);
      assert.ok(room >= 8 - 1e-6, String(room));
    }
    for (const { x, width, from, to } of placed) {
      assert.ok(x - width / 2 >= from - 1e-9 && x + width / 2 <= Math.min(to, 400) + 1e-9);
    }
  }
});

test("a label that collides moves aside within its own band, or is left out", () => {
  const light = { x: 50, width: 30, weight: 1, from: 0, to: 100 };
  const moved = labelsThatFit([light, { x: 90, width: 60, weight: 2 }], 200, 8);
  assert.deepEqual(moved.map((label) => label.x), [37, 90]);
  const crowded = labelsThatFit([light, { x: 60, width: 60, weight: 2 }], 200, 8);
  assert.deepEqual(crowded.map((label) => label.x), [60]);
});

test("a flag stands right of its point, left of it near the right end, and nowhere where neither fits", () => {
  assert.equal(flagSide(100, 60, 13, 320), 1);
  assert.equal(flagSide(300, 60, 13, 320), -1);
  assert.equal(flagSide(50, 60, 13, 110), 0);
});

test("the words of a span are never cut at an end: they move aside, are shortened, or are left out", () => {
  const random = seeded(5);
  const wordings = [{ words: "long", width: 240 }, { words: "short", width: 90 }];
  const found = new Set();
  for (let n = 0; n < 2000; n += 1) {
    const width = 110 + 700 * random();
    const left = width * random();
    const label = spanLabel(wordings, left, left + (width - left) * random(), width);
    found.add(label?.words);
    if (!label) continue;
    const half = wordings.find(({ words }) => words === label.words).width / 2;
    assert.ok(label.x - half >= 0 && label.x + half <= width);
  }
  assert.deepEqual([...found].map(String).sort(), ["long", "short", "undefined"]);
});
