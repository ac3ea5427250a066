import assert from "node:assert/strict";
import { test } from "node:test";
import { NOTHING, channel, hello, page, reading, status } from "./page.mjs";

const { Session } = await page("session.js");
const { clearNote, notesOf } = await page("situation.js");

function after(...frames) {
  const session = new Session(0);
  for (const frame of frames) session.receive(frame, 100);
  return session;
}

/** A session that hears the same reading every 100 ms for two seconds: what lasts is said. */
function lasting(more, of = status("ready")) {
  const session = after(hello(), of);
  for (let n = 1; n <= 21; n += 1) session.receive({ type: "reading", reading: reading(n, more) }, n * 100);
  return session;
}

const live = (more) => ({ type: "reading", reading: reading(1, more) });
const first = (session, nowMs = 200) => notesOf(session, nowMs, 0)[0];

test("nothing is said where nothing is wrong", () => {
  assert.deepEqual(notesOf(after(hello(), status("ready"), live()), 200, 0), []);
});

test("before the first hello the page connects, after five seconds the daemon is lost", () => {
  assert.equal(first(new Session(0)).code, "connecting");
  assert.equal(first(new Session(0), 5000).code, "daemon-lost");
});

test("a lost daemon is said with the time of its last frame, and nothing beside it", () => {
  const session = after(hello(), status("lost"), live());
  const notes = notesOf(session, 6000, Date.UTC(2026, 0, 2, 3, 4, 5));
  assert.equal(notes.length, 1);
  assert.match(notes[0].title, /^Daemon lost since \d\d:\d\d:\d\d$/);
});

for (const [state, title] of [
  ["absent", /^No scope attached/],
  ["connecting", /^Searching/],
  ["waiting-for-trigger", /^Waiting for a trigger/],
  ["lost", /^Scope lost since \d\d:\d\d:\d\d$/],
]) {
  test(`a scope that is ${state} has words and something to do`, () => {
    const note = first(after(hello(), status(state)));
    assert.match(note.title, title);
    assert.ok(note.do.length > 10);
  });
}

test("readings that come late are said to", () => {
  const late = (seq, atMs) => ({ type: "reading", reading: reading(seq, { captured_at: new Date(atMs).toISOString() }) });
  const session = new Session(0);
  session.receive(hello(), 0);
  for (let n = 0; n < 20; n += 1) session.receive(late(n, n * 100), n * 100);
  session.receive(late(20, 2000), 5400);
  assert.equal(first(session, 5400).code, "late");
});

test("what the daemon says of the scope comes as sentences, what to do first and the address last", () => {
  const frame = status("lost");
  Object.assign(frame.scope, { text: "192.0.2.7: the connection broke off", do: "check its cable" });
  assert.equal(first(after(hello(), frame)).do, "Check its cable. 192.0.2.7: the connection broke off.");
});

for (const [state, title] of [["none", /^No sync/], ["blanking-only", /^Looks like blanking/], ["vertical-interval", /^Vertical interval/]]) {
  test(`sync state ${state} has words`, () => {
    const note = first(lasting({ sync: { state, line_rate_hz: null } }), 2150);
    assert.match(note.title, title);
  });
}

test("readings that stopped coming while the scope is ready are named", () => {
  const session = after(hello(), live());
  session.receive(status("ready"), 2500);
  assert.match(first(session, 2600).title, /^No reading since/);
});

const hint = (code, text = `${code} text`) => ({ code, text, test: `${code} test` });
const codes = (session, nowMs = 2150) => notesOf(session, nowMs, 0).map((note) => note.code);

test("a clipped and a held channel are named with what to do", () => {
  const channels = [channel({ clipped: true }), channel({ role: "blue", channel: "CH3", held: true, age_s: 12 })];
  const notes = notesOf(lasting({ channels }), 2150, 0);
  assert.deepEqual(notes.map((note) => note.code), ["clipped", "held"]);
  assert.match(notes[0].do, /CH1/);
  assert.match(notes[1].do.replace(/\u00a0/g, " "), /^Show white .* 12 s ago/);
});

