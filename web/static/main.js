// Wires the page together: frames come in, one animation loop draws the newest state.

import { Access, isLink, takeCode } from "./access.js";
import { Awake, BY_HAND, awakeWords } from "./awake.js";
import { Bench } from "./bench.js";
import { Cautions } from "./cautions.js";
import { Control } from "./control.js";
import { find, made, put } from "./dom.js";
import { KEY_HELP, actionOf } from "./keys.js";
import { later } from "./later.js";
import { LiveLink, liveUrl } from "./live.js";
import { Marks, hasBook } from "./marks.js";
import { Histories } from "./motion.js";
import { Notice } from "./notice.js";
import { OneProbe } from "./oneprobe.js";
import { Announcements, SteadyNumber } from "./pace.js";
import { ask } from "./rest.js";
import { Session } from "./session.js";
import { clearNote, frozenNote, notesOf, sentence } from "./situation.js";
import { Speaker } from "./speaker.js";
import { recall } from "./storage.js";
import { tell } from "./toast.js";
import { soundOf } from "./tone.js";
import { TrimView } from "./trim.js";
import { Views } from "./views.js";
import { Watch } from "./watch.js";
import { WHITE_ROLES, ago, matchLine, paceWords, spokenWords, syncLine, viewersWords, waitingWords } from "./words.js";

const WORDS_EVERY_MS = 200;
const FOLLOW_EVERY_MS = 3000;
const TONE_WORDS = { off: "Tone off", on: "Tone on", waiting: "Tone: tap" };

const now = () => performance.now();
const send = (message) => link.send(message);
const epochMs = (atMs) => atMs + Date.now() - now();
const calm = matchMedia("(prefers-reduced-motion: reduce)");

const code = takeCode();
const access = new Access();
const session = new Session(now());
const notice = new Notice();
const cautions = new Cautions();
const oneProbe = new OneProbe();
const announcements = new Announcements();
const marks = new Marks(tell);
const bench = new Bench();
const watch = new Watch();
const histories = new Histories();
const control = new Control(send);
const windows = new Map();
const rate = new SteadyNumber();
const lagShown = new SteadyNumber(1.6, 0.9);
const trim = new TrimView(find("channels"), {
  windowsOf: (target) => windows.get(target) ?? [],
  onReset: () => histories.reset(now()),
});
const speaker = new Speaker(soundNow, sayTone);
const awake = new Awake(sayAwake);
let lineView, hookupView, procedures, trimmers, fillPaper; // fetched when they are first needed
let greeted = false;
let patternWhitePct = 100;
let askedSetup = null;
let scopeInUse;
let wordsAt = -Infinity;

function onFrame(frame) {
  if (frame.type === "bench") {
    if (frame.present?.unit.id !== bench.frame?.present?.unit.id) histories.clear();
    bench.take(frame);
    watch.take(frame.watch, session.hello?.run);
  }
  const { hello, frameAt } = session;
  const lost = hello && session.lost(now());
  const what = session.receive(frame, now());
  if (what === "hello") {
    greet();
    scopeInUse = null;
  }
  if (lost) tellOfReturn(hello.run !== session.hello.run, now() - frameAt);
  if (what === "other-version") location.reload();
  if (what === "status") control.hear(frame);
  if (what === "reading") histories.take(frame.reading, now());
}

function tellOfReturn(anew, goneMs) {
  const more = anew ? "It was started anew: all that shows was fetched again." : `All that shows is new. It was not heard for ${ago(goneMs / 1000)}.`;
  tell({ title: "The daemon is back", more });
}

async function greet() {
  if (!greeted) cautions.openUnlessRead();
  greeted = true;
  trim.clear();
  access.greet(session.hello);
  control.greet(session.hello);
  lineView?.greet();
  find("demo-mark").hidden = !session.hello.demo;
  if (session.hello.demo) showTrimmers();
  else trimmers?.hide();
  fetchSetUp();
  const book = await hasBook();
  button("mark").hidden = !book;
  button("mark").classList.remove("away");
  find("no-book").hidden = book;
  find("bench-line").classList.toggle("away", !book);
}

/** What readings are judged by; and before the first of them one empty rule for every clip that will have one. */
async function fetchSetUp() {
  try {
    for (const target of (await ask("targets")).targets) windows.set(target.name, target.windows ?? []);
    const { clips, pattern_white_pct: pct, setup } = await ask("hookup");
    patternWhitePct = pct;
    askedSetup = setup;
    const roles = WHITE_ROLES.filter((role) => clips.some((clip) => clip.role === role));
    if (!session.reading && roles.length) trim.lay(roles);
    await oneProbe.follow(clips);
  } catch {
    // the first reading lays the rules out, without the published windows; the notice says when the daemon is gone
  }
}

