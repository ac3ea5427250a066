// The settings in words: how keys stand in groups, what a field says, what was typed, what changed. No DOM.

import { capital, joined, listed } from "./words.js";

const TITLES = {
  scope: "Scope", live: "Live readings", http: "Listening", measure: "Measuring", book: "Bench book",
  hookup: "Hookup of", targets: "Target", target_of: "Which target a role takes",
};

/** What names a key among all: its table and itself. */
export const nameOf = ({ table, key }) => [...table, key].join(" ");

/** The key as the file has it: "[live] rate_hz". */
export const keyWords = ({ table, key }) => `[${table.join(".")}] ${key}`;

/** The keys by their tables, in order: `[title, rows]`. What stands for tables that nobody gave is left out. */
export function groupsOf(rows) {
  const groups = new Map();
  for (const row of rows) {
    if (row.origin === "not given") continue;
    const [table, own] = row.table;
    const title = joined([TITLES[table] ?? capital(table), own], " ");
    groups.set(title, [...(groups.get(title) ?? []), row]);
  }
  return [...groups];
}

/** What the file says of a key, null where it says nothing. */
export const inFile = (row) => (row.origin.startsWith("line ") ? row.value : null);

/** Whether a key is set where the page cannot change it; empty where it can. */
export function fixedWords(row) {
  if (row.by_hand) return `Changed in the file only: ${row.by_hand}.`;
  if (row.origin.startsWith("--")) return `Set by the option ${row.origin}, which goes before the file.`;
  if (row.origin === row.variable) return `Set by ${row.variable} in the environment, which goes before the file.`;
  return "";
}

/** A value as it stands in a field. */
export function shownValue(value) {
  if (value === null || value === undefined) return "";
  if (typeof value === "boolean") return value ? "yes" : "no";
  return Array.isArray(value) ? value.join(", ") : String(value);
}

/** What may be chosen in a field, values and words; null where it is typed. Nothing chosen is the default. */
export function choicesOf(row) {
  const names = row.kind === "flag" ? ["yes", "no"] : row.kind === "names" ? [] : row.choices;
  const none = row.default === null ? "nothing" : `${shownValue(row.default)}, the default`;
  return names.length ? [["", none], ...names.map((name) => [name, name])] : null;
}

/** What a field says below itself, a sentence each: range, default, when a change counts, why it is fixed. */
export function helpWords(row) {
  const range = row.choices.length || row.kind === "flag" ? "" : row.range;
  return joined([
    range && capital(joined([range, row.unit], " ")) + ".",
    shownValue(row.default) && !choicesOf(row) && `Default ${shownValue(row.default)}.`,
    fixedWords(row) || (row.live ? "" : "Needs a restart."),
    row.waiting && `In force until the restart: ${shownValue(row.in_force) || "nothing"}.`,
  ], " ");
}

/** What was typed as the daemon takes it; what is no number goes as it is, and the daemon says so. */
export function typed(row, text) {
  const trimmed = text.trim();
  if (!trimmed) return null;
  if (row.kind === "flag") return trimmed === "yes";
  if (row.kind === "names") return trimmed.split(",").map((name) => name.trim()).filter(Boolean);
  if (row.kind === "text") return trimmed;
  const figure = Number(trimmed.replace(",", "."));
  return Number.isFinite(figure) ? figure : trimmed;
}

/** What is to be written: every key whose text in its field says other than the file; `textOf(row)` gives that text. */
export function changesOf(rows, textOf) {
  return rows
    .filter((row) => !fixedWords(row) && textOf(row).trim() !== shownValue(inFile(row)))
    .map((row) => ({ table: row.table, key: row.key, value: typed(row, textOf(row)) }));
}

const rowOf = (rows, one) => rows.find((row) => nameOf(row) === nameOf(one));

/** What is wrong, words by the names of fields; what belongs to no field of these rows stands under "". */
export function mistakesBy(rows, mistakes) {
  const found = {};
  for (const one of mistakes) {
    const row = one.key && rowOf(rows, one);
    const near = one.nearest ? `, the nearest is ${one.nearest}` : "";
    const words = `${capital(one.text)}${near}.`;
    const name = row ? nameOf(row) : "";
    const told = row ? words : joined([one.where, one.key && keyWords(one), `${one.text}${near}.`], " ");
    found[name] = joined([found[name], told], " ");
  }
  return found;
}

/** What saving or reading anew brought. */
export function broughtWords({ now_in_force: now, need_restart: later }) {
  const words = [now.length && `In force now: ${listed(now)}.`, later.length && `Needs a restart of the daemon: ${listed(later)}.`];
  return joined(words, " ") || "Nothing else is in force than before.";
}
