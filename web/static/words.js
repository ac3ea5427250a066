// Every sentence that the page says about a level, the sync, the match. No DOM.

const ZONES = { over: "over", "on-target": "on target", dim: "dim", "too-low": "too low" };

/** Zone as a word; empty without a zone. */
export function zoneWord(zone) {
  return ZONES[zone] ?? "";
}

/** "red" → "Red". */
export function capital(text) {
  return text ? text[0].toUpperCase() + text.slice(1) : "";
}

/** A whole number with a true minus sign. */
export function whole(value) {
  const rounded = Math.round(value);
  return rounded < 0 ? `−${-rounded}` : String(Math.abs(rounded));
}

/** A whole number in groups of three, "15 734". */
export function grouped(value) {
  return whole(value).replace(/\B(?=(\d{3})+$)/g, "\u202f");
}

/** Uncertainty: "±22 mV", below 10 mV with one decimal. */
export function plusMinus(mv) {
  return `±${mv < 9.95 ? mv.toFixed(1) : whole(mv)}\u00a0mV`;
}

/** "4 s", "3 min", "2 h". */
export function ago(seconds) {
  if (seconds < 90) return `${Math.max(0, Math.round(seconds))}\u00a0s`;
  if (seconds < 5400) return `${Math.round(seconds / 60)}\u00a0min`;
  return `${Math.round(seconds / 3600)}\u00a0h`;
}

/** Local time of day, "14:03:22". */
export function clockTime(epochMs) {
  const at = new Date(epochMs);
  return [at.getHours(), at.getMinutes(), at.getSeconds()].map((part) => String(part).padStart(2, "0")).join(":");
}

const atLeastOne = (mv) => whole(Math.max(1, Math.abs(mv)));

/** The main words of a channel: what to do about its level. */
export function levelWords(channel, sync) {
  if (channel.peak_white_mv === null) return missingWords(channel, sync);
  if (channel.clipped) return "clipped: the true level is higher";
  if (channel.decidable === false) return "cannot be judged";
  switch (channel.verdict) {
    case "leave-it":
      return channel.zone === "dim" ? "in, but dim: leave it" : "in: leave it";
    case "over":
      return `${atLeastOne(channel.off_aim_mv)}\u00a0mV too high`;
    case "too-low":
      return `${atLeastOne(channel.off_aim_mv)}\u00a0mV too low`;
    case "unsure":
      return unsureWords(channel);
    default:
      return "no target for this channel";
  }
}

function unsureWords(channel) {
  const { edges_mv: edges, high_mv: high, low_mv: low } = channel;
  if (!edges) return "no target for this channel";
  if ((channel.p_too_low ?? 0) > (channel.p_over ?? 0)) {
    return `may still be too low by up to ${atLeastOne(edges.dim - low)}\u00a0mV`;
  }
  return `may still be over by up to ${atLeastOne(high - edges.over)}\u00a0mV`;
}

function missingWords(channel, sync) {
  if (sync?.state === "none") return "no level without sync";
  if (sync?.state === "vertical-interval") return "no picture lines in this record";
  if (channel.hints.some((hint) => hint.code === "channel-dead")) return "no signal";
  return "no white in the record yet";
}

/** The second line: zone, distance to the aim, uncertainty, age; or the way out where nothing can be judged. */
export function levelDetail(channel, sync, ageS) {
  if (channel.peak_white_mv === null) return missingDetail(channel, sync);
  if (channel.clipped) return "give this channel more volts per division";
  const parts = [];
  if (channel.held) parts.push(`held for ${ago(ageS)}`);
  if (channel.decidable === false) {
    parts.push("way out: calibrate, or state the scope’s accuracy");
  } else {
    if (!channel.held) parts.push(zoneWord(channel.zone));
    parts.push(aimWords(channel));
  }
  if (channel.u95_mv !== null) parts.push(plusMinus(channel.u95_mv));
  return parts.filter(Boolean).join(" · ");
}

function missingDetail(channel, sync) {
  if (sync?.state === "none") return "clip a probe to the unit’s sync";
  if (channel.hints.some((hint) => hint.code === "channel-dead")) return "is its probe on, and its cable good?";
  return "show a white field or bars on the unit";
}

function aimWords(channel) {
  const { aim_mv: aim, off_aim_mv: off, verdict } = channel;
  if (aim === null || off === null) return "";
  const target = `aim\u00a0${whole(aim)}`;
  if (verdict === "over" || verdict === "too-low") return target;
  if (Math.abs(off) < 1) return `on ${target}`;
  return `${whole(Math.abs(off))}\u00a0mV ${off > 0 ? "above" : "below"} ${target}`;
}

/** What a listener is told when it changes: the level's standing without the figures that flicker. */
export function spokenWords(channel, sync) {
  const name = capital(channel.role);
  if (channel.peak_white_mv === null) return `${name}: ${missingWords(channel, sync)}`;
  if (channel.verdict === "unsure" || channel.verdict === "leave-it") {
    return `${name}: ${levelWords(channel, sync)}`;
  }
  return `${name}: ${zoneWord(channel.zone)}, ${levelWords(channel, sync)}`;
}

/** The level for role="meter". */
export function meterText(channel, sync) {
  if (channel.peak_white_mv === null) return missingWords(channel, sync);
  return `${whole(channel.peak_white_mv)} millivolts, ${zoneWord(channel.zone)}, ${levelWords(channel, sync)}`;
}

const SYNC_STATES = {
  locked: "locked",
  "vertical-interval": "vertical interval",
  "blanking-only": "looks like blanking",
  none: "no sync",
};

/** "locked on CH4 · 15 734 Hz · 262 lines, progressive". */
export function syncLine(sync) {
  if (sync.state === "none") return SYNC_STATES.none;
  const state = SYNC_STATES[sync.state] ?? sync.state;
  const parts = [sync.channel ? `${state} on ${sync.channel}` : state];
  if (sync.line_rate_hz !== null) parts.push(`${grouped(sync.line_rate_hz)}\u00a0Hz`);
  if (sync.field?.lines_per_field) {
    const lines = `${Number(sync.field.lines_per_field.toFixed(1))}\u00a0lines`;
    parts.push(sync.field.scan ? `${lines}, ${sync.field.scan}` : lines);
  } else if (sync.system) {
    parts.push(sync.system);
  }
  return parts.join(" · ");
}

/** "20 readings/s"; below ten with one decimal. */
export function rateWords(perSecond) {
  return `${perSecond < 9.95 ? Number(perSecond.toFixed(1)) : whole(perSecond)}\u00a0readings/s`;
}

/** "Red is highest, blue lowest: 50 ±35 mV apart (untied) · not sure to match within 2 %". */
export function matchLine(match) {
  if (!match || match.spread_mv === null) return "Match: needs red, green and blue at white together";
  const within = `${Number(match.limit_pct)}\u00a0%`;
  const verdict = match.ok === null ? `not sure to match within ${within}`
    : match.ok ? `matched within ${within}` : `apart by more than ${within}`;
  const u = match.u95_mv === null ? "" : ` ${plusMinus(match.u95_mv)}`.replace("\u00a0mV", "");
  const who = match.highest && match.lowest ? `${capital(match.highest)} is highest, ${match.lowest} lowest: ` : "Match: ";
  return `${who}${whole(match.spread_mv)}${u}\u00a0mV apart (${match.method}) · ${verdict}`;
}