function frame(nowMs) {
  const { reading } = session;
  if (trim.take(session, histories)) {
    const { identity, resource } = reading.scope;
    if (scopeInUse && scopeInUse !== resource) tell({ title: "Another scope in use", more: identity });
    scopeInUse = resource;
    if (reading.setup !== askedSetup) {
      askedSetup = reading.setup;
      fetchSetUp();
    }
  }
  trim.draw(nowMs, calm.matches);
  lineView?.draw(nowMs, { reading, patternWhitePct, calm: calm.matches });
  if (nowMs - wordsAt >= WORDS_EVERY_MS) {
    wordsAt = nowMs;
    say(nowMs);
  }
  requestAnimationFrame(frame);
}

/** Opens a view; what it is made of is fetched the first time. */
async function openView(name) {
  lineView?.show(name === "line");
  for (const part of [hookupView, procedures]) part?.show(name === "hookup");
  if (name === "line" && !lineView) {
    const [{ LineView }] = await later([import("./line.js")], "line.css");
    lineView ??= new LineView(document.querySelector('[data-view="line"]'), send);
  } else if (name === "hookup" && !hookupView) {
    const [{ HookupView }, { Procedures }] = await later([import("./hookup.js"), import("./procedures.js")], "hookup.css", "procedures.css");
    hookupView ??= new HookupView();
    procedures ??= new Procedures();
  } else return;
  await openView(views.current);
}

async function showTrimmers() {
  try {
    const [{ Trimmers }] = await later([import("./trimmers.js")]);
    trimmers ??= new Trimmers();
    trimmers.show();
  } catch (error) {
    put(find("trimmers-say"), error.message);
  }
}

/** Sign in, then go on; where that cannot be shown, soon once more. */
async function enter(code, goOn = () => link.wake()) {
  if (await access.enter(code)) goOn();
  else setTimeout(goOn, FOLLOW_EVERY_MS);
}

/** The sheet of paper must be there before anybody prints: it cannot be fetched while the browser prints. */
async function fetchPaper() {
  const paper = await import("./paper.js");
  await later([], "print.css");
  fillPaper = paper.fillPaper;
}

/** What everything is said under, as standing() takes it, and how late readings come. */
function conditionsAt(nowMs) {
  const { sync, hints } = session.settled;
  const lagS = session.lag.newest / 1000;
  return { sync: sync.shown, hints: hints.shown, staleS: session.stale(nowMs) ? (nowMs - session.readingAt) / 1000 + lagS : null, lagS };
}

function say(nowMs) {
  const stale = session.stale(nowMs);
  const { sync, match } = session.settled;
  const conditions = conditionsAt(nowMs);
  const notes = notesOf(session, nowMs, Date.now() - nowMs);
  trim.say(conditions, patternWhitePct, waitingWords(notes[0]?.code), nowMs);
  notice.show(trim.frozen === null ? notes : frozenNote(notes, epochMs(trim.frozen)), clearNote(session.settled, bench.frame?.warmth.why_cold));
  hookupView?.say(session, nowMs);
  put(find("sync-line"), stale ? "no live reading" : syncLine(sync.shown));
  const lost = session.lost(nowMs);
  put(find("viewers"), lost ? "" : viewersWords(session.status?.viewers));
  watch.say(lost, stale);
  put(find("rate"), session.silent(nowMs) ? "" : paceWords(rate.next(session.rate.perSecond(nowMs), nowMs), shownLag(nowMs)));
  bench.focus(trim.focused, stale);
  procedures?.say({ stale, sync: sync.shown, channels: session.settled.channels(), moving: session.settled.roles.filter((role) => histories.of(role).motion.way) });
  announce(notes[0], conditions, nowMs);
  if (trim.frozen !== null) return;
  const guided = match.shown ? null : oneProbe.words(nowMs);
  put(find("match"), stale ? "\u00a0" : (guided ?? (sync.shown?.state === "locked" ? matchLine(match) : "\u00a0")));
}

// In steps of 10 ms.
function shownLag(nowMs) {
  const steps = lagShown.next(session.lag.mean === null ? null : session.lag.mean / 10, nowMs);
  return steps === null ? null : steps * 10;
}

