// The roles of channels, and every sentence that the page says about a level, the sync, the match. No DOM. Levels come settled
// (see settled.js).

/** Roles that have a peak white, in the order of the page. */
export const WHITE_ROLES = ["red", "green", "blue", "luma", "composite"];

/** Roles that are matched with each other. */
export const COLOURS = ["red", "green", "blue"];

/** What is said of a level that needs no trimming any more. */
export const ON_AIM = "on aim: leave it";

/** What to look at before trimming, while a hint says that the hookup and not the unit sets the level. */
const FIRST = {
  "termination-missing": "the terminator",
  "fifty-ohm-load": "for a 50-ohm load",
  "terminated-twice": "for a second load",
  "loads-75-and-50": "both loads",
  "pattern-white": "the pattern’s white",
  "probe-ratio": "the probe ratio",
  "one-channel-off": "this channel’s hookup",
  "channels-swapped": "which probe is where",
};

/** Whether a hint of that code puts the hookup before the trimmer. */
export const isOfHookup = (code) => code in FIRST;

/** How the question on the bench is answered (problem code "unit-in-question"). */
export const ANSWER = "press S if it is, else give the next one’s serial on Trim";

/** Whether nothing comes on this channel while another one shows picture. */
export const isDead = (channel) => channel.hints.some((hint) => hint.code === "channel-dead");

/** Zone as a word; empty without a zone. */
export const zoneWord = (zone) => (zone ?? "").replace("-", " ");

/** "red" → "Red". */
export const capital = (text) => text ? text[0].toUpperCase() + text.slice(1) : "";

/** What there is of these, with dots between, or what is said. */
export const joined = (parts, between = " · ") => parts.filter(Boolean).join(between);

/** "red", "red and green", "red, green and blue". */
export const listed = (words) => words.length < 2 ? words.join("") : `${words.slice(0, -1).join(", ")} and ${words.at(-1)}`;

/** A number with so many decimals and a true minus sign. */
export function figure(value, digits = 0) {
  const words = Math.abs(value).toFixed(digits);
  return value < 0 && Number(words) !== 0 ? `−${words}` : words;
}

/** A whole number with a true minus sign. */
export const whole = (value) => figure(Math.round(value));

/** Uncertainty: "±22 mV", below 10 mV with one decimal. */
export const plusMinus = (mv) => `±${mv < 9.95 ? mv.toFixed(1) : whole(mv)}\u00a0mV`;

/** "4 s", "3 min", "2 h". */
export function ago(seconds) {
  if (seconds < 90) return `${Math.max(0, Math.round(seconds))}\u00a0s`;
  if (seconds < 5400) return `${Math.round(seconds / 60)}\u00a0min`;
  return `${Math.round(seconds / 3600)}\u00a0h`;
}

/** Local date and time of day, "2026-01-02 14:03:22". */
export function dateTime(epochMs) {
  const at = new Date(epochMs);
  return new Date(epochMs - at.getTimezoneOffset() * 60000).toISOString().slice(0, 19).replace("T", " ");
}

/** Local time of day, "14:03:22". */
export const clockTime = (epochMs) => dateTime(epochMs).slice(11);

const atLeastOne = (mv) => whole(Math.max(1, Math.abs(mv)));

/** Shown number less shown aim, in whole mV; null without an aim. */
const distance = (channel) => channel.number === null || channel.aim === null ? null : channel.number - channel.aim;

// Within what the level repeats, of three millivolts at most. Right on the aim every second reading is unsure by a hair.
function isOnAim(channel) {
  const off = distance(channel);
  if (channel.verdict === "unsure") return off === 0 && channel.p_over < 0.1;
  return channel.verdict === "leave-it" && off !== null && Math.abs(off) <= Math.max(1, Math.min(3, channel.u95_repeat_mv ?? 0));
}

const hookupHint = (channel, hints) => [...channel.hints, ...hints].find((hint) => isOfHookup(hint.code));

/**
 * How a level stands, in words: `meaning` without figures, for listeners, and `words` with them; and the `way` that it is off
 * its aim, "over", "under" or "on-aim", empty where nothing says so for sure. `sync` is the settled sync, `hints` those of the
 * whole reading, `staleS` the age of a reading that is no longer live, else null.
 */
export function standing(channel, { sync, hints = [], staleS = null }) {
  const said = (meaning, words = meaning, way = "") => ({ meaning, words, way });
  if (staleS !== null) return said("held: no reading", `held ${ago(channel.age_s + staleS)}: no reading`);
  if (isDead(channel)) return said("no signal");
  const missing = MISSING[sync?.state] ?? ["no white in the record yet", "no white seen"];
  if (channel.number === null) return said(missing[0]);
  if (channel.held || sync?.state === "none") return said(`held: ${missing[1]}`, `held ${ago(channel.age_s)}: ${missing[1]}`);
  const first = hookupHint(channel, hints);
  if (first) return said(`check ${FIRST[first.code]} first`);
  if (channel.decidable === false && !channel.clipped) return said("cannot be judged");
  const proven = sync?.state === "locked";
  const { meaning, words } = channel.clipped ? said("clipped: the true level is higher") : judged(channel, said, proven);
  return said(meaning, words, proven ? wayOf(channel) : "");
}