test("one cause on several channels is one note that names them", () => {
  const channels = ["red", "green", "blue"].map((role) => channel({ role, held: true, age_s: 4, hints: [hint("white-not-in-record")] }));
  const notes = notesOf(lasting({ channels }), 2150, 0);
  assert.deepEqual(notes.map((note) => note.title), ["Red, green and blue are held"]);
  const hinted = ["red", "green"].map((role) => channel({ role, hints: [hint("range-too-coarse", "Coarse.")] }));
  assert.deepEqual(notesOf(lasting({ channels: hinted }), 2150, 0).map((note) => note.title), ["Red and green: Coarse."]);
});

test("a dead channel is neither held nor without white beside", () => {
  const hints = [hint("white-not-in-record"), hint("channel-dead")];
  assert.deepEqual(codes(lasting({ channels: [channel({ held: true, age_s: 4, hints })] })), ["channel-dead"]);
});

test("levels held for want of sync, and the hint that says it again, are no news beside the missing sync", () => {
  const channels = [channel({ held: true, age_s: 4, hints: [hint("white-not-in-record")] })];
  assert.deepEqual(codes(lasting({ sync: { state: "none", line_rate_hz: null }, channels, hints: [hint("no-sync")] })), ["sync-none"]);
});

test("a clipped channel is said once", () => {
  assert.deepEqual(codes(lasting({ channels: [channel({ clipped: true, hints: [hint("scope-clipping")] })] })), ["clipped"]);
});

test("a hint puts its likely cause first and keeps what was seen for the sheet", () => {
  const text = "Sync and white are about twice nominal: likely no 75-ohm termination.";
  const [note] = notesOf(lasting({ hints: [hint("termination-missing", text)] }), 2150, 0);
  assert.equal(note.title, "Likely no 75-ohm termination.");
  assert.equal(note.more, "Sync and white are about twice nominal. It stands until the load is changed, or the terminator test is done.");
  assert.equal(note.do, "termination-missing test");
});

test("a hint on the hookup comes before the others", () => {
  assert.deepEqual(codes(lasting({ hints: [hint("accuracy-assumed"), hint("probe-ratio")] })), ["probe-ratio", "accuracy-assumed"]);
});

test("exchanged probes are a hint on the hookup, that goes by itself", () => {
  const session = lasting({ channels: [channel({ hints: [hint("channels-swapped", "It carries red: likely exchanged.")] })] });
  const [note] = notesOf(session, 2150, 0);
  assert.deepEqual([note.title, note.more], ["Red: likely exchanged.", "It carries red."]);
});

test("a hint on the hookup comes before the range that was widened by it, and that before other hints", () => {
  const problems = [{ code: "range-widened", text: "red: the range was widened", do: "nothing", since: null }];
  const session = lasting({ hints: [hint("accuracy-assumed"), hint("termination-missing")] }, status("ready", { problems }));
  assert.deepEqual(codes(session), ["termination-missing", "range-widened", "accuracy-assumed"]);
});

test("a hint that comes and goes with single readings is not said", () => {
  const session = after(hello(), status("ready"));
  for (let n = 1; n <= 40; n += 1) {
    session.receive({ type: "reading", reading: reading(n, { hints: n % 2 ? [hint("x")] : [] }) }, n * 100);
    assert.deepEqual(codes(session, n * 100), []);
  }
});

test("problems come before hints, and the same hint of the reading and of a channel is said once", () => {
  const problems = [{ code: "unknown-target", text: "no such target", do: "choose another", since: null }];
  const one = hint("accuracy-assumed");
  const session = lasting({ hints: [one], channels: [channel({ hints: [one] })] }, status("ready", { problems }));
  assert.deepEqual(codes(session), ["unknown-target", "accuracy-assumed"]);
});

test("hints of a reading that is no longer live are not said", () => {
  const session = lasting({ hints: [hint("x")] });
  session.receive(status("lost"), 4500);
  assert.deepEqual(notesOf(session, 4600, 0).map((note) => note.code), ["scope-lost"]);
});

test("a hookup without any white role says what to clip", () => {
  const note = first(after(hello(), status("ready"), live({ channels: [channel({ role: "sync" })] })));
  assert.equal(note.code, "no-ruler");
});

test("where no level is sure to be right, that is said with the way out", () => {
  const note = first(lasting({ channels: [channel({ decidable: false, verdict: "unsure", u95_mv: 110 })] }), 2100);
  assert.deepEqual([note.code, note.title], ["undecidable", "Red cannot be judged"]);
  assert.match(note.do, /±110\smV: calibrate the scope, or state its gain accuracy/);
});

