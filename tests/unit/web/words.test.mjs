import assert from "node:assert/strict";
import { test } from "node:test";
import { NOTHING, channel, page } from "./page.mjs";

const words = await page("words.js");
const plain = (text) => text.replace(/[\u00a0\u202f]/g, " ");
const LOCKED = { state: "locked", channel: "CH4", line_rate_hz: 15734.3, system: "525/60", field: null };

test("a level over says how far it is from the aim", () => {
  const over = channel({ peak_white_mv: 750.3, zone: "over", verdict: "over", off_aim_mv: 55.2, p_over: 1 });
  assert.equal(plain(words.levelWords(over, LOCKED)), "55 mV too high");
});

test("a level too low says how far it is from the aim", () => {
  const low = channel({ zone: "too-low", verdict: "too-low", off_aim_mv: -120.4 });
  assert.equal(plain(words.levelWords(low, LOCKED)), "120 mV too low");
});

test("a level that may be left says so, and dim is named as dim", () => {
  assert.equal(words.levelWords(channel(), LOCKED), "in: leave it");
  assert.equal(words.levelWords(channel({ zone: "dim" }), LOCKED), "in, but dim: leave it");
});

test("an unsure level says how far its slider reaches beyond the edge", () => {
  const unsure = channel({ verdict: "unsure", high_mv: 723.4, p_over: 0.3 });
  assert.equal(plain(words.levelWords(unsure, LOCKED)), "may still be over by up to 9 mV");
  const low = channel({ verdict: "unsure", zone: "dim", low_mv: 588, high_mv: 622, p_over: 0, p_too_low: 0.3 });
  assert.equal(plain(words.levelWords(low, LOCKED)), "may still be too low by up to 12 mV");
});

test("a distance is never said as nothing while the verdict is against the level", () => {
  assert.equal(plain(words.levelWords(channel({ verdict: "unsure", high_mv: 714.4, p_over: 0.06 }), LOCKED)), "may still be over by up to 1 mV");
  assert.equal(plain(words.levelWords(channel({ verdict: "over", off_aim_mv: 0.3 }), LOCKED)), "1 mV too high");
});

test("a level that cannot be judged comes with the way out", () => {
  const undecidable = channel({ decidable: false, verdict: "unsure" });
  assert.equal(words.levelWords(undecidable, LOCKED), "cannot be judged");
  assert.match(words.levelDetail(undecidable, LOCKED, 0), /calibrate/);
});

test("a clipped level is said to be higher, with what to change", () => {
  const clipped = channel({ clipped: true, decidable: false, verdict: "unsure" });
  assert.match(words.levelWords(clipped, LOCKED), /clipped/);
  assert.match(words.levelDetail(clipped, LOCKED, 0), /volts per division/);
});

test("a missing level is no zero, and names what is missing", () => {
  const none = channel(NOTHING);
  assert.equal(words.levelWords(none, { state: "none" }), "no level without sync");
  assert.equal(words.levelWords(none, LOCKED), "no white in the record yet");
  assert.equal(words.levelWords(channel({ ...NOTHING, hints: [{ code: "channel-dead" }] }), LOCKED), "no signal");
});

test("the second line carries zone, distance to the aim and uncertainty", () => {
  assert.equal(plain(words.levelDetail(channel(), LOCKED, 0)), "on target · 5 mV below aim 695 · ±21 mV");
});

test("a held level says how old it is", () => {
  assert.match(plain(words.levelDetail(channel({ held: true }), LOCKED, 12.4)), /^held for 12 s/);
});

test("the sync line is that of the design", () => {
  const field = { lines_per_field: 262.0, field_rate_hz: 60.05, scan: "progressive", age_s: 4 };
  assert.equal(plain(words.syncLine({ ...LOCKED, field })), "locked on CH4 · 15 734 Hz · 262 lines, progressive");
  assert.equal(plain(words.syncLine({ ...LOCKED, field: { ...field, lines_per_field: 262.5, scan: "interlaced" } })), "locked on CH4 · 15 734 Hz · 262.5 lines, interlaced");
});

test("without a field capture the sync line claims no line count", () => {
  assert.equal(plain(words.syncLine(LOCKED)), "locked on CH4 · 15 734 Hz · 525/60");
  assert.equal(words.syncLine({ state: "none", channel: null, line_rate_hz: null, system: null, field: null }), "no sync");
});

test("the match line says who, how far, how sure, by which method and whether it will do", () => {
  const match = { spread_mv: 50.1, u95_mv: 35.4, limit_pct: 2, ok: null, method: "untied", highest: "red", lowest: "blue" };
  assert.equal(plain(words.matchLine(match)), "Red is highest, blue lowest: 50 ±35 mV apart (untied) · not sure to match within 2 %");
  assert.match(plain(words.matchLine({ ...match, ok: true })), /· matched within 2 %$/);
  assert.match(plain(words.matchLine({ ...match, ok: false })), /· apart by more than 2 %$/);
  assert.match(words.matchLine(null), /needs red, green and blue/);
});

test("numbers have a true minus, groups of three, and no decimals of the browser's language", () => {
  assert.equal(words.whole(-3.4), "−3");
  assert.equal(words.whole(-0.2), "0");
  assert.equal(plain(words.grouped(15734.3)), "15 734");
  assert.equal(plain(words.grouped(1234567)), "1 234 567");
  assert.equal(plain(words.plusMinus(0.42)), "±0.4 mV");
  assert.equal(plain(words.plusMinus(22.5)), "±23 mV");
  assert.equal(plain(words.rateWords(3.04)), "3 readings/s");
  assert.equal(plain(words.rateWords(19.9)), "20 readings/s");
});

test("what is spoken does not carry the figures that flicker while a level is over by much", () => {
  assert.equal(words.spokenWords(channel(), LOCKED), "Red: in: leave it");
});
