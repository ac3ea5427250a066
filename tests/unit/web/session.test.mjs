import assert from "node:assert/strict";
import { test } from "node:test";
import { channel, hello, page, reading, status } from "./page.mjs";

const { Session } = await page("session.js");

test("the newest reading counts; one that comes late is dropped", () => {
  const session = new Session(0);
  session.receive(hello(), 10);
  assert.equal(session.receive({ type: "reading", reading: reading(5) }, 20), "reading");
  assert.equal(session.receive({ type: "reading", reading: reading(4) }, 30), "old-reading");
  assert.equal(session.reading.seq, 5);
  assert.equal(session.readingAt, 20);
});

test("a daemon that was started again begins anew: what was known of the old one is forgotten", () => {
  const session = new Session(0);
  session.receive(hello(), 10);
  session.receive({ type: "reading", reading: reading(500) }, 20);
  assert.equal(session.receive(hello({ run: "77aa" }), 30), "hello");
  assert.equal(session.reading, null);
  assert.equal(session.receive({ type: "reading", reading: reading(1, { run: "77aa" }) }, 40), "reading");
});

test("a reconnection to the same run keeps the reading", () => {
  const session = new Session(0);
  session.receive(hello(), 10);
  session.receive({ type: "reading", reading: reading(5) }, 20);
  session.receive(hello(), 30);
  assert.equal(session.reading.seq, 5);
});

test("a hello of another version asks for a reload, once", () => {
  const session = new Session(0);
  assert.equal(session.receive(hello(), 10), "hello");
  assert.equal(session.receive(hello({ version: "1.1" }), 20), "other-version");
  assert.equal(session.receive(hello({ version: "1.1" }), 30), "hello");
});

test("readings are stale after two seconds, the daemon is lost after five without any frame", () => {
  const session = new Session(0);
  session.receive(hello(), 0);
  session.receive({ type: "reading", reading: reading(1) }, 1000);
  assert.deepEqual([session.stale(2999), session.stale(3000)], [false, true]);
  session.receive(status("ready"), 3000);
  assert.deepEqual([session.lost(7999), session.lost(8000)], [false, true]);
});

test("a reading that comes late is stale though it has just come, and fresh ones make it live again", () => {
  const session = new Session(0);
  session.receive(hello(), 0);
  const captured = (seq, atMs) => ({ type: "reading", reading: reading(seq, { captured_at: new Date(atMs).toISOString(), latency_ms: { fetch: 20, measure: 10 } }) });
  session.receive(captured(1, 1000), 1050);
  session.receive(captured(2, 1100), 4600);
  assert.deepEqual([session.stale(4600), session.silent(4600)], [true, false]);
  session.receive(captured(3, 4650), 4700);
  assert.equal(session.stale(4700), false);
  session.receive(captured(4, 4700), 6250);
  assert.deepEqual([session.stale(6700), session.stale(6800)], [false, true]);
});

test("a page that never heard anything says so after five seconds", () => {
  assert.deepEqual([new Session(100).lost(5099), new Session(100).lost(5100)], [false, true]);
});

test("channels with a peak white come in the order of the page, others not at all", () => {
  const session = new Session(0);
  session.receive(hello(), 0);
  const channels = ["sync", "blue", "composite", "red", "chroma", null].map((role) => channel({ role }));
  session.receive({ type: "reading", reading: reading(1, { channels }) }, 1);
  assert.deepEqual(session.settled.channels().map((one) => one.role), ["red", "blue", "composite"]);
});

test("a frame of a kind that this page does not know still proves that the daemon lives", () => {
  const session = new Session(0);
  assert.equal(session.receive({ type: "mark", id: "x" }, 4000), "unknown");
  assert.equal(session.lost(6000), false);
});
