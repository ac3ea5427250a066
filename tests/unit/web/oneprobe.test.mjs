import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { guidance, onlyColour } = await page("oneprobe.js");

const level = (role, level_mv, age_s) => ({ role, channel: "CH1", level_mv, captured_at: null, age_s });
const said = (taken, due, sinceS = 0, problem = null) => guidance({ taken, due, problem }, sinceS).replaceAll("\u00a0", " ");

test("one probe is the way where the hookup has one colour", () => {
  const clips = (...roles) => roles.map((role, n) => ({ channel: `CH${n + 1}`, role }));
  assert.equal(onlyColour(clips("red", "sync")), "red");
  assert.equal(onlyColour(clips("red", "green", "sync")), null);
  assert.equal(onlyColour(clips("luma", "chroma")), null);
});

test("before the first level it says what to show and where to begin", () => {
  assert.equal(said([], "red"), "To match by one probe show full white, put it on red and take it; the others within 60 s");
});

test("what was taken is kept with an age that grows, and the next colour is named", () => {
  const taken = [level("red", 712.4, 8.2), level("green", 705.1, 0)];
  assert.equal(said(taken, "blue", 4), "Move the same probe to blue and take it. Kept: red 712 mV (12 s old) and green 705 mV (4 s old)");
  assert.match(said([...taken, level("blue", 700, 0)], "red"), /^Move the same probe back to red and take it/);
  assert.equal(said([level("red", 712.4, null)], "green"), "Move the same probe to green and take it. Kept: red 712 mV");
});

test("levels that lie too far apart are to be taken anew", () => {
  const taken = ["red", "green", "blue", "red"].map((role) => level(role, 700, 0));
  assert.equal(said(taken, "red", 0, "they lie 75 s apart, and 60 s is the most"), "Begin anew with red: they lie 75 s apart, and 60 s is the most");
  assert.match(said(taken, "red"), /^One probe: all taken, red 700 mV/);
});
