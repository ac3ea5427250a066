import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { viewOf } = await page("views.js");
const NAMES = ["trim", "line", "hookup"];

test("the fragment of the address names the view", () => {
  assert.equal(viewOf("#line", NAMES), "line");
  assert.equal(viewOf("#hookup", NAMES), "hookup");
});

test("no fragment, or one that names no view, is the first view", () => {
  assert.equal(viewOf("", NAMES), "trim");
  assert.equal(viewOf("#nothing", NAMES), "trim");
  assert.equal(viewOf("#line", ["trim"]), "trim");
});
