import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { duePress, foundLines, liveWords, stateWords } = await page("procedurewords.js");

const red = { role: "red", number: 750, held: false, clipped: false };
const now = (more = {}) => liveWords({ stale: false, sync: { state: "locked" }, channels: [red], moving: [], ...more }).replaceAll("\u00a0", " ");
const impedance = (more = {}) => ({ role: "red", words: "75.2 ± 1.8 ohm: back-terminated as it should be", same_range: true, hints: [], ...more });
const tie = (more = {}) => ({ learnt: null, file: null, valid_until: null, age_s: null, match_u95_mv: null, match_u95_before_mv: null, range_note: null, ...more });

test("it says what a press would wait for, the first lack first", () => {
  assert.equal(now(), "Steady: red 750 mV");
  assert.equal(now({ moving: ["red"] }), "Waiting until steady: red moving");
  assert.match(now({ channels: [{ ...red, held: true }] }), /^Waiting for white/);
  assert.match(now({ channels: [{ ...red, clipped: true }] }), /^Waiting: red off the scope/);
  assert.equal(now({ sync: { state: "none" }, channels: [] }), "Waiting for sync");
  assert.equal(now({ stale: true, sync: null }), "Waiting for a reading");
});

test("the press that is due follows from what the daemon holds", () => {
  assert.equal(duePress({ first: null, result: null }), "first");
  assert.equal(duePress({ first: [], result: null }), "second");
  assert.equal(duePress(tie()), "learn");
  assert.equal(duePress(tie({ learnt: [] })), "keep");
  assert.equal(duePress(tie({ learnt: [], file: "x.json" })), "learn");
});

test("a result is a line a channel, and every hint once with its ten-second test", () => {
  const hints = [{ code: "no-back-termination", text: "Likely none.", test: "Look." }];
  assert.deepEqual(foundLines({ first: [], result: [impedance({ hints }), impedance({ role: "green", hints, same_range: false })] }).map((line) => line.join(" ")), [
    "Red 75.2 ± 1.8 ohm: back-terminated as it should be",
    "Green 75.2 ± 1.8 ohm: back-terminated as it should be",
    "Less sure: the range changed between the two, so the scope’s gain counts.",
    "Hint: Likely none.",
    "Ten-second test: Look.",
  ]);
  assert.deepEqual(foundLines({ first: null, result: null }), []);
});

test("a tie is a line a channel, what it does to the match, and what to mind", () => {
  const learnt = [{ channel: "CH2", words: "reads 1.0150 of CH1" }];
  const found = foundLines(tie({ learnt, match_u95_mv: 5.87, match_u95_before_mv: 36.8, range_note: "another range" }));
  assert.deepEqual(found.map((line) => line.join(" ").replaceAll("\u00a0", " ")), ["CH2 reads 1.0150 of CH1", "Match known to ±5.9 mV, untied ±37 mV", "Mind: another range"]);
  assert.deepEqual(foundLines(tie({ learnt })), [["CH2", "reads 1.0150 of CH1"]]);
});

test("it says what to do next", () => {
  assert.equal(stateWords({ first: null, result: null, age_s: null }), "");
  assert.equal(stateWords({ first: [], result: null, age_s: 3 }), "Taken, good for 5\u00a0min.");
  assert.match(stateWords({ first: [], result: [impedance()], age_s: 3 }), /^When done put the terminators back/);
  assert.match(stateWords(tie({ file: "x.json", valid_until: "2026-04-02T03:04:05Z" })), /^Kept, in force until 2026-04-02\. Put the probes back/);
});
