import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./page.mjs";

const { isLink, takeCode } = await page("access.js");
const { codeIn } = await page("signin.js");

function taken(hash) {
  const wiped = [];
  const code = takeCode({ hash, pathname: "/levels/", search: "?a=1" }, { replaceState: (...how) => wiped.push(how) });
  return { code, wiped };
}

test("the code of a link is taken once and wiped from the address with its history", () => {
  assert.deepEqual(taken("#sign-in=Ab_-9"), { code: "Ab_-9", wiped: [[null, "", "/levels/?a=1"]] });
  assert.deepEqual(taken("#sign-in=%00<b>"), { code: "%00<b>", wiped: [[null, "", "/levels/?a=1"]] });
});

test("a view's fragment is no link, and stays", () => {
  for (const hash of ["", "#line", "#sign-in", "#a#sign-in=x"]) {
    assert.deepEqual(taken(hash), { code: null, wiped: [] });
    assert.equal(isLink(hash), false);
  }
});

test("what is typed may be the code or the whole link", () => {
  assert.equal(codeIn("  Ab_-9\n"), "Ab_-9");
  assert.equal(codeIn("http://192.0.2.7:8714/#sign-in=Ab_-9"), "Ab_-9");
  assert.equal(codeIn("https://bench.example/levels/#sign-in=Ab_-9 "), "Ab_-9");
});