// Nobody knows that the highest level seen is white, so it is never called too low: it has no verdict then.
const isOnlyHighest = (channel) => channel.verdict === null && channel.aim !== null && channel.highest;

const isAtEdge = (channel) => channel.verdict === "unsure" && !channel.clipped && !isOnAim(channel);

const whereItLies = (channel) => (isOnlyHighest(channel) ? "highest seen" : isAtEdge(channel) ? "at the edge" : zoneWord(channel.zone));

// Whether something else than the level itself has to be seen to first.
const isApart = (channel, { sync, hints = [] }) => hookupHint(channel, hints) || channel.held || sync?.state !== "locked";

/** Where the level lies, if that may be said: its zone, "at the edge", "highest seen". */
export const zoneWords = (channel, conditions) => (channel.number === null || isApart(channel, conditions) ? "" : whereItLies(channel));

/** The zone whose texture stands beside the number; none where the words do not say that the level lies in it. */
export const flankZone = (channel, way) => (way && !isAtEdge(channel) && channel.zone) || "";

function wayOf(channel) {
  const off = distance(channel);
  if (channel.clipped) return "over";
  if (isOnAim(channel)) return "on-aim";
  if (off === null || (off < 0 && isOnlyHighest(channel))) return "";
  return off < 0 && channel.verdict !== "over" ? "under" : "over";
}

function judged(channel, said, proven) {
  const off = distance(channel);
  const { verdict } = channel;
  if (off !== null && (verdict === "over" || verdict === "too-low")) {
    const way = verdict === "over" ? "too high" : "too low";
    return said(way, `${atLeastOne(off)}\u00a0mV ${way}`);
  }
  if (verdict === "leave-it" && !proven) return said("in, if that is blanking");
  if (proven && isOnAim(channel)) return said(ON_AIM);
  if (verdict === "leave-it") return said(channel.zone === "dim" ? "in, but dim: leave it" : "in: leave it");
  if (verdict === "unsure" && channel.edges_mv) return unsure(channel, said);
  if (isOnlyHighest(channel)) return said("not over so far");
  return said("no target for this channel");
}

function unsure({ edges_mv: edges, high_mv: high, low_mv: low, p_over: over, p_too_low: under }, said) {
  const [way, by] = (under ?? 0) > (over ?? 0) ? ["too low", edges.dim - low] : ["over", high - edges.over];
  return said(`may still be ${way}`, `may still be ${way} by up to ${atLeastOne(by)}\u00a0mV`);
}

const MISSING = { none: ["no level without sync", "no sync"], "vertical-interval": ["no picture lines in this record", "no picture lines"] };

/** The second line: zone, distance to the aim, uncertainty; or the way out where nothing can be judged. */
export function levelDetail(channel, { sync, hints = [], staleS = null }) {
  if (staleS !== null) return "no longer live: do not trim by it";
  if (isDead(channel)) return "is its probe on, and its cable good?";
  if (channel.number === null) return sync?.state === "none" ? "clip a probe to the unit’s sync" : "show a white field or bars on the unit";
  if (channel.clipped) return "give this channel more volts per division";
  const apart = isApart(channel, { sync, hints });
  const parts = channel.held ? ["last seen"] : [];
  if (channel.decidable === false && !apart) parts.push("calibrate, or state the gain accuracy");
  else parts.push(apart ? "" : whereItLies(channel), aimWords(channel, apart));
  if (channel.u95_mv !== null) parts.push(plusMinus(channel.u95_mv));
  return joined(parts, "\u00a0· ");
}

// Where the main words carry the distance already, the aim alone is said.
function aimWords(channel, alsoTheDistance) {
  const off = distance(channel);
  if (off === null) return "";
  const aim = `aim\u00a0${whole(channel.aim)}`;
  if (!alsoTheDistance && (channel.verdict === "over" || channel.verdict === "too-low")) return aim;
  if (!alsoTheDistance && off === 0) return `on ${aim}`;
  return `${whole(Math.abs(off))}\u00a0mV ${off > 0 ? "above" : "below"} ${aim}`;
}

/** Levels beside white, by their names in a reading. */
export const BESIDE = ["black_mv", "sync_mv", "burst_mv_pp", "average_mv"];

/** What stands after "mV": of what white the level was scaled, and that it is clipped. */
export const unitWords = ({ clipped }, patternWhitePct) =>
  (patternWhitePct === 100 ? "" : ` from ${patternWhitePct}\u00a0% white`) + (clipped ? " or more" : "") || " above blanking";

/** What else was measured: "black 0 · sync 286 · burst 280 · average 318 mV". */
export function besideWords(channel) {
  const levels = BESIDE.filter((key) => (channel[key] ?? null) !== null).map((key) => `${key.split("_")[0]} ${whole(channel[key])}`);
  return levels.length ? `${levels.join(" · ")}\u00a0mV` : "";
}

