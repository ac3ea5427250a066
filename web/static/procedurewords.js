// What the two-press procedures say, from the daemon's answers. No DOM.

import { capital, listed, plusMinus, whole } from "./words.js";

/** What a press would find now; `channels` are settled ones, `moving` the roles whose level moves. */
export function liveWords({ stale, sync, channels, moving }) {
  const clipped = channels.filter((one) => one.clipped).map((one) => one.role);
  const seen = channels.filter((one) => one.number !== null && !one.held);
  if (stale) return "Waiting for a reading";
  if (!sync || sync.state === "none") return "Waiting for sync";
  if (clipped.length) return `Waiting: ${listed(clipped)} off the scope’s range`;
  if (!seen.length) return "Waiting for white: show a full white field";
  if (moving.length) return `Waiting until steady: ${listed(moving)} moving`;
  return "Steady: " + listed(seen.map((one) => `${one.role} ${whole(one.number)}\u00a0mV`));
}

/** Which press is due. */
export function duePress(body) {
  if ("first" in body) return body.first ? "second" : "first";
  return body.learnt && !body.file ? "keep" : "learn";
}

/** How far it has come, and what to do then. */
export function stateWords({ age_s, result, file, valid_until }) {
  if (file) return `Kept, in force until ${valid_until.slice(0, 10)}. Put the probes back on their outputs.`;
  if (result) return "When done put the terminators back, then start again.";
  return (age_s ?? null) === null ? "" : "Taken, good for 5\u00a0min.";
}

/** What was found, as lines `[strong, rest]`. */
export function foundLines({ result, learnt, ...more }) {
  const lines = [...(result ?? []), ...(learnt ?? [])].map((one) => [capital(one.role ?? one.channel), one.words]);
  if (result?.some((one) => !one.same_range)) lines.push(["Less sure:", "the range changed between the two, so the scope’s gain counts."]);
  const hints = new Map(result?.flatMap((one) => one.hints).map((hint) => [hint.code, hint]));
  for (const { text, test } of hints.values()) lines.push(["Hint:", text], ["Ten-second test:", test]);
  if (learnt && more.match_u95_mv !== null) lines.push(["Match", `known to ${plusMinus(more.match_u95_mv)}, untied ${plusMinus(more.match_u95_before_mv)}`]);
  if (learnt && more.range_note) lines.push(["Mind:", more.range_note]);
  return lines;
}
