// What stands in the way of trimming, most pressing first, and the suspicions below it. No DOM.

import { WHITE_ROLES } from "./roles.js";
import { ago, capital, clockTime, isDead, isOfHookup, listed, plusMinus } from "./words.js";

/**
 * One thing to say: `code` for machines, `kind` ("act": something is wrong, "wait": it may come by itself, "hint"),
 * `title`, what to `do`, and `more` that only the sheet says.
 */
const note = (code, kind, title, action, more = "") => ({ code, kind, title, do: action, more });

/** Clauses as sentences: "the link broke", "is it on?" → "The link broke. Is it on?" */
export function sentence(...clauses) {
  const said = clauses.map((clause) => (clause ?? "").trim()).filter(Boolean);
  return said.map((clause) => capital(clause) + (/[.?!]$/.test(clause) ? "" : ".")).join(" ");
}

/** By state of the scope: kind, title and what to do. */
export const SCOPE = {
  absent: ["act", "No scope attached", "Switch the scope on and plug it in by LAN or USB; it is found by itself."],
  connecting: ["wait", "Searching for the scope", "This takes a few seconds."],
  "waiting-for-trigger": ["wait", "Waiting for a trigger", "Is the unit on, and is its sync clipped to the trigger channel?"],
  lost: ["act", "Scope lost", "Is it on, and is its cable in? It comes back by itself."],
};

const SYNC = {
  none: ["act", "No sync", "Is the unit running? Clip a probe to its sync output, or to luma or composite."],
  "blanking-only": ["wait", "Looks like blanking, not proven", "The levels hold if it is. Clip a probe to the sync output to be sure."],
  "vertical-interval": ["wait", "Vertical interval", "The last records held no picture lines. Show a steady picture."],
};

/** Everything there is to say now, most pressing first: daemon, scope, sync, freshness, channels, problems, hints. */
export function notesOf(session, nowMs, epochOffsetMs) {
  const daemon = daemonNote(session, nowMs, epochOffsetMs);
  if (daemon) return [daemon];
  const found = [scopeNote(session.status) ?? freshNote(session, nowMs, epochOffsetMs)];
  const { problems = [], scope } = session.status ?? {};
  for (const problem of problems) {
    if (problem.text !== scope.text) found.push(note(problem.code, "act", sentence(problem.text), sentence(problem.do)));
  }
  const channels = session.settled.channels();
  if (session.reading && channels.length === 0) {
    found.push(note("no-ruler", "act", "No channel carries a white level", "Clip one to red, green, blue, luma or composite, and say so in the hookup."));
  }
  if (!session.stale(nowMs)) found.push(...liveNotes(session.settled, channels));
  return oneOfEach(found.filter(Boolean));
}

/** What to say where no note stands: trim, or nothing is left to trim. */
export function clearNote(channels) {
  const done = channels.length && channels.every((channel) => channel.verdict === "leave-it");
  const [title, action] = done ? ["All levels may be left", "Keep a mark; then the next unit."] : ["Hookup looks right", "Trim each level to its aim."];
  return note("clear", "clear", title, action);
}

/** The notes of a frozen page: after what is wrong with the daemon it says that it is frozen, and since when. */
export function frozenNote(notes, sinceEpochMs) {
  const frozen = note("frozen", "wait", `Frozen at ${clockTime(sinceEpochMs)}`, "Trim is held, the Line view goes on. Press F on Trim, or Freeze, to see the newest.");
  return notes[0]?.code === "daemon-lost" ? [notes[0], frozen] : [frozen, ...notes];
}

function oneOfEach(notes) {
  const kept = new Map();
  for (const one of notes) if (!kept.has(one.title)) kept.set(one.title, one);
  return [...kept.values()];
}

function daemonNote(session, nowMs, epochOffsetMs) {
  if (session.lost(nowMs)) {
    const since = clockTime(session.frameAt + epochOffsetMs);
    return note("daemon-lost", "act", `Daemon lost since ${since}`, "Is Peakwhite running, and the network up? The page tries again by itself.");
  }
  if (!session.hello) return note("connecting", "wait", "Connecting to the daemon", "The page fills in as soon as it answers.");
  return null;
}

// What to do comes first; what the daemon says of the link, which carries its address, stands last.
function scopeNote(status) {
  const scope = status?.scope;
  if (!scope || !(scope.state in SCOPE)) return null;
  const [kind, title, action] = SCOPE[scope.state];
  const since = scope.state === "lost" ? sinceWords(scope.since) : "";
  return note(`scope-${scope.state}`, kind, title + since, sentence(scope.do || action, scope.text));
}

