// Wires the page together: frames come in, one animation loop draws the newest state.

import { Cautions } from "./cautions.js";
import { ChannelPanel } from "./channel.js";
import { LiveLink, liveUrl } from "./live.js";
import { Notice } from "./notice.js";
import { Announcements } from "./pace.js";
import { ask } from "./rest.js";
import { Session, WHITE_ROLES } from "./session.js";
import { notesOf } from "./situation.js";
import { Trimmers } from "./trimmers.js";
import { matchLine, rateWords, spokenWords, syncLine } from "./words.js";

const WORDS_EVERY_MS = 200;
const FOLLOW_EVERY_MS = 3000;

const find = (name) => document.querySelector(`[data-${name}]`);
const now = () => performance.now();
const calm = matchMedia("(prefers-reduced-motion: reduce)");

const session = new Session(now());
const notice = new Notice(document);
const cautions = new Cautions(document);
const trimmers = new Trimmers(document);
const announcements = new Announcements();
const panels = new Map();
const windows = new Map();
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
  if (!session.reading) layAsClipped();
}

/** Before the first reading: one empty rule for every clip that will have one. */
async function layAsClipped() {
  try {
    const { clips } = await ask("hookup");
    const roles = WHITE_ROLES.filter((role) => clips.some((clip) => clip.role === role));
    if (!session.reading && roles.length) lay(roles);
  } catch {
    // the first reading lays them out
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
    const channels = session.channels();
    if (channels.length) lay(channels.map((channel) => channel.role));
    for (const channel of channels) panels.get(channel.role).take(channel, windowsOf, session.readingAt);
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
  const sync = session.reading?.sync;
  const ageS = (nowMs - session.readingAt) / 1000;
  for (const panel of panels.values()) panel.say(sync, stale, ageS);
  const notes = notesOf(session, nowMs, Date.now() - nowMs);
  notice.show(notes);
  put(find("sync-line"), stale ? "no live reading" : syncLine(sync));
  put(find("rate"), stale ? "" : rateWords(session.rate.perSecond(nowMs)));
  put(find("match"), stale ? "\u00a0" : matchLine(session.reading.match));
  announce(notes[0], stale, nowMs);
}

function announce(note, stale, nowMs) {
  const channel = panels.get(focused)?.channel;
  if (note && note.kind !== "hint") announcements.offer(note.title);
  else if (channel && !stale) announcements.offer(spokenWords(channel, session.reading.sync));
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
