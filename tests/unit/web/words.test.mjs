import assert from "node:assert/strict";
import { test } from "node:test";
import { NOTHING, page, shown } from "./page.mjs";

const words = await page("words.js");
const plain = (text) => text.replace(/[\u00a0\u202f]/g, " ");
const LOCKED = { sync: { state: "locked", channel: "CH4", line_rate_khz: 15.73, system: "525/60", field: null } };
const main = (channel, conditions = LOCKED) => plain(words.standing(channel, conditions).words);
const detail = (channel, conditions = LOCKED) => plain(words.levelDetail(channel, conditions));

test("a level over says how far its shown number is from the shown aim", () => {
  const over = shown({ peak_white_mv: 749.6, zone: "over", verdict: "over", off_aim_mv: 55.2, aim_mv: 694.4, p_over: 1 });
  assert.deepEqual([over.number, over.aim], [750, 694]);
  assert.equal(main(over), "56 mV too high");
  assert.equal(detail(over), "over · aim 694 · ±21 mV");
});

test("a level too low says how far it is from the aim", () => {
  assert.equal(main(shown({ peak_white_mv: 575, zone: "too-low", verdict: "too-low" })), "120 mV too low");
});

test("a level that may be left says so, and dim is named as dim", () => {
  assert.equal(main(shown()), "in: leave it");
  assert.equal(main(shown({ zone: "dim" })), "in, but dim: leave it");
});

test("an unsure level says how far its slider reaches beyond the edge", () => {
  const unsure = shown({ peak_white_mv: 703, verdict: "unsure", high_mv: 723.4, p_over: 0.3 });
  assert.equal(main(unsure), "may still be over by up to 9 mV");
  const low = shown({ verdict: "unsure", zone: "dim", low_mv: 588, high_mv: 622, p_over: 0, p_too_low: 0.3 });
  assert.equal(main(low), "may still be too low by up to 12 mV");
});

test("a level that may be left within a millivolt of its aim, or within what it repeats, is on aim", () => {
  assert.equal(main(shown({ peak_white_mv: 694 })), "on aim: leave it");
  assert.equal(main(shown({ peak_white_mv: 692, u95_repeat_mv: 3 })), "on aim: leave it");
  assert.equal(main(shown({ peak_white_mv: 691, u95_repeat_mv: 40 })), "in: leave it", "of three millivolts at most");
});

test("an unsure level is on aim only where it shows the very number, and is unsure by a hair", () => {
  const unsure = { peak_white_mv: 695.4, verdict: "unsure", high_mv: 715.4, p_over: 0.06 };
  assert.equal(main(shown(unsure)), "on aim: leave it");
  assert.equal(main(shown({ ...unsure, p_over: 0.3 })), "may still be over by up to 1 mV");
  assert.equal(main(shown({ ...unsure, peak_white_mv: 696 })), "may still be over by up to 1 mV");
  const wide = { peak_white_mv: 730, u95_repeat_mv: 40, zone: "over", verdict: "unsure", high_mv: 765, p_over: 0.7 };
  assert.equal(main(shown(wide)), "may still be over by up to 51 mV");
  assert.equal(main(shown({ peak_white_mv: 697.2, verdict: "unsure", high_mv: 716.3, p_over: 0.07 })), "may still be over by up to 2 mV");
});

test("an unsure level lies at the edge, with no zone's colour beside it", () => {
  const unsure = shown({ peak_white_mv: 714.4, zone: "over", verdict: "unsure", high_mv: 723.4, p_over: 0.5 });
  assert.match(detail(unsure), /^at the edge · /);
  assert.match(plain(words.meterText(unsure, LOCKED)), /^714 millivolts, at the edge, may still be over/);
  const flank = (level) => words.flankZone(level, words.standing(level, LOCKED).way);
  assert.deepEqual([unsure, shown(), shown({ verdict: "over", zone: "over" })].map(flank), ["", "on-target", "over"]);
});

const FIFTY = { code: "fifty-ohm-load" };
const BLIND = {
  "it is not live": [{}, { ...LOCKED, staleS: 3 }],
  "it is held": [{ held: true }],
  "the sync is none": [{}, { sync: { state: "none" } }],
  "blanking is not proven": [{}, { sync: { state: "blanking-only" } }],
  "the sync is not known yet": [{}, { sync: null }],
  "its channel is dead": [{ hints: [{ code: "channel-dead" }] }],
  "a hint of its own is on the hookup": [{ hints: [FIFTY] }],
  "a hint of the reading is on the hookup": [{}, { ...LOCKED, hints: [FIFTY] }],
  "its probe is exchanged with another": [{ hints: [{ code: "channels-swapped" }] }],
  "it cannot be judged": [{ decidable: false, verdict: "unsure" }],
};
for (const [why, [more, conditions = LOCKED]] of Object.entries(BLIND)) {
  test(`where ${why} no level is called good, no way to trim is shown and no zone's colour`, () => {
    for (const mv of [695, 690, 750, 610]) {
      const level = shown({ peak_white_mv: mv, age_s: 3, ...more });
      const { way, words: said } = words.standing(level, conditions);
      assert.deepEqual([way, words.flankZone(level, way)], ["", ""]);
      assert.doesNotMatch(said, /leave it|too (high|low)/);
      assert.doesNotMatch(detail(level, conditions) + words.meterText(level, conditions), /on target|on aim/);
    }
  });
}

