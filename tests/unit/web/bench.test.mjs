import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { driftLines, driftWords, eventRows, newFaults, placeWords, warmthWords, watchWords } = await page("benchwords.js");

const watch = (on, level = 0, sync = 0) => ({ on, band_mv: 10, seen: { level, "sync-lost": sync, "channel-dead": 0 }, kept: 0, not_kept: 0 });
const drift = (mvPerMin, more = {}) => ({ role: "red", mv_per_min: mvPerMin, drifting: true, settled: false, ...more });
const COLD = { unit_on_min: 12.3, scope_on_min: 130, why_cold: "The unit came on 12 min ago.", drifts: [drift(0.84)] };

test("only what is counted while the watch is on sounds, each fault once", () => {
  assert.equal(newFaults(null, watch(true, 5)), 0);
  assert.equal(newFaults(watch(true, 1), watch(true, 2, 1)), 2);
  assert.equal(newFaults(watch(true, 2, 1), watch(true, 2, 1)), 0);
});

test("a watch that is switched on, off or begins anew does not sound for what it counted before", () => {
  assert.equal(newFaults(watch(false), watch(true, 1)), 0);
  assert.equal(newFaults(watch(true, 3), watch(false, 4)), 0);
  assert.equal(newFaults(watch(true, 9), watch(true)), 0);
});

test("what the watch saw is said by kind, with the last event", () => {
  assert.equal(watchWords(watch(true, 3, 1), null), "3 level jumps, 1 sync lost");
  assert.match(watchWords(watch(true, 1), { at: "2026-01-02T03:04:05.678Z", text: "red died." }), /^1 level jump · \d\d:\d\d:\d\d Red died\.$/);
  assert.match(watchWords(watch(true), null), /nothing beyond ±10 mV/);
});

test("a watch that is on and cannot watch says why, and what it saw before", () => {
  assert.equal(watchWords(watch(true), null, "daemon lost"), "not watching: daemon lost");
  assert.equal(watchWords(watch(true, 1), null, "no reading"), "not watching: no reading · 1 level jump");
  assert.equal(watchWords(watch(false), null, "daemon lost"), "for faults that come and go");
});

test("drift is said with its sign where it is sure, and nothing where it is not known", () => {
  assert.equal(driftWords(drift(0.84)), "drifts +0.8\u00a0mV/min");
  assert.equal(driftWords(drift(-1.25)), "drifts −1.3\u00a0mV/min");
  assert.equal(driftWords(drift(0.01, { drifting: false, settled: true })), "settled");
  assert.equal(driftWords(drift(0.01, { drifting: false })), "");
  assert.equal(driftWords(undefined), "");
});

test("each channel's drift stands on a line of its own, and one that is not known says so", () => {
  const drifts = [drift(0.84), { ...drift(0.01, { drifting: false }), role: "green" }];
  assert.equal(driftLines(drifts), "Red drifts +0.8\u00a0mV/min\nGreen not known yet");
});

test("warming up names the channel in focus, and what came on when", () => {
  assert.equal(warmthWords(COLD, "red"), "Warming up · red drifts +0.8\u00a0mV/min · unit on for 12\u00a0min · scope on for 2\u00a0h");
  assert.equal(warmthWords({ ...COLD, why_cold: null }, "green"), "unit on for 12\u00a0min · scope on for 2\u00a0h");
  assert.equal(warmthWords({ ...COLD, why_cold: null, unit_on_min: null, scope_on_min: null }, "blue"), "Warm-up");
});

test("what is on the bench is said by model, serial and stage", () => {
  const unit = { maker: "Tamarisk", model: "TM-2", serial: "1042" };
  assert.equal(placeWords({ unit, stage: { name: "as found" } }), "TM-2, serial 1042, as found");
  assert.equal(placeWords({ unit: { ...unit, model: "", serial: "" }, stage: { name: "as left" } }), "Tamarisk, as left");
  assert.equal(placeWords(null), "No unit named");
});

/** A capture around an event, red at that level. */
const capture = (position, atMs, redMv, more = {}) => ({
  position, captured_at: new Date(Date.UTC(2026, 0, 2) + atMs).toISOString(),
  reading: { sync: { state: "locked" }, channels: [{ role: "red", held: false, peak_white_mv: redMv, ...more }, { role: "sync", held: false, peak_white_mv: null }] },
});

test("captures around an event stand by their time from it, and a level that left its band is marked", () => {
  const rows = eventRows([capture(-2, 0, 750), capture(-1, 100, 751), capture(0, 200, 620.04), capture(1, 300, 749.6), capture(2, 1450, 790)], 10);
  assert.deepEqual(rows, [
    ["Time", "Red, mV", "Sync"],
    ["−0.20\u00a0s", "750.0", "locked"],
    ["−0.10\u00a0s", "751.0", "locked"],
    ["event", "620.0 ▼", "locked"],
    ["+0.10\u00a0s", "749.6", "locked"],
    ["+1.25\u00a0s", "790.0 ▲", "locked"],
  ]);
});

test("around an event a level that is held, and a capture that is damaged, show none", () => {
  const lost = { ...capture(0, 100, 750, { held: true }) };
  lost.reading.sync.state = "vertical-interval";
  assert.deepEqual(eventRows([capture(-1, 0, 750), lost, { ...capture(1, 150, 0), reading: null }], 10).slice(2), [
    ["event", "–", "vertical interval"],
    ["+0.05\u00a0s", "–", "damaged"],
  ]);
});