test("a hint on the hookup comes before a level that cannot be judged, and alone", () => {
  const hint = { code: "termination-missing", text: "High: likely no termination.", test: "Put one on." };
  const session = lasting({ channels: [channel({ decidable: false, verdict: "unsure", hints: [hint] })] });
  assert.deepEqual(notesOf(session, 2100, 0).map((note) => note.code), ["termination-missing"]);
});

test("what the scope's own note says already is no problem beside it", () => {
  const frame = status("absent");
  frame.scope.text = "192.0.2.7: no connection";
  frame.problems = [{ code: "link-lost", text: frame.scope.text, do: "check", since: null }];
  assert.deepEqual(notesOf(after(hello(), frame), 200, 0).map((note) => note.code), ["scope-absent"]);
});

const clear = (more, cold) => clearNote(lasting(more).settled, cold);
const MATCH = { spread_mv: 4, u95_mv: 2, limit_pct: 2, ok: true, method: "tied", highest: "red", lowest: "blue" };
const three = (more = {}) => ["red", "green", "blue"].map((role) => channel({ role, ...more }));

test("when every level may be left, and all match, there is nothing to trim any more", () => {
  assert.equal(clear({ channels: [channel()] }).title, "All levels may be left");
  assert.equal(clear({ channels: three(), match: MATCH }).title, "All levels may be left");
  assert.equal(clear({ channels: [channel(), channel({ role: "green", verdict: "unsure" })] }).title, "Nothing speaks against the hookup");
});

test("levels of which none is harmful, but that do not match, or not for sure, or are dim, are not all right", () => {
  assert.equal(clear({ channels: three(), match: { ...MATCH, ok: false } }).title, "No level is harmful; but they do not match");
  assert.equal(clear({ channels: three(), match: { ...MATCH, ok: null } }).title, "No level is harmful; not sure to match");
  assert.equal(clear({ channels: three(), match: null }).title, "No level is harmful; not sure to match");
  assert.equal(clear({ channels: [channel({ zone: "dim" })] }).title, "No level is harmful; but not all are bright");
});

test("where levels may be left the notice sends nobody to a trimmer, but for a match that is off", () => {
  const does = (match, more) => clear({ channels: three(more), match }).do;
  assert.match(does({ ...MATCH, ok: false }), /^Trim each/);
  assert.match(does({ ...MATCH, ok: null, method: "untied" }), /^Tie the probes in Hookup/);
  assert.match(does({ ...MATCH, ok: null }), /^Bring them closer, or keep a mark/);
  assert.match(does(MATCH, { zone: "dim" }), /^Dim is only dim: leave it/);
});

test("while the unit is cold that is said with levels that may be left", () => {
  assert.match(clear({ channels: [channel()] }, "The unit is on for 2 min.").do, /cold/);
});

test("while a level is missing nothing is clear", () => {
  const missing = clear({ channels: [channel(), channel({ role: "blue", ...NOTHING })] });
  assert.deepEqual([missing.kind, missing.title], ["wait", "Blue: no level yet"]);
});

test("a sync that is missed once is news at once, and no level may be left by it", () => {
  const session = lasting({});
  session.receive({ type: "reading", reading: reading(30, { sync: { state: "none", line_rate_hz: null } }) }, 2200);
  assert.equal(first(session, 2210).code, "sync-blanking-only");
  assert.doesNotMatch(clearNote(session.settled).title, /All levels/);
});

test("whether it is still the same unit is asked in the page's words, after hints on the hookup and before others", () => {
  const problems = [{ code: "unit-in-question", text: "the sync was gone for 9 s", do: "say so ('peakwhite book bench --same-unit')", since: null }];
  const session = lasting({ hints: [hint("accuracy-assumed"), hint("probe-ratio")] }, status("ready", { problems }));
  assert.deepEqual(codes(session), ["probe-ratio", "unit-in-question", "accuracy-assumed"]);
  const asked = notesOf(session, 2150, 0)[1];
  assert.match(asked.title + asked.do, /^Is this still the same unit\?Press S if it is/);
  assert.equal(asked.more, "The sync was gone for 9 s.");
});