test("a level that blanking alone carries is in only if that is blanking, and one without sync is held", () => {
  for (const mv of [695, 690]) assert.equal(main(shown({ peak_white_mv: mv }), { sync: { state: "blanking-only" } }), "in, if that is blanking");
  assert.equal(main(shown({ age_s: 3 }), { sync: { state: "none" } }), "held 3 s: no sync");
});

test("which way to trim goes by the shown numbers, and the highest level seen is not to be turned up", () => {
  const way = (more) => words.standing(shown(more), LOCKED).way;
  assert.deepEqual([695, 690, 700].map((mv) => way({ peak_white_mv: mv })), ["on-aim", "under", "over"]);
  assert.equal(way({ peak_white_mv: 690, verdict: "over" }), "over");
  assert.equal(way({ aim_mv: null }), "");
  assert.equal(way({ peak_white_mv: 357, zone: "too-low", verdict: null, highest: { level_mv: 360 } }), "");
});

test("a distance is never said as nothing while the verdict is against the level", () => {
  assert.equal(main(shown({ peak_white_mv: 695.3, verdict: "over" })), "1 mV too high");
});

test("the highest level seen need not be white and is never called too low", () => {
  const seen = { peak_white_mv: 357, zone: "too-low", verdict: null, p_too_low: 1, highest: { level_mv: 360 } };
  assert.equal(main(shown(seen)), "not over so far");
  assert.equal(detail(shown(seen)), "highest seen · 338 mV below aim 695 · ±21 mV");
  assert.match(plain(words.meterText(shown(seen), LOCKED)), /^357 millivolts, highest seen, not over so far$/);
  assert.equal(main(shown({ ...seen, highest: null, aim_mv: null })), "no target for this channel");
});

test("a level that cannot be judged comes with the way out", () => {
  const undecidable = shown({ decidable: false, verdict: "unsure" });
  assert.equal(main(undecidable), "cannot be judged");
  assert.match(detail(undecidable), /calibrate/);
});

test("a clipped level is said to be higher, with what to change", () => {
  const clipped = shown({ clipped: true, decidable: false, verdict: "unsure" });
  assert.match(main(clipped), /clipped/);
  assert.match(detail(clipped), /volts per division/);
});

test("a missing level is no zero, and names what is missing", () => {
  const none = shown(NOTHING);
  assert.equal(main(none, { sync: { state: "none" } }), "no level without sync");
  assert.equal(main(none), "no white in the record yet");
  assert.equal(main(none, { sync: null }), "no white in the record yet");
});

test("a dead channel is a dead channel, held or not", () => {
  const hints = [{ code: "white-not-in-record" }, { code: "channel-dead" }];
  assert.equal(main(shown({ ...NOTHING, hints })), "no signal");
  assert.equal(main(shown({ held: true, age_s: 9, hints })), "no signal");
});

for (const [code, first] of [
  ["termination-missing", "check the terminator first"],
  ["fifty-ohm-load", "check for a 50-ohm load first"],
  ["terminated-twice", "check for a second load first"],
  ["loads-75-and-50", "check both loads first"],
  ["pattern-white", "check the pattern’s white first"],
  ["probe-ratio", "check the probe ratio first"],
  ["one-channel-off", "check this channel’s hookup first"],
]) {
  test(`while ${code} stands the hookup comes before the trimmer, and the distance stands in the small line`, () => {
    const over = shown({ peak_white_mv: 1390, zone: "over", verdict: "over" });
    assert.equal(main(over, { ...LOCKED, hints: [{ code }] }), first);
    assert.equal(main({ ...over, hints: [{ code }] }), first);
    assert.equal(detail(over, { ...LOCKED, hints: [{ code }] }), "695 mV above aim 695 · ±21 mV");
  });
}

test("the second line carries zone, distance to the aim and uncertainty", () => {
  assert.equal(detail(shown()), "on target · 5 mV below aim 695 · ±21 mV");
});

test("a held level says for how long and what is missing instead of a distance", () => {
  const held = shown({ peak_white_mv: 750, verdict: "over", zone: "over", held: true, age_s: 4.2 });
  assert.equal(main(held), "held 4 s: no white seen");
  assert.equal(main(held, { sync: { state: "none" } }), "held 4 s: no sync");
  assert.equal(detail(held), "last seen · 55 mV above aim 695 · ±21 mV");
});

