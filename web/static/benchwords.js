// What the page says of the bench: unit, warming up, drift, the watch and what it caught. No DOM.

import { WHITE_ROLES, ago, capital, clockTime, joined } from "./words.js";

const plain = (code) => code.replace("-", " ");
const signed = (value, digits) => (value < 0 ? "−" : "+") + Math.abs(value).toFixed(digits);
const total = ({ seen }) => Object.values(seen).reduce((sum, count) => sum + count, 0);

/** How many faults `now` counts that `before` did not; none where the watch was off, or began anew. */
export const newFaults = (before, now) => (before?.on && now.on ? Math.max(0, total(now) - total(before)) : 0);

/** "14:03:22 Sync dropped." */
export const eventWords = ({ at, text }) => `${at ? clockTime(Date.parse(at)) : ""} ${capital(text)}`.trim();

/** "3 level jumps, 1 sync lost · 14:03:22 Sync dropped."; `last` is the newest event that was kept, if any, `blind` why it cannot watch now. */
export function watchWords({ on, band_mv, seen }, last, blind = "") {
  const not = on && blind && `not watching: ${blind}`;
  const counts = Object.entries(seen).filter(([, count]) => count).map(([kind, count]) => `${count} ${plain(kind)}${kind === "level" ? (count > 1 ? " jumps" : " jump") : ""}`);
  if (!counts.length) return not || (on ? `nothing beyond ±${band_mv} mV so far` : "for faults that come and go");
  return joined([not, counts.join(", "), last && eventWords(last)]);
}

/** "drifts +0.8 mV/min", "settled", or nothing where neither is sure. */
export const driftWords = (drift) => drift?.drifting ? `drifts ${signed(drift.mv_per_min, 1)}\u00a0mV/min` : drift?.settled ? "settled" : "";

/** A line for each of them: "Red drifts +0.8 mV/min". */
export const driftLines = (drifts) => drifts.map((one) => `${capital(one.role)} ${driftWords(one) || "not known yet"}`).join("\n");

/** "Warming up · red drifts +0.8 mV/min · unit on for 12 min · scope on for 25 min", with the drift of that role. */
export function warmthWords({ why_cold: cold, unit_on_min: unit, scope_on_min: scope, drifts }, role) {
  const drift = driftWords(drifts.find((one) => one.role === role));
  const on = (what, min) => min !== null && `${what} on for ${ago(min * 60)}`;
  return joined([cold && "Warming up", drift && `${role} ${drift}`, on("unit", unit), on("scope", scope)]) || "Warm-up";
}

/** "TM-2, serial 1042, as found", of what GET book/present gives. */
export function placeWords(present) {
  if (!present) return "No unit named";
  const { unit, stage } = present;
  return joined([unit.model || unit.maker, unit.serial && `serial ${unit.serial}`, stage.name], ", ");
}

/**
 * Rows of cells, the first one heads: seconds from an event, levels in mV (no held ones), marked where they are more than
 * `bandMv` from those of the first capture, and how sync was.
 */
export function eventRows(captures, bandMv) {
  const level = ({ reading }, role) => reading?.channels.find((one) => one.role === role && !one.held)?.peak_white_mv ?? NaN;
  const roles = WHITE_ROLES.filter((role) => captures.some((one) => level(one, role)));
  const zero = Date.parse(captures.find((one) => !one.position)?.captured_at);
  const mark = (off) => (Math.abs(off) > bandMv ? (off < 0 ? " ▼" : " ▲") : "");
  const cell = (mv, first) => (Number.isNaN(mv) ? "–" : mv.toFixed(1) + mark(mv - first));
  const rows = captures.map((one) => [
    one.position ? `${signed((Date.parse(one.captured_at) - zero) / 1000, 2)}\u00a0s` : "event",
    ...roles.map((role) => cell(level(one, role), level(captures[0], role))),
    plain(one.reading?.sync.state ?? "damaged"),
  ]);
  return [["Time", ...roles.map((role) => `${capital(role)}, mV`), "Sync"], ...rows];
}
