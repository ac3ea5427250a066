// The sheet of paper that printing makes of the Trim view: for a folder, black on white.

import { assign, drawn, find, made } from "./dom.js";
import { capital, dateTime, joined, levelDetail, plusMinus, standing, syncLine, whole, zoneWords } from "./words.js";

/** What is on the bench (see GET book/present), or nothing, to be written by hand. */
export const benchFacts = (present) => [
  ["Unit, serial number", joined([present?.unit.maker, present?.unit.model, present?.unit.serial])],
  ["Stage of work", present?.stage.name ?? ""],
  ["By whom", ""],
];

/** What the sheet says of a reading, as [term, words]. */
export function paperFacts({ captured_at: at, scope, channels }, { sync, whitePct = 100 }) {
  const targets = new Set(channels.map(({ target }) => target).filter(Boolean));
  return [
    ["Time", at ? `${dateTime(Date.parse(at))} local time` : "not known"],
    ["Scope", `${scope?.identity ?? "not known"} at ${scope?.resource ?? "no address"}`],
    ["Sync", syncLine(sync)],
    ["Target", [...targets].join(", ") || "none"],
    ...(whitePct === 100 ? [] : [["Pattern", `${Number(whitePct)}\u00a0% white, levels scaled to full, if linear`]]),
  ];
}

/** A channel's row: name, level, bounds, zone, words, aim. */
export function paperRow(channel, conditions) {
  const there = channel.number !== null;
  const bounds = there && channel.low_mv !== null ? `${whole(channel.low_mv)} to ${whole(channel.high_mv)}` : "";
  return [
    `${capital(channel.role)} (${channel.channel})`,
    there ? `${whole(channel.number)}${channel.clipped ? " or more" : ""} ${channel.u95_mv === null ? "mV" : plusMinus(channel.u95_mv)}` : "\u2013",
    bounds,
    zoneWords(channel, conditions),
    standing(channel, conditions).words,
    channel.aim === null ? levelDetail(channel, conditions) : `${whole(channel.aim)}\u00a0mV`,
  ];
}

const HEAD = ["Channel", "White above blanking", "5 to 95\u00a0% bound, mV", "Zone", "Verdict", "Aim"];

/** What `trim` shows now, under these conditions, and what is on the bench; after it these words. */
export function fillPaper(trim, conditions, present, others) {
  const shown = [...trim.panels.values()].filter(({ channel }) => channel);
  const facts = trim.drawn ? paperFacts(trim.drawn, conditions) : [];
  find("paper").replaceChildren(
    made("h2", "Peakwhite: video levels"),
    made("dl", ...[...facts, ...benchFacts(present)].flatMap(([term, words]) => [made("dt", term), made("dd", words)])),
    made("table", row("th", HEAD), ...shown.map(({ channel }) => row("td", paperRow(channel, conditions)))),
    ...shown.map(({ channel, parts }) => made("figure", made("figcaption", capital(channel.role) + (channel.aim === null ? "" : `; dashed: aim ${whole(channel.aim)}\u00a0mV`)), picture(parts.rule))),
    ...others.map((words) => made("p", words)),
  );
}

const row = (tag, cells) => made("tr", ...cells.map((words) => made(tag, words)));

/** The rule as it stands on the page: its still layer, the box of the slider, core and aim. */
function picture(rule) {
  const svg = rule.querySelector("svg").cloneNode(true);
  const at = rule.getBoundingClientRect();
  assign(svg, { viewBox: `0 0 ${svg.getAttribute("width")} ${svg.getAttribute("height")}` });
  for (const name of ["slider", "core", "aim"]) {
    const { x, y, width, height } = rule.querySelector(`[data-${name}]`).getBoundingClientRect();
    if (height) drawn("rect", { x: x - at.x, y: y - at.y, width, height, class: `paper-${name}` }, svg);
  }
  return svg;
}
