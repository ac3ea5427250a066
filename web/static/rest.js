// Asking the daemon over REST, by addresses relative to the page.

import { keep, recall } from "./storage.js";
import { ANSWER, capital } from "./words.js";

const TOKEN_KEY = "control";

/** Control of the daemon: its token, which every request that changes something carries, or null. */
export const lease = {
  token: recall(TOKEN_KEY, "session"),
  hold(token) {
    this.token = token;
    keep(TOKEN_KEY, token, "session");
  },
};

/**
 * The answer as an object. Throws an Error whose message says what is wrong and what to do; its `status` is that of the
 * answer, undefined where none came, `answer` the problem as it was told.
 */
export async function ask(path, method = "GET", body = undefined) {
  const init = { method, headers: { Accept: "application/json" } };
  if (method !== "GET" && lease.token) init.headers["Peakwhite-Control"] = lease.token;
  if (body !== undefined) {
    init.headers["Content-Type"] = "application/json";
    init.body = JSON.stringify(body);
  }
  let response;
  try {
    response = await fetch(new URL(`api/v1/${path}`, document.baseURI), init);
  } catch (cause) {
    throw new Error("The daemon does not answer; is it still running?", { cause });
  }
  const answer = await response.json().catch(() => null);
  if (!response.ok) throw Object.assign(new Error(problemWords(response.status, answer)), { status: response.status, answer });
  return answer;
}

function problemWords(status, problem) {
  if (!problem?.detail) return `The daemon refused it (status ${status}).`;
  if (problem.code === "control-held") return `${capital(problem.detail.replace(/^control: /, ""))}. Ask them, or take control in the view Hookup`;
  const action = problem.code === "unit-in-question" ? ANSWER : problem.do;
  return action ? `${problem.detail}; ${action}` : String(problem.detail);
}