/** What a listener is told when it changes: the level's standing without figures. */
export const spokenWords = (channel, conditions) => `${capital(channel.role)}: ${standing(channel, conditions).meaning}`;

/** The level for role="meter". */
export function meterText(channel, conditions) {
  const { words, way } = standing(channel, conditions);
  const where = way || isOnlyHighest(channel) ? `${whereItLies(channel)}, ` : "";
  return channel.number === null ? words : `${whole(channel.number)} millivolts, ${where}${words}`;
}

/** What an empty plate waits for; `code` is that of the most pressing note. */
export function waitingWords(code = "") {
  if (code === "connecting" || code === "daemon-lost") return "waiting for the daemon";
  if (code === "scope-waiting-for-trigger") return "waiting for a trigger";
  return code.startsWith("scope-") ? "waiting for the scope" : "waiting for the first reading";
}

/** "locked on CH4 · 15.73 kHz · 262 lines, progressive". */
export function syncLine(sync) {
  if (!sync) return "\u00a0";
  if (sync.state === "none") return "no sync";
  const state = sync.state === "blanking-only" ? "looks like blanking" : sync.state.replace("-", " ");
  const parts = [sync.channel ? `${state} on ${sync.channel}` : state];
  if (sync.line_rate_khz !== null) parts.push(`${sync.line_rate_khz.toFixed(2)}\u00a0kHz`);
  if (sync.field?.lines_per_field) {
    const lines = `${Number(sync.field.lines_per_field.toFixed(1))}\u00a0lines`;
    parts.push(sync.field.scan ? `${lines}, ${sync.field.scan}` : lines);
  } else if (sync.system) {
    parts.push(sync.system);
  }
  return parts.join(" · ");
}

/** "2 viewers"; of one nothing is said. */
export const viewersWords = (viewers) => (viewers > 1 ? `${viewers}\u00a0viewers` : "");

/** "20 readings/s". */
export function rateWords(perSecond) {
  if (perSecond === 1) return "1\u00a0reading/s";
  return perSecond < 1 ? "under 1\u00a0reading/s" : `${whole(perSecond)}\u00a0readings/s`;
}

/** "12 readings/s · 40 ms behind": rate, and how long after its capture a reading shows. */
export function paceWords(perSecond, lagMs) {
  if (lagMs === null) return rateWords(perSecond);
  const lag = lagMs < 1000 ? `${Math.max(10, Math.round(lagMs / 10) * 10)} ms` : `${(lagMs / 1000).toFixed(1)} s`;
  return `${rateWords(perSecond)} · ${lag} behind`;
}

/** "steady 4 s", "rising", "falling" with the age of the level; the age alone where its `motion` is not known any more. */
export function motionWords(motion, ageS, nowMs) {
  const { way, since } = motion ?? { way: 0, since: null };
  const moves = since === null ? "" : way === 0 ? `steady ${ago((nowMs - since) / 1000)}` : way > 0 ? "rising ▲" : "falling ▼";
  return joined([moves, ageS >= 1 ? `${ago(ageS)} old` : "live"]);
}

/** "lowest 748.2 · mean 750.1 · highest 751.9 mV in 42 s". */
export function extremesWords({ lowest, mean, highest, since }, nowMs) {
  if (lowest === null) return "";
  return `lowest ${figure(lowest, 1)} · mean ${figure(mean, 1)} · highest ${figure(highest, 1)}\u00a0mV in ${ago((nowMs - since) / 1000)}`;
}

/** "105.2 ±0.4 % of reference" and "highest seen 731 mV", where the reading carries them. */
export function comparedWords({ reference, highest }) {
  const of = reference ? `${reference.percent.toFixed(1)} ±${reference.u95_percent.toFixed(1)} % of reference` : "";
  return joined([of, highest ? `highest seen ${whole(highest.level_mv)} mV` : ""]);
}

/** "Red is highest, blue lowest: 50 ±35 mV apart (untied) · not sure to match within 2 %"; empty unless all three `colours` are clipped, or one probe was on each. */
export function matchLine({ shown: match, colours }) {
  if (!colours && match?.method !== "one-probe") return "\u00a0";
  if (!match) return "Match: needs red, green and blue at white together";
  const within = `${Number(match.limit_pct)}\u00a0%`;
  const verdict = match.ok === null ? `not sure to match within ${within}`
    : match.ok ? `matched within ${within}` : `apart by more than ${within}`;
  const u = match.u95_mv === null ? "" : ` ${plusMinus(match.u95_mv)}`.replace("\u00a0mV", "");
  const who = match.highest && match.lowest ? `${capital(match.highest)} is highest, ${match.lowest} lowest: ` : "Match: ";
  return `${who}${whole(match.spread_mv)}${u}\u00a0mV apart (${match.method}) · ${verdict}`;
}