function announce(note, conditions, nowMs) {
  const channel = trim.panels.get(trim.focused)?.channel;
  if (note && note.kind !== "hint") announcements.offer(note.title);
  else if (channel && conditions.staleS === null) announcements.offer(spokenWords(channel, conditions));
  const due = announcements.due(nowMs);
  if (due !== null) find("announcer").textContent = due;
}

/** What the channel in focus sounds like now; frozen or not, it is the newest reading that sounds. */
function soundNow() {
  const shown = session.settled.byRole.get(trim.focused)?.shown;
  const fresh = Boolean(shown) && histories.of(trim.focused).freshness.fresh(now()) && !session.stale(now());
  return soundOf(shown, conditionsAt(now()), fresh);
}

function sayTone() {
  button("tone").ariaPressed = speaker.state !== "off";
  put(find("tone"), TONE_WORDS[speaker.state]);
}

function sayAwake() {
  put(find("awake"), awakeWords(awake.kept, awake.able));
}

const button = (name) => document.querySelector(`[data-action="${name}"]`);

const ACTIONS = {
  focus: ({ number }) => trim.focusNumber(number),
  next: () => trim.step(1),
  before: () => trim.step(-1),
  abreast() {
    trim.setAbreast(!trim.abreast);
    button("abreast").ariaPressed = trim.abreast;
  },
  freeze() {
    trim.freeze(trim.frozen === null ? now() : null);
    button("freeze").ariaPressed = trim.frozen !== null;
    say(now());
  },
  tone: () => speaker.toggle(),
  watch: () => watch.toggle(),
  same: () => bench.same(),
  reset: () => histories.reset(now()),
  async help() {
    await cautions.open();
    find("keys").previousElementSibling.scrollIntoView();
  },
  mark() {
    if (button("mark").hidden) return;
    if (trim.frozen === null) marks.keep();
    else tell({ title: "No mark was kept", more: "A mark is of the newest reading, and the page shows a frozen one: press F first.", kind: "act" });
  },
};

document.addEventListener("keydown", (event) => {
  const action = actionOf(event);
  if (!action || document.querySelector("dialog[open]")) return;
  if (views.current !== "trim" && !/^(help|mark|tone)$/.test(action.name)) return;
  event.preventDefault();
  ACTIONS[action.name](action);
});
for (const one of document.querySelectorAll("[data-action]")) one.onclick = () => ACTIONS[one.dataset.action]();
// A button that was tapped gives the keyboard back, so that Space keeps a mark, before a dialog that it opens remembers it;
// one that was reached by Tab keeps it.
document.addEventListener("click", (event) => {
  if (event.detail > 0 && event.target.closest("button, a")) document.activeElement?.blur();
}, true);
matchMedia("(prefers-color-scheme: dark)").onchange = () => trim.refresh();

addEventListener("beforeprint", () => {
  say(now());
  const notes = notesOf(session, now(), epochMs(0)).map((note) => sentence(note.title, note.do));
  fillPaper?.(trim, { ...conditionsAt(now()), whitePct: patternWhitePct }, bench.frame?.present, [find("match").textContent, ...notes]);
});

// First of all: the socket opens while the rest is laid out.
const link = new LiveLink(liveUrl(document.baseURI), onFrame);
link.onBytes = (bytes) => lineView?.take(bytes);
link.onRefused = () => enter(null);
if (code === null) link.start();
else enter(code, () => link.start());
for (const [keys, does] of KEY_HELP) {
  find("keys").append(made("dt", made("kbd", keys)), made("dd", does));
}
sayAwake();
awake.ask();
if (!awake.able && matchMedia("(pointer: coarse)").matches) tell({ title: "The screen may go dark", more: BY_HAND });
trim.lay(["red", "green", "blue"]);
if (recall("abreast")) ACTIONS.abreast();
const views = new Views(openView);
setInterval(() => {
  if (!fillPaper && !session.lost(now())) fetchPaper().catch(() => {}); // tried again in three seconds
  if (session.stale(now()) || !session.hello.demo) return;
  if (trimmers) trimmers.follow();
  else showTrimmers();
}, FOLLOW_EVERY_MS);
addEventListener("hashchange", () => {
  if (isLink(location.hash)) location.reload(); // a sign-in link is opened in a page that is there already
});
addEventListener("online", () => link.wake());
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) link.wake();
});
requestAnimationFrame(frame);
