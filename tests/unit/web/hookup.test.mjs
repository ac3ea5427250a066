import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { CHOICES, blank, changesOf, clipWords, faultsOf, rolesOf, sketchOf, withRoles } = await page("hookupdata.js");

const clip = (channel, role, more = {}) => ({ ...blank(channel), role, ...more });
const hookup = (...clips) => ({ clips, pattern_white_pct: 100 });
const plain = (text) => text.replaceAll("\u00a0", " ");
const texts = (one) => sketchOf(one).filter(([kind]) => kind === "text").map(([, , , words]) => plain(words));

test("a clip is said in a sentence: signal, probing point, load, link and what its volts are multiplied by", () => {
  assert.equal(plain(clipWords(clip("CH1", "red"))), "Red at the output connector, into a terminator of 75 Ω, by coax cable.");
  const other = clip("CH2", "hsync", { point: "before-series-resistor", load: "none", link: "probe-10x", probe_ratio: 10 });
  assert.equal(clipWords(other), "Horizontal sync before the series resistor, without a load, by 10:1 probe, volts × 10.");
  assert.match(plain(clipWords(clip("CH3", "blue", { load: "scope-input", load_ohm: 1e6 }))), /into the scope’s input of 1 MΩ/);
  assert.equal(clipWords(blank("CH4")), "Not captured.");
});

test("what changes is said one clause a change, and of a channel that is given up only that", () => {
  const before = hookup(clip("CH1", "red"), clip("CH2", "green"));
  const after = hookup(clip("CH1", "blue", { load: "none" }), clip("EXT", "sync"));
  assert.deepEqual(changesOf(before, { ...after, pattern_white_pct: 75 }), [
    "CH1: red → blue", "CH1 loaded by: a terminator → nothing", "CH2: green → nothing", "EXT: nothing → sync", "white of the pattern: 100 → 75",
  ]);
  assert.deepEqual(changesOf(before, hookup(...[...before.clips].reverse())), []);
});

test("roles that are found are exchanged with whoever had them, and the clip stays with its channel", () => {
  const clips = [clip("CH1", "blue", { load_ohm: 74 }), clip("CH2", "green"), clip("CH3", "red"), clip("CH4", "sync")];
  const after = withRoles(clips, [["CH1", "red"], ["CH2", "green"], ["CH3", "blue"]]);
  assert.deepEqual(after.map((one) => one.role), ["red", "green", "blue", "sync"]);
  assert.equal(after[0].load_ohm, 74);
  assert.equal(clips[0].role, "blue");
});

test("a role that nobody gives up leaves its new channel's old one free", () => {
  const after = withRoles([clip("CH1", "luma"), clip("CH2", "green")], [["CH1", "red"], ["CH3", "green"]]);
  assert.deepEqual(after.map((one) => [one.channel, one.role]), [["CH1", "red"], ["CH3", "green"]]);
});

test("a number that is none, or too large, and a signal that stands on two channels are faults of their fields, in words", () => {
  const good = hookup(clip("CH1", "red"), clip("CH2", "green", { load_tolerance_pct: 0 }), clip("EXT", "sync"));
  assert.deepEqual(faultsOf(good), {});
  const bad = { clips: [clip("CH1", "red", { load_ohm: 0 }), clip("CH2", "red", { probe_ratio: NaN })], pattern_white_pct: NaN };
  assert.deepEqual(faultsOf(bad), {
    "CH1 role": "Red can be on one channel only.",
    "CH1 load_ohm": "CH1 load, Ω: a number from 1 to 1000000000, please.",
    "CH2 role": "Red can be on one channel only.",
    "CH2 probe_ratio": "CH2 scope’s volts ×: a number from 0.001 to 10000, please.",
    pattern: "White of the pattern, %: a number from 1 to 100, please.",
  });
});

test("EXT carries sync or nothing", () => {
  assert.deepEqual(rolesOf("EXT").map(([role]) => role), ["", "sync", "hsync"]);
  assert.equal(rolesOf("CH1"), CHOICES.role);
});

test("every choice is drawn, with its value where it has one, and no two alike", () => {
  for (const field of ["point", "load", "link"]) {
    const drawn = CHOICES[field].map(([value]) => JSON.stringify(sketchOf(clip("CH1", "red", { [field]: value }))));
    assert.equal(new Set(drawn).size, CHOICES[field].length, field);
  }
  assert.ok(texts(clip("CH2", "green", { load_ohm: 50 })).includes("50 Ω"));
  assert.ok(texts(clip("CH2", "green", { load: "none" })).includes("no load"));
  assert.deepEqual(texts(clip("CH2", "green", { link: "probe-10x" })), ["unit", "chip", "10:1", "CH2", "75 Ω"]);
});
