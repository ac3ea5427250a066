import assert from "node:assert/strict";
import { test } from "node:test";
import { channel, hello, page, reading, status } from "./page.mjs";

const { Session } = await page("session.js");
const { notesOf } = await page("situation.js");

function after(...frames) {
  const session = new Session(0);
  for (const frame of frames) session.receive(frame, 100);
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

test("what the daemon says of the scope comes as sentences", () => {
  const frame = status("lost");
  Object.assign(frame.scope, { text: "the connection broke off", do: "check its cable" });
  assert.equal(first(after(hello(), frame)).do, "The connection broke off. Check its cable.");
});

for (const [state, title] of [["none", /^No sync/], ["blanking-only", /^Looks like blanking/], ["vertical-interval", /^Vertical interval/]]) {
  test(`sync state ${state} has words`, () => {
    const note = first(after(hello(), status("ready"), live({ sync: { state } })));
    assert.match(note.title, title);
  });
}

test("readings that stopped coming while the scope is ready are named", () => {
  const session = after(hello(), live());
  session.receive(status("ready"), 2500);
  assert.match(first(session, 2600).title, /^No reading since/);
});

test("a clipped and a held channel are named with what to do", () => {
  const channels = [channel({ clipped: true }), channel({ role: "blue", channel: "CH3", held: true, age_s: 12 })];
  const notes = notesOf(after(hello(), status("ready"), live({ channels })), 200, 0);
  assert.deepEqual(notes.map((note) => note.code), ["clipped", "held"]);
  assert.match(notes[0].do, /CH1/);
});

test("problems come before hints, and a hint comes with its ten-second test, once", () => {
  const hint = { code: "accuracy-assumed", text: "±3 % is assumed", test: "read the data sheet" };
  const problems = [{ code: "unknown-target", text: "no such target", do: "choose another", since: null }];
  const session = after(hello(), status("ready", { problems }), live({ hints: [hint, hint], channels: [channel({ hints: [hint] })] }));
  const notes = notesOf(session, 200, 0);
  assert.deepEqual(notes.map((note) => note.code), ["unknown-target", "accuracy-assumed", "accuracy-assumed"]);
  assert.equal(notes[1].do, "Ten-second test: read the data sheet");
  assert.match(notes[2].title, /^Red: /);
});

test("hints of a reading that is no longer live are not said", () => {
  const hint = { code: "x", text: "t", test: "u" };
  const session = after(hello(), live({ hints: [hint] }));
  session.receive(status("lost"), 2500);
  assert.deepEqual(notesOf(session, 2600, 0).map((note) => note.code), ["scope-lost"]);
});

test("a hookup without any white role says what to clip", () => {
  const note = first(after(hello(), status("ready"), live({ channels: [channel({ role: "sync" })] })));
  assert.equal(note.code, "no-ruler");
});
