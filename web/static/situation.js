// What stands in the way of trimming, most pressing first, and the suspicions below it. No DOM.

import { ago, capital, clockTime } from "./words.js";

/**
 * One thing to say: `code` for machines, `kind` ("act": something is wrong, "wait": it may come by itself, "hint"),
 * `title`, and what to `do`.
 */
const note = (code, kind, title, action) => ({ code, kind, title, do: action });

/** Clauses as sentences: "the link broke", "is it on?" → "The link broke. Is it on?" */
function sentence(...clauses) {
  const said = clauses.map((clause) => (clause ?? "").trim()).filter(Boolean);
  return said.map((clause) => capital(clause) + (/[.?!]$/.test(clause) ? "" : ".")).join(" ");
}

const SCOPE = {
  absent: ["act", "No scope attached", "Switch the scope on and plug it in by LAN or USB; it is found by itself."],
  connecting: ["wait", "Searching for the scope", "This takes a few seconds."],
  "waiting-for-trigger": ["wait", "Waiting for a trigger", "Is the unit on, and is its sync clipped to the trigger channel?"],
  lost: ["act", "Scope lost", "Is it on, and is its cable in? It comes back by itself."],
};

const SYNC = {
  none: ["act", "No sync", "Is the unit running? Clip a probe to its sync output, or to luma or composite."],
  "blanking-only": ["wait", "Looks like blanking, not proven", "The levels hold if it is. Clip a probe to the sync output to be sure."],
  "vertical-interval": ["wait", "Vertical interval", "This record holds no picture lines; the next one should. Show a steady picture."],
};

/** Everything there is to say now, most pressing first: daemon, scope, sync, freshness, channels, problems, hints. */
export function notesOf(session, nowMs, epochOffsetMs) {
  const daemon = daemonNote(session, nowMs, epochOffsetMs);
  if (daemon) return [daemon];
  const found = [scopeNote(session.status) ?? freshNote(session, nowMs, epochOffsetMs)];
  for (const problem of session.status?.problems ?? []) {
    found.push(note(problem.code, "act", sentence(problem.text), sentence(problem.do)));
  }
  if (session.reading && session.channels().length === 0) {
    found.push(note("no-ruler", "act", "No channel carries a white level", "Clip one to red, green, blue, luma or composite, and say so in the hookup."));
  }
  if (!session.stale(nowMs)) found.push(syncNote(session.reading.sync), ...channelNotes(session), ...hintNotes(session.reading));
  return found.filter(Boolean);
}

function daemonNote(session, nowMs, epochOffsetMs) {
  if (session.lost(nowMs)) {
    const since = clockTime(session.frameAt + epochOffsetMs);
    return note("daemon-lost", "act", `Daemon lost since ${since}`, "Is Peakwhite still running, and is the network up? This page tries again by itself.");
  }
  if (!session.hello) return note("connecting", "wait", "Connecting to the daemon", "The page fills in as soon as it answers.");
  return null;
}

function scopeNote(status) {
  const scope = status?.scope;
  if (!scope || !(scope.state in SCOPE)) return null;
  const [kind, title, action] = SCOPE[scope.state];
  const since = scope.state === "lost" ? sinceWords(scope.since) : "";
  return note(`scope-${scope.state}`, kind, title + since, sentence(scope.text, scope.do) || action);
}

function sinceWords(since) {
  const at = typeof since === "string" ? Date.parse(since) : NaN;
  return Number.isNaN(at) ? "" : ` since ${clockTime(at)}`;
}

function freshNote(session, nowMs, epochOffsetMs) {
  if (!session.stale(nowMs)) return null;
  if (!session.reading) return note("no-reading", "wait", "No reading yet", "The first one comes as soon as the scope has been set up.");
  const since = clockTime(session.readingAt + epochOffsetMs);
  return note("no-reading", "act", `No reading since ${since}`, "The numbers below are the last ones: do not trim by them.");
}

function syncNote(sync) {
  if (!(sync.state in SYNC)) return null;
  return note(`sync-${sync.state}`, ...SYNC[sync.state]);
}

function channelNotes(session) {
  const found = [];
  for (const channel of session.channels()) {
    const name = capital(channel.role);
    if (channel.clipped) {
      found.push(note("clipped", "act", `${name} is clipped by the scope`, `Its true level is higher. Give ${channel.channel} more volts per division.`));
    }
    if (channel.held) {
      found.push(note("held", "wait", `${name} is held`, `White was last seen ${ago(channel.age_s)} ago. Show white on the unit.`));
    }
  }
  return found;
}

function hintNotes(reading) {
  const found = reading.hints.map((hint) => hintNote(hint, ""));
  for (const channel of reading.channels) {
    for (const hint of channel.hints) found.push(hintNote(hint, capital(channel.role ?? channel.channel)));
  }
  const kept = new Map(found.map((one) => [`${one.code} ${one.title}`, one]));
  return [...kept.values()];
}

function hintNote(hint, who) {
  return note(hint.code, "hint", who ? `${who}: ${hint.text}` : hint.text, `Ten-second test: ${hint.test}`);
}
