import assert from "node:assert/strict";
import { test } from "node:test";
import { NOTHING, page, reading, shown } from "./page.mjs";

const { benchFacts, paperFacts, paperRow } = await page("paper.js");

const plain = (words) => words.map((one) => one.replaceAll("\u00a0", " "));
const sync = { state: "locked", channel: "CH4", line_rate_khz: 15.73, system: "525/60", field: null };

test("the sheet says when, by which scope, under which sync and against what was measured", () => {
  const of = reading(1, { captured_at: "2026-01-02T03:04:05.678Z", scope: { identity: "MADE,UP,1", resource: "USB0::1" } });
  const facts = Object.fromEntries(paperFacts(of, { sync }));
  assert.match(facts.Time, /^2026-01-0\d \d\d:\d\d:\d\d local time$/);
  assert.equal(facts.Scope, "MADE,UP,1 at USB0::1");
  assert.match(facts.Sync, /^locked on CH4/);
  assert.equal(facts.Target, "rgb-525");
  assert.equal(facts.Pattern, undefined);
});

test("the sheet says where levels were scaled", () => {
  const facts = Object.fromEntries(paperFacts(reading(1), { sync, whitePct: 75.5 }));
  assert.equal(facts.Pattern, "75.5\u00a0% white, levels scaled to full, if linear");
});

test("what is on the bench is on the sheet, and where nothing is, it is left to the hand", () => {
  const unit = { maker: "Tamarisk", model: "TM-2", serial: "1042" };
  assert.deepEqual(benchFacts({ unit, stage: { name: "as found" } }).map(([, words]) => words), ["Tamarisk · TM-2 · 1042", "as found", ""]);
  assert.deepEqual(benchFacts(null).map(([, words]) => words), ["", "", ""]);
});

test("the zone on paper is what Trim says: at the edge where unsure, nothing where the hookup comes first or the level is held", () => {
  const zone = (more, conditions = { sync }) => paperRow(shown(more), conditions)[3];
  assert.equal(zone({ peak_white_mv: 714, verdict: "unsure", p_over: 0.5 }), "at the edge");
  assert.equal(zone({ held: true }), "");
  assert.equal(zone({}, { sync, hints: [{ code: "termination-missing", text: "t", test: "u" }] }), "");
  assert.equal(zone({}, { sync: { ...sync, state: "blanking-only" } }), "");
});

test("a row has the level with its uncertainty, its bounds, zone, verdict in words and aim", () => {
  assert.deepEqual(plain(paperRow(shown(), { sync })), ["Red (CH1)", "690 ±21 mV", "671 to 709", "on target", "in: leave it", "695 mV"]);
});

test("a level that is not known is no zero, and a clipped one is a lower bound", () => {
  assert.deepEqual(plain(paperRow(shown(NOTHING), { sync })).slice(0, 4), ["Red (CH1)", "–", "", ""]);
  assert.match(paperRow(shown({ clipped: true }), { sync })[1], /or more/);
});