function sinceWords(since) {
  const at = typeof since === "string" ? Date.parse(since) : NaN;
  return Number.isNaN(at) ? "" : ` since ${clockTime(at)}`;
}

function freshNote(session, nowMs, epochOffsetMs) {
  if (!session.reading || !session.settled.sync.shown) {
    return note("no-reading", "wait", "No reading yet", "The first one comes as soon as the scope has been set up.");
  }
  if (!session.stale(nowMs)) return null;
  if (!session.silent(nowMs)) return note("late", "act", "Readings come late", "What shows is seconds old: do not trim by it.");
  const since = clockTime(session.readingAt + epochOffsetMs);
  return note("no-reading", "act", `No reading since ${since}`, "The numbers below are the last ones: do not trim by them.");
}

function liveNotes(settled, channels) {
  const sync = syncNote(settled.sync.shown);
  const hints = hintNotes(settled.hints.shown, channels, Boolean(sync));
  const vague = hints.some(({ code }) => isOfHookup(code)) ? null : undecidedNote(channels);
  return [sync, ...channelNotes(channels, Boolean(sync)), vague, ...hints];
}

function syncNote(sync) {
  return sync && sync.state in SYNC ? note(`sync-${sync.state}`, ...SYNC[sync.state]) : null;
}

const names = (channels) => capital(listed(channels.map((channel) => channel.role)));
const areOrIs = (channels) => (channels.length > 1 ? "are" : "is");

// Levels that are held for want of sync are no news of their own.
function channelNotes(channels, syncIsSaid) {
  const clipped = channels.filter((channel) => channel.clipped);
  const held = syncIsSaid ? [] : channels.filter((channel) => channel.held && !isDead(channel));
  const found = [];
  if (clipped.length) {
    const scope = listed(clipped.map((channel) => channel.channel));
    found.push(note("clipped", "act", `${names(clipped)} ${areOrIs(clipped)} clipped by the scope`, `Give ${scope} more volts per division. The true level is higher.`));
  }
  if (held.length) {
    const age = Math.max(...held.map((channel) => channel.age_s));
    found.push(note("held", "wait", `${names(held)} ${areOrIs(held)} held`, `Show white on the unit; it was last seen ${ago(age)} ago.`));
  }
  return found;
}

// Not beside a hint on the hookup: a level twice as high is not for a better calibration to judge.
function undecidedNote(channels) {
  const vague = channels.filter((channel) => channel.decidable === false && !channel.clipped && !channel.held);
  if (!vague.length) return null;
  const widest = Math.max(...vague.map((channel) => channel.u95_mv ?? 0));
  return note("undecidable", "wait", `${names(vague)} cannot be judged`, `No level is sure to be right at ${plusMinus(widest)}: calibrate the scope, or state its gain accuracy.`);
}

/** Hints that say again what another note says already. */
function isSaid(hint, channel, syncIsSaid) {
  if (hint.code === "no-sync") return syncIsSaid;
  if (hint.code === "scope-clipping") return Boolean(channel?.clipped);
  return hint.code === "white-not-in-record" && (syncIsSaid || Boolean(channel && (channel.held || isDead(channel))));
}

// One note for one cause, with all channels that show it; those that put the hookup before the trimmer come first.
function hintNotes(hints, channels, syncIsSaid) {
  const causes = new Map();
  const add = (hint, channel) => {
    if (isSaid(hint, channel, syncIsSaid)) return;
    const key = `${hint.code} ${hint.text}`;
    const cause = causes.get(key) ?? { hint, of: new Set() };
    causes.set(key, cause);
    cause.of.add(channel ? channel.role : "all");
  };
  for (const hint of hints) add(hint, null);
  for (const channel of channels) for (const hint of channel.hints) add(hint, channel);
  return [...causes.values()].sort((a, b) => isOfHookup(b.hint.code) - isOfHookup(a.hint.code)).map(({ hint, of }) => hintNote(hint, of));
}

function hintNote(hint, of) {
  const who = of.has("all") ? "" : `${capital(listed(WHITE_ROLES.filter((role) => of.has(role))))}: `;
  const { cause, seen } = causeFirst(hint.text);
  return note(hint.code, "hint", who + (who ? cause : capital(cause)), hint.test, seen);
}

/** "White is high: likely no load." → the cause "likely no load." and what was seen, "White is high." */
export function causeFirst(text) {
  const at = text.indexOf(": likely ");
  return at < 0 ? { cause: text, seen: "" } : { cause: text.slice(at + 2), seen: `${text.slice(0, at)}.` };
}
