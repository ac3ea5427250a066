import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { KEY_HELP, actionOf } = await page("keys.js");
const press = (key, more = {}) => actionOf({ key, repeat: false, ctrlKey: false, altKey: false, metaKey: false, target: null, ...more });
const on = (tagName, more = {}) => ({ target: { tagName, ...more } });

test("each key of the help does something, and every action is one key without a modifier", () => {
  for (const key of ["1", "9", "0", "ArrowLeft", "ArrowRight", "PageUp", "PageDown", " ", "f", "t", "w", "s", "r", "h"]) assert.ok(press(key), key);
  assert.ok(KEY_HELP.length >= 8);
});

test("digits show a channel, capital letters are letters too", () => {
  assert.deepEqual(press("3"), { name: "focus", number: 3 });
  assert.deepEqual(press("0"), { name: "abreast" });
  assert.deepEqual(press("F"), { name: "freeze" });
});

test("a pedal that is held down keeps one mark, not thirty", () => {
  assert.equal(press(" ", { repeat: true }), null);
});

test("keys with Ctrl, Alt or Meta belong to the browser", () => {
  for (const modifier of ["ctrlKey", "altKey", "metaKey"]) assert.equal(press("r", { [modifier]: true }), null);
});

test("Space on a button or a link that has the keyboard is that button's", () => {
  assert.equal(press(" ", on("BUTTON")), null);
  assert.equal(press(" ", on("A")), null);
  assert.deepEqual(press("f", on("BUTTON")), { name: "freeze" });
});

test("a slider keeps its arrows and gives away the rest; a text field keeps everything", () => {
  assert.equal(press("ArrowRight", on("INPUT", { type: "range" })), null);
  assert.deepEqual(press(" ", on("INPUT", { type: "range" })), { name: "mark" });
  assert.equal(press("f", on("INPUT", { type: "text" })), null);
  assert.equal(press("1", on("SELECT")), null);
});

test("any other key is nobody's", () => {
  for (const key of ["x", "Enter", "Tab", "Escape", "F1", "Shift"]) assert.equal(press(key), null);
});
