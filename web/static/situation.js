// What stands in the way of trimming, most pressing first, and the suspicions below it. No DOM.

import { ANSWER, WHITE_ROLES, ago, capital, clockTime, isDead, isOfHookup, listed, plusMinus, standing } from "./words.js";

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

const QUESTION = "unit-in-question";
const STANDS = "It stands until the load is changed, or the terminator test is done.";

const SYNC = {
  none: ["act", "No sync", "Is the unit running? Clip a probe to its sync output, or to luma or composite."],
  "blanking-only": ["wait", "Looks like blanking, not proven", "The levels hold if it is. Clip a probe to the sync output to be sure."],
  "vertical-interval": ["wait", "Vertical interval", "The last records held no picture lines. Show a steady picture."],
};

// A range that was widened is less news than the missing load that did it.
const rank = ({ code, kind }) => (code === QUESTION ? 1 : /^range-/.test(code) || (kind === "hint" && !isOfHookup(code)) ? 2 : 0);

/**
 * Everything there is to say now, most pressing first: daemon, scope, sync, freshness, problems, channels, hints on the hookup,
 * whether the unit is still the same, the scope's range, other hints.
 */
export function notesOf(session, nowMs, epochOffsetMs) {
  const daemon = daemonNote(session, nowMs, epochOffsetMs);
  if (daemon) return [daemon];
  const found = [scopeNote(session.status) ?? freshNote(session, nowMs, epochOffsetMs)];
  const { problems = [], scope } = session.status ?? {};
  for (const { code, text, do: action } of problems) {
    if (code === QUESTION) found.push(note(code, "act", "Is this still the same unit?", sentence(ANSWER), sentence(text)));
    else if (text !== scope.text) found.push(note(code, "act", sentence(text), sentence(action)));
  }
  const channels = session.settled.channels();
  if (session.reading && channels.length === 0) {
    found.push(note("no-ruler", "act", "No channel carries a white level", "Clip one to red, green, blue, luma or composite, and say so in the hookup."));
  }
  if (!session.stale(nowMs)) found.push(...liveNotes(session.settled, channels));
  const notes = found.filter(Boolean).sort((a, b) => rank(a) - rank(b));
  return notes.filter(({ title }, n) => notes.findIndex((one) => one.title === title) === n);
}

/** What to say where no note stands: what is missing, trim, or nothing is left to trim; `cold` says why levels will still drift. */
export function clearNote(settled, cold) {
  const channels = settled.channels();
  const missing = channels.filter(({ number }) => number === null);
  if (missing.length) return note("no-level", "wait", `${names(missing)}: no level yet`, "Show white on the unit.");
  const { sync, hints, match: { shown: match, colours } } = settled;
  const left = channels.length && channels.every((one) => standing(one, { sync: sync.shown, hints: hints.shown }).meaning.endsWith("leave it"));
  const trim = "Trim each level to its aim.";
  if (!left) return note("clear", "clear", "Nothing speaks against the hookup", trim);
  const [but, action] = match?.ok === false ? ["but they do not match", trim]
    : (match ? !match.ok : colours) ? ["not sure to match", `${match && match.method !== "untied" ? "Bring them closer" : "Tie the probes in Hookup to be sure"}, or keep a mark.`]
    : channels.some(({ zone }) => zone === "dim") ? ["but not all are bright", "Dim is only dim: leave it, or raise it."] : [];
  if (but) return note("clear", "clear", `No level is harmful; ${but}`, action);
  return note("clear", "clear", "All levels may be left", cold ? "Still cold: levels will drift." : "Keep a mark; then the next unit.");
}

/** The notes of a frozen page: after what is wrong with the daemon it says that it is frozen, and since when. */
export function frozenNote(notes, sinceEpochMs) {
  const frozen = note("frozen", "wait", `Frozen at ${clockTime(sinceEpochMs)}`, "Trim is held, the Line view goes on. Press F on Trim, or Freeze, to see the newest.");
  return notes[0]?.code === "daemon-lost" ? [notes[0], frozen] : [frozen, ...notes];
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
  const at = Date.parse(since);
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

const syncNote = (sync) => sync && sync.state in SYNC ? note(`sync-${sync.state}`, ...SYNC[sync.state]) : null;

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
  return note("undecidable", "wait", `${names(vague)} cannot be judged`, `No level is sure to be right at ${plusMinus(widest)}: calibrate the scope, or state its gain accuracy (Hookup, Settings).`);
}

/** Hints that say again what another note says already. */
function isSaid({ code }, channel, syncIsSaid) {
  if (code === "no-sync") return syncIsSaid;
  if (code === "scope-clipping") return channel.clipped;
  return code === "white-not-in-record" && (syncIsSaid || channel.held || isDead(channel));
}

// One note for one cause, with all channels that show it; `hints` are of none.
function hintNotes(hints, channels, syncIsSaid) {
  const causes = {};
  for (const channel of [{ hints }, ...channels]) {
    for (const hint of channel.hints) {
      if (!isSaid(hint, channel, syncIsSaid)) (causes[`${hint.code} ${hint.text}`] ??= { hint, of: [] }).of.push(channel.role);
    }
  }
  return Object.values(causes).map(({ hint, of }) => hintNote(hint, of));
}

function hintNote(hint, of) {
  const who = of.includes(undefined) ? "" : `${capital(listed(WHITE_ROLES.filter((role) => of.includes(role))))}: `;
  const { cause, seen } = causeFirst(hint.text);
  return note(hint.code, "hint", who + (who ? cause : capital(cause)), hint.test, isOfHookup(hint.code) && hint.code !== "channels-swapped" ? `${seen} ${STANDS}` : seen);
}

// "White is high: likely no load." → the cause "likely no load." and what was seen, "White is high."
function causeFirst(text) {
  const at = text.indexOf(": likely ");
  return at < 0 ? { cause: text, seen: "" } : { cause: text.slice(at + 2), seen: `${text.slice(0, at)}.` };
}
