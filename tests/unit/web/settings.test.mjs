import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { broughtWords, changesOf, choicesOf, fixedWords, groupsOf, helpWords, mistakesBy, nameOf, shownValue, typed } = await page("settingsdata.js");

const row = (more = {}) => ({
  table: ["live"], key: "rate_hz", value: 20, in_force: 20, waiting: false, default: 20, unit: "Hz", range: "1 to 100",
  origin: "default", meaning: "readings wanted a second", variable: "PEAKWHITE_LIVE_RATE_HZ", kind: "number", choices: [],
  live: true, by_hand: "", ...more,
});
const given = row({ value: 10, origin: "line 3" });
const port = row({ table: ["http"], key: "port", kind: "whole", unit: "", range: "0 to 65535", default: 8714, value: 0, live: false });

test("a field says range with unit, default, and whether a restart is needed", () => {
  assert.equal(helpWords(row()), "1 to 100 Hz. Default 20.");
  assert.equal(helpWords(port), "0 to 65535. Default 8714. Needs a restart.");
  assert.equal(helpWords(row({ kind: "names", range: "", unit: "", default: [] })), "");
  assert.match(helpWords({ ...port, waiting: true, in_force: 8714 }), /In force until the restart: 8714\.$/);
  assert.equal(helpWords(row({ kind: "flag", range: "", unit: "", default: true })), "");
});

test("what goes before the file, and what the page may not change, is fixed and says why", () => {
  assert.equal(fixedWords(row()), "");
  assert.match(fixedWords(row({ origin: "--port" })), /option --port/);
  assert.match(fixedWords(row({ origin: "PEAKWHITE_LIVE_RATE_HZ" })), /PEAKWHITE_LIVE_RATE_HZ in the environment/);
  assert.match(fixedWords(row({ by_hand: "at the computer" })), /file only: at the computer\./);
});

test("what is chosen and not typed offers its default as nothing chosen", () => {
  assert.equal(choicesOf(row()), null);
  assert.deepEqual(choicesOf(row({ kind: "flag", default: true })), [["", "yes, the default"], ["yes", "yes"], ["no", "no"]]);
  assert.deepEqual(choicesOf(row({ kind: "text", choices: ["red"], default: null })), [["", "nothing"], ["red", "red"]]);
  assert.equal(choicesOf(row({ kind: "names", choices: ["red"] })), null);
});

test("what was typed goes as the daemon takes it, and what is no number as it is", () => {
  assert.equal(typed(row(), " 2,5 "), 2.5);
  assert.equal(typed(row(), "fast"), "fast");
  assert.equal(typed(row(), " "), null);
  assert.equal(typed(row({ kind: "flag" }), "no"), false);
  assert.deepEqual(typed(row({ kind: "names" }), "red, green,"), ["red", "green"]);
  assert.equal(typed(row({ kind: "number or text" }), "28/31"), "28/31");
  assert.equal(typed(row({ kind: "text" }), "75"), "75");
  assert.equal(shownValue(["red", "green"]), "red, green");
});

test("only what differs from the file is a change, and what is fixed is none", () => {
  const texts = (rows, ...all) => changesOf(rows, (one) => all[rows.indexOf(one)]);
  assert.deepEqual(texts([given, row()], "10", ""), []);
  assert.deepEqual(texts([given, port], "", "80"), [{ table: ["live"], key: "rate_hz", value: null }, { table: ["http"], key: "port", value: 80 }]);
  assert.deepEqual(texts([row({ value: "75", kind: "number or text", origin: "line 2" })], "75"), [], "a number that the file has as a text is left alone");
  assert.deepEqual(texts([row({ origin: "--port" })], "9"), []);
});

test("keys stand in groups by their tables, without those that nobody gave", () => {
  const groups = groupsOf([row(), row({ table: ["hookup", "CH1"], key: "role" }), row({ table: ["targets", "NAME"], origin: "not given" }), row({ table: ["log"] })]);
  assert.deepEqual(groups.map(([title, rows]) => [title, rows.length]), [["Live readings", 1], ["Hookup of CH1", 1], ["Log", 1]]);
});

test("what is wrong stands beside its field, and what has no field is told with its place", () => {
  const mistakes = [
    { table: ["live"], key: "rate_hz", where: "line 3", text: "must be at most 100, not 400", nearest: null },
    { table: ["live"], key: "rat", where: "line 4", text: "is no key", nearest: "rate_hz" },
    { table: [], key: null, where: "PEAKWHITE_LIVE_RAT", text: "names no key", nearest: "PEAKWHITE_LIVE_RATE_HZ" },
  ];
  const found = mistakesBy([row()], mistakes);
  assert.equal(found[nameOf(row())], "Must be at most 100, not 400.");
  assert.equal(found[""], "line 4 [live] rat is no key, the nearest is rate_hz. PEAKWHITE_LIVE_RAT names no key, the nearest is PEAKWHITE_LIVE_RATE_HZ.");
});

test("it says what is in force now and what needs a restart", () => {
  assert.equal(broughtWords({ now_in_force: ["[live] rate_hz"], need_restart: ["[http] port"] }), "In force now: [live] rate_hz. Needs a restart of the daemon: [http] port.");
  assert.match(broughtWords({ now_in_force: [], need_restart: [] }), /^Nothing else/);
});
