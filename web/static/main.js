// Wires the page together: frames come in, one animation loop draws the newest state.

import { Cautions } from "./cautions.js";
import { ChannelPanel } from "./channel.js";
import { LiveLink, liveUrl } from "./live.js";
import { Notice } from "./notice.js";
import { OneProbe } from "./oneprobe.js";
import { Announcements, SteadyNumber } from "./pace.js";
import { ask } from "./rest.js";
import { WHITE_ROLES } from "./roles.js";
import { Session } from "./session.js";
import { notesOf } from "./situation.js";
import { Trimmers } from "./trimmers.js";
import { Views } from "./views.js";
import { matchLine, rateWords, spokenWords, syncLine, waitingWords } from "./words.js";

const WORDS_EVERY_MS = 200;
const FOLLOW_EVERY_MS = 3000;

const find = (name) => document.querySelector(`[data-${name}]`);
const now = () => performance.now();
const calm = matchMedia("(prefers-reduced-motion: reduce)");

const session = new Session(now());
const views = new Views(document);
const notice = new Notice(document);
const cautions = new Cautions(document);
const trimmers = new Trimmers(document);
const oneProbe = new OneProbe(document);
const announcements = new Announcements();
const panels = new Map();
const windows = new Map();
const rate = new SteadyNumber();
let patternWhitePct = 100;
let askedSetup = null;
let focused = null;
let drawn = null;
let wordsAt = -Infinity;

function lay(roles) {
  if (roles.length === panels.size && roles.every((role) => panels.has(role))) return;
  panels.clear();
  for (const role of roles) panels.set(role, new ChannelPanel(role, focus));
  find("channels").replaceChildren(...[...panels.values()].map((panel) => panel.element));
  focus(roles.includes(focused) ? focused : roles[0]);
}

function focus(role) {
  focused = role;
  for (const panel of panels.values()) panel.setFocused(panel.role === role);
}

const windowsOf = (target) => windows.get(target) ?? [];

function onFrame(frame) {
  const what = session.receive(frame, now());
  if (what === "hello") greet();
  if (what === "other-version") location.reload();
}

function greet() {
  for (const panel of panels.values()) panel.rule.clear();
  drawn = null;
  find("demo-mark").hidden = !session.hello.demo;
  if (session.hello.demo) trimmers.show();
  else trimmers.hide();
  cautions.openUnlessRead();
  fetchWindows();
  fetchHookup();
}

/** The pattern's white; and before the first reading one empty rule for every clip that will have one. */
async function fetchHookup() {
  try {
    const { clips, pattern_white_pct: pct, setup } = await ask("hookup");
    patternWhitePct = pct;
    askedSetup = setup;
    const roles = WHITE_ROLES.filter((role) => clips.some((clip) => clip.role === role));
    if (!session.reading && roles.length) lay(roles);
    await oneProbe.follow(clips);
  } catch {
    // the first reading lays the rules out
  }
}

async function fetchWindows() {
  try {
    const { targets } = await ask("targets");
    for (const target of targets) windows.set(target.name, target.windows ?? []);
  } catch {
    // the rulers stand without the published windows; the notice says when the daemon is gone
  }
}

function frame(nowMs) {
  const { reading } = session;
  if (reading !== drawn && reading) {
    drawn = reading;
    if (reading.setup !== askedSetup) {
      askedSetup = reading.setup;
      fetchWindows();
      fetchHookup();
    }
    const { byRole, roles } = session.settled;
    if (roles.length) lay(roles);
    for (const role of roles) panels.get(role).take(byRole.get(role), windowsOf, session.readingAt);
  }
  for (const panel of panels.values()) panel.draw(nowMs, calm.matches);
  if (nowMs - wordsAt >= WORDS_EVERY_MS) {
    wordsAt = nowMs;
    say(nowMs);
  }
  requestAnimationFrame(frame);
}

function say(nowMs) {
  const stale = session.stale(nowMs);
  const { sync, hints, match } = session.settled;
  const conditions = { sync: sync.shown, hints: hints.shown, staleS: stale ? (nowMs - session.readingAt) / 1000 : null };
  const notes = notesOf(session, nowMs, Date.now() - nowMs);
  const waiting = waitingWords(notes[0]?.code);
  for (const panel of panels.values()) panel.say(conditions, patternWhitePct, waiting);
  notice.show(notes);
  put(find("sync-line"), stale ? "no live reading" : syncLine(sync.shown));
  put(find("rate"), stale ? "" : rateWords(rate.next(session.rate.perSecond(nowMs), nowMs)));
  const guided = match.shown ? null : oneProbe.words(nowMs);
  put(find("match"), stale ? "\u00a0" : (guided ?? matchLine(match)));
  announce(notes[0], conditions, nowMs);
}

function announce(note, conditions, nowMs) {
  const channel = panels.get(focused)?.channel;
  if (note && note.kind !== "hint") announcements.offer(note.title);
  else if (channel && conditions.staleS === null) announcements.offer(spokenWords(channel, conditions));
  const due = announcements.due(nowMs);
  if (due !== null) find("announcer").textContent = due;
}

function put(element, words) {
  if (element.textContent !== words) element.textContent = words;
}

function redrawRules() {
  for (const panel of panels.values()) panel.rule.refresh();
}

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || document.querySelector("dialog[open]")) return;
  const role = [...panels.keys()][Number(event.key) - 1];
  if (role) focus(role);
});
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redrawRules);

lay(["red", "green", "blue"]);
const link = new LiveLink(liveUrl(document.baseURI), onFrame);
link.start();
setInterval(() => {
  if (!session.stale(now())) trimmers.follow();
}, FOLLOW_EVERY_MS);
addEventListener("online", () => link.wake());
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) link.wake();
});
requestAnimationFrame(frame);
