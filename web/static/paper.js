// The sheet of paper that printing makes of the Trim view: for a folder, black on white.

import { capital, dateTime, levelDetail, plusMinus, standing, syncLine, whole, zoneWord } from "./words.js";

const SVG = "http://www.w3.org/2000/svg";
const BY_HAND = ["Unit, serial number", "Stage of work", "By whom"];

/** What the sheet says of a reading, as [term, words]. */
export function paperFacts({ captured_at: at, scope, channels }, { sync }) {
  const targets = new Set(channels.map(({ target }) => target).filter(Boolean));
  return [
    ["Time", at ? `${dateTime(Date.parse(at))} local time` : "not known"],
    ["Scope", `${scope?.identity ?? "not known"} at ${scope?.resource ?? "no address"}`],
    ["Sync", syncLine(sync)],
    ["Target", [...targets].join(", ") || "none"],
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
    there ? zoneWord(channel.zone) : "",
    standing(channel, conditions).words,
    channel.aim === null ? levelDetail(channel, conditions) : `${whole(channel.aim)}\u00a0mV`,
  ];
}

const HEAD = ["Channel", "White above blanking", "5 to 95\u00a0% bound, mV", "Zone", "Verdict", "Aim"];

export class Paper {
  constructor(root) {
    this.sheet = root.querySelector("[data-paper]");
  }

  /** What `trim` shows now, under these conditions; after it these words. */
  fill(trim, conditions, others) {
    const shown = [...trim.panels.values()].filter(({ channel }) => channel);
    const facts = trim.drawn ? paperFacts(trim.drawn, conditions) : [];
    this.sheet.replaceChildren(
      make("h2", "Peakwhite: video levels"),
      make("dl", ...[...facts, ...BY_HAND.map((term) => [term, ""])].flatMap(([term, words]) => [make("dt", term), make("dd", words)])),
      make("table", row("th", HEAD), ...shown.map(({ channel }) => row("td", paperRow(channel, conditions)))),
      ...shown.map(({ channel, parts }) => make("figure", make("figcaption", capital(channel.role)), drawn(parts.rule))),
      ...others.map((words) => make("p", words)),
    );
  }
}

function make(tag, ...inside) {
  const element = document.createElement(tag);
  element.append(...inside);
  return element;
}

const row = (tag, cells) => make("tr", ...cells.map((words) => make(tag, words)));

/** The rule as it stands on the page: its still layer, the box of the slider, core and aim. */
function drawn(rule) {
  const svg = rule.querySelector("svg").cloneNode(true);
  const at = rule.getBoundingClientRect();
  svg.setAttribute("viewBox", `0 0 ${svg.getAttribute("width")} ${svg.getAttribute("height")}`);
  for (const name of ["slider", "core", "aim"]) {
    const { x, y, width, height } = rule.querySelector(`[data-${name}]`).getBoundingClientRect();
    if (!height) continue;
    const box = svg.appendChild(document.createElementNS(SVG, "rect"));
    const place = { x: x - at.x, y: y - at.y, width, height, class: `paper-${name}` };
    for (const [key, value] of Object.entries(place)) box.setAttribute(key, value);
  }
  return svg;
}
