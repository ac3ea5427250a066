import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { Marks, keptWords } = await page("marks.js");
const { awakeWords } = await page("awake.js");

const MARK = {
  id: 17, at: "2026-01-02T03:04:05.678Z", job: { name: "Quayside batch" },
  unit: { maker: "Tamarisk", model: "TM-2", serial: "TM2-0017" }, stage: { name: "as found" },
  levels: [
    { channel: "CH1", role: "red", peak_white_mv: 749.6, held: false },
    { channel: "CH2", role: "green", peak_white_mv: 714.3, held: true },
    { channel: "CH4", role: "sync", peak_white_mv: null, held: false },
  ],
};

/** The daemon's answer to every request, and what was asked. */
function daemon(status, body) {
  const asked = [];
  globalThis.document = { baseURI: "http://127.0.0.1:8000/bench/" };
  globalThis.fetch = async (url, init) => {
    asked.push([init.method, url.href, init.body]);
    return { ok: status < 400, status, json: async () => body };
  };
  return asked;
}

test("what was kept is said with its number, its levels and its place", () => {
  const { title, more } = keptWords(MARK);
  assert.match(title, /^Mark 17 kept \d\d:\d\d:\d\d$/);
  assert.equal(more, "Red 750 and green 714 (held)\u00a0mV · in Quayside batch, Tamarisk TM-2 TM2-0017, as found");
});

test("a mark of no job is a loose one of its day", () => {
  const loose = { job: { name: "Loose marks" }, unit: { maker: "", model: "2026-01-02", serial: "" }, stage: { name: "loose" } };
  assert.match(keptWords({ ...MARK, ...loose }).more, /· in Loose marks of 2026-01-02$/);
});

test("a mark that was kept cold says so", () => {
  assert.match(keptWords({ ...MARK, cold: true }).title, /^Mark 17 kept \d\d:\d\d:\d\d, cold$/);
});

test("a mark is asked for beside the page, wherever a proxy serves it, and what was stored is told", async () => {
  const asked = daemon(200, MARK);
  const told = [];
  await new Marks((what) => told.push(what)).keep();
  assert.deepEqual(asked, [["POST", "http://127.0.0.1:8000/bench/api/v1/book/marks", "{}"]]);
  assert.match(told[0].title, /^Mark 17 kept/);
});

test("a mark can be taken back, that one and no other", async () => {
  const asked = daemon(200, MARK);
  const told = [];
  await new Marks((what) => told.push(what)).keep();
  await told[0].undo();
  assert.deepEqual(asked[1].slice(0, 2), ["DELETE", "http://127.0.0.1:8000/bench/api/v1/book/marks/17"]);
  assert.equal(told[1].title, "Mark 17 taken back");
});

test("a mark that was refused is said to be none, with what to do", async () => {
  daemon(507, { detail: "the disk is full", do: "make room" });
  const told = [];
  await new Marks((what) => told.push(what)).keep();
  assert.deepEqual(told, [{ title: "No mark was kept", more: "the disk is full; make room", kind: "act" }]);
});

test("a second press while a mark is on its way is not a second mark", async () => {
  const asked = daemon(200, MARK);
  const marks = new Marks(() => {});
  await Promise.all([marks.keep(), marks.keep()]);
  assert.equal(asked.length, 1);
});

test("where the browser cannot keep the screen on, the words say what to set", () => {
  assert.match(awakeWords(false, false), /screen time-out/);
  assert.match(awakeWords(true, true), /kept on/);
  assert.match(awakeWords(false, true), /battery/);
});
