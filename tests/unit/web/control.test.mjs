import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { changeOf, controlWords } = await page("control.js");
const held = (holder, mine = false) => ({ holder, mine });

test("who holds control and how many look on is said", () => {
  assert.match(controlWords(held(null), 1), /^Nobody holds control.* No other page is open\.$/);
  assert.match(controlWords(held("phone 12"), 3), /^Phone 12 holds control\. This page can only look on\. 3 pages are open/);
  assert.match(controlWords(held("phone 12", true), 2), /^This page holds control, as phone 12\./);
});

test("control that was mine and is somebody else's was taken, be it under the same name", () => {
  assert.equal(changeOf(held("phone", true), held("tablet"), "phone"), "taken");
  assert.equal(changeOf(held("phone", true), held("phone"), "phone"), "taken");
});

test("control that was taken while the socket was away is noticed, and a claim on its way is no loss", () => {
  assert.equal(changeOf(null, held("tablet"), "phone"), "taken");
  assert.equal(changeOf(null, held("phone"), "phone"), null);
  assert.equal(changeOf(held("phone"), held("phone", true), "phone"), null);
});

test("a lease that ended leaves the token useless, and nobody is told that it was taken", () => {
  assert.equal(changeOf(held("phone", true), held(null), "phone"), "ended");
  assert.equal(changeOf(null, held(null), "phone"), "ended");
  assert.equal(changeOf(held("tablet"), held(null), null), null);
});

test("a page that only looks on hears of a new holder once, and not of the one it found", () => {
  assert.equal(changeOf(held(null), held("tablet"), null), "taken");
  assert.equal(changeOf(held("tablet"), held("tablet"), null), null);
  assert.equal(changeOf(null, held("tablet"), null), null);
});

test("a viewer's page says that it only looks on, whoever holds control", () => {
  assert.match(controlWords(held(null), 1, true), /^This page is signed in as viewer/);
  assert.match(controlWords(held("phone"), 2, true), /^This page is signed in as viewer.*2 pages are open/);
});