test("a level that is no longer live says how old it is and that it is nothing to trim by", () => {
  const stale = { ...LOCKED, staleS: 12.4 };
  assert.equal(main(shown({ verdict: "over" }), stale), "held 12 s: no reading");
  assert.match(detail(shown(), stale), /do not trim/);
});

test("what else was measured stands in one line; what was not is left out", () => {
  const channel = shown({ black_mv: 53.6, sync_mv: 286.2, burst_mv_pp: 285.8, average_mv: 318 });
  assert.equal(plain(words.besideWords(channel)), "black 54 · sync 286 · burst 286 · average 318 mV");
  assert.equal(plain(words.besideWords(shown({ black_mv: 0, sync_mv: null, average_mv: null }))), "black 0 mV");
  assert.equal(words.besideWords(shown()), "");
});

test("a level that was scaled from a part of white says so", () => {
  assert.equal(plain(words.unitWords(shown(), 75)), " from 75 % white");
  assert.equal(plain(words.unitWords(shown({ clipped: true }), 75)), " from 75 % white or more");
  assert.equal(words.unitWords(shown(), 100), " above blanking");
});

test("an empty plate says what it waits for", () => {
  assert.equal(words.waitingWords("scope-absent"), "waiting for the scope");
  assert.equal(words.waitingWords("daemon-lost"), "waiting for the daemon");
  assert.equal(words.waitingWords(undefined), "waiting for the first reading");
});

test("the sync line is that of the design", () => {
  const { sync } = LOCKED;
  const field = { lines_per_field: 262.0, field_rate_hz: 60.05, scan: "progressive", age_s: 4 };
  assert.equal(plain(words.syncLine({ ...sync, field })), "locked on CH4 · 15.73 kHz · 262 lines, progressive");
  assert.equal(plain(words.syncLine({ ...sync, field: { ...field, lines_per_field: 262.5, scan: "interlaced" } })), "locked on CH4 · 15.73 kHz · 262.5 lines, interlaced");
});

test("without a field capture the sync line claims no line count", () => {
  assert.equal(plain(words.syncLine(LOCKED.sync)), "locked on CH4 · 15.73 kHz · 525/60");
  assert.equal(words.syncLine({ state: "none", channel: null, line_rate_khz: null, system: null, field: null }), "no sync");
  assert.equal(plain(words.syncLine(null)), " ");
});

test("the match line says who, how far, how sure, by which method and whether it will do", () => {
  const match = { spread_mv: 50, u95_mv: 35.4, limit_pct: 2, ok: null, method: "untied", highest: "red", lowest: "blue" };
  const line = (more) => plain(words.matchLine({ shown: match && { ...match, ...more }, colours: true }));
  assert.equal(line(), "Red is highest, blue lowest: 50 ±35 mV apart (untied) · not sure to match within 2 %");
  assert.match(line({ ok: true }), /· matched within 2 %$/);
  assert.match(line({ ok: false }), /· apart by more than 2 %$/);
  assert.match(line({ highest: null, lowest: null }), /^Match: 50 ±35 mV/);
});

test("the match line is empty where the three colours are not clipped, and says so where one has no white", () => {
  assert.equal(words.matchLine({ shown: null, colours: false }).trim(), "");
  const match = { spread_mv: 12, u95_mv: 2.1, limit_pct: 2, ok: true, method: "one-probe", highest: "red", lowest: "green" };
  const line = plain(words.matchLine({ shown: match, colours: false }));
  assert.equal(line, "Red is highest, green lowest: 12 ±2.1 mV apart (one-probe) · matched within 2 %", "one probe serves");
  assert.equal(words.matchLine({ shown: { ...match, method: "untied" }, colours: false }).trim(), "");
  assert.match(words.matchLine({ shown: null, colours: true }), /needs red, green and blue/);
});

test("numbers have a true minus and no decimals of the browser's language", () => {
  assert.equal(words.whole(-3.4), "−3");
  assert.equal(words.whole(-0.2), "0");
  assert.equal(plain(words.plusMinus(0.42)), "±0.4 mV");
  assert.equal(plain(words.plusMinus(22.5)), "±23 mV");
  assert.equal(plain(words.rateWords(3)), "3 readings/s");
  assert.equal(plain(words.rateWords(1)), "1 reading/s");
});

test("what is spoken carries no figures", () => {
  for (const more of [{ verdict: "over" }, { verdict: "too-low" }, { verdict: "unsure", high_mv: 730 }, { held: true, age_s: 4 }, {}, NOTHING]) {
    assert.doesNotMatch(words.spokenWords(shown(more), LOCKED), /\d/);
  }
  assert.doesNotMatch(words.spokenWords(shown(), { ...LOCKED, staleS: 4 }), /\d/);
});
