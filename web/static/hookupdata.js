// The hookup in words and lines: what may be chosen, what a clip says, what a change changes, how it is drawn. No DOM.

import { capital } from "./words.js";

const SYNC = [["sync"], ["hsync", "horizontal sync"]];

/** What may be chosen: value, and words where it is not its own. */
export const CHOICES = {
  role: [
    ["", "nothing"], ["red"], ["green"], ["blue"], ...SYNC, ["vsync", "vertical sync"],
    ["luma"], ["chroma"], ["composite"], ["pb", "Pb"], ["pr", "Pr"],
  ],
  point: [["connector", "the output connector"], ["before-series-resistor", "before the series resistor"], ["chip-input", "the chip’s input"]],
  load: [["terminator", "a terminator"], ["monitor", "a monitor"], ["scope-input", "the scope’s input"], ["none", "nothing"]],
  link: [["coax", "coax cable"], ["probe-1x", "1:1 probe"], ["probe-10x", "10:1 probe"]],
};

/** The fields of a clip in their order, with their labels; those that CHOICES lacks are numbers. */
export const FIELDS = [
  ["role", "Signal"], ["point", "Probed at"], ["load", "Loaded by"], ["load_ohm", "Load, Ω"], ["load_tolerance_pct", "Load within, %"],
  ["link", "Link"], ["probe_ratio", "Scope’s volts ×"],
];

/** The input that triggers only. */
export const EXT = "EXT";

/** The signals that a channel may carry. */
export const rolesOf = (channel) => (channel === EXT ? [CHOICES.role[0], ...SYNC] : CHOICES.role);

/** A channel that carries nothing yet. */
export const blank = (channel) => ({
  channel, role: "", point: "connector", load: "terminator", load_ohm: 75, load_tolerance_pct: 1, link: "coax", probe_ratio: 1,
});

// A label inside a sentence; Ω stays what it is.
const within = (label) => label[0].toLowerCase() + label.slice(1);

const LIMITS = { load_ohm: [1, 1e9], load_tolerance_pct: [0, 50], probe_ratio: [0.001, 1e4] };

/** What cannot be used of a hookup as it is entered: words by the field's name, "CH1 load_ohm" or "pattern". */
export function faultsOf({ clips, pattern_white_pct: white }) {
  const faults = {};
  const check = (name, what, value, [least, most]) => (value >= least && value <= most) || (faults[name] = `${what}: a number from ${least} to ${most}, please.`);
  for (const { channel, role, ...clip } of clips) {
    if (clips.filter((one) => one.role === role).length > 1) faults[`${channel} role`] = `${capital(named("role", role))} can be on one channel only.`;
    for (const [key, label] of FIELDS) if (LIMITS[key]) check(`${channel} ${key}`, `${channel} ${within(label)}`, clip[key], LIMITS[key]);
  }
  check("pattern", "White of the pattern, %", white, [1, 100]);
  return faults;
}

const named = (field, value) => CHOICES[field]?.find(([one]) => one === value)?.[1] ?? String(value);

const ohms = (value) => (value >= 1e6 ? `${value / 1e6}\u00a0MΩ` : `${value}\u00a0Ω`);

/** A clip in a sentence. */
export function clipWords(clip) {
  if (!clip.role) return "Not captured.";
  if (clip.channel === EXT) return `${capital(named("role", clip.role))} triggers the scope; it is not recorded.`;
  const at = clip.point === "before-series-resistor" ? "" : " at";
  const load = clip.load === "none" ? "without a load" : `into ${named("load", clip.load)} of ${ohms(clip.load_ohm)}`;
  const ratio = clip.probe_ratio === 1 ? "" : `, volts × ${clip.probe_ratio}`;
  return `${capital(named("role", clip.role))}${at} ${named("point", clip.point)}, ${load}, by ${named("link", clip.link)}${ratio}.`;
}

/** What changes from one hookup to another, each `{clips, pattern_white_pct}`, one clause a change. */
export function changesOf(before, after) {
  const said = [];
  const add = (what, old, now) => Object.is(old, now) || said.push(`${what}: ${old} → ${now}`);
  const of = ({ clips }, channel) => clips.find((clip) => clip.channel === channel) ?? blank(channel);
  for (const channel of new Set([...before.clips, ...after.clips].map((clip) => clip.channel))) {
    const [old, now] = [of(before, channel), of(after, channel)];
    for (const [field, label] of now.role ? FIELDS : FIELDS.slice(0, 1)) {
      add(field === "role" ? channel : `${channel} ${within(label)}`, named(field, old[field]), named(field, now[field]));
    }
  }
  add("white of the pattern", before.pattern_white_pct, after.pattern_white_pct);
  return said;
}

/** The clips with these roles, `[channel, role]` each; whoever had one of them takes the one that is given up for it. */
export function withRoles(clips, roles) {
  const after = clips.map((clip) => ({ ...clip }));
  for (const [channel, role] of roles) {
    let clip = after.find((one) => one.channel === channel);
    if (!clip) after.push((clip = blank(channel)));
    const other = after.find((one) => one.role === role);
    if (other) other.role = clip.role;
    clip.role = role;
  }
  return after.filter((clip) => clip.role);
}

const TAP_X = { connector: 166, "before-series-resistor": 62, "chip-input": 8 };

/** How the clip of a signal is drawn, 272 by 106: paths `[class, d]`, texts `["text", x, y, words]`. Unit, point, load, link, scope. */
export function sketchOf({ channel, point, load, load_ohm: ohm, link }) {
  const tap = TAP_X[point];
  const way = `M${tap} 30V89H209`;
  return [
    ["case", "M1 4h147v57h-147z"], ["text", 92, 55, "unit"], ["wire", "M2 30H14M46 30H76M108 30H186"],
    ["thing", "M14 17h34v26h-34zM76 24h32v12h-32zM142 30a6 6 0 0 1 12 0a6 6 0 0 1 -12 0z"], ["text", 17, 35, "chip"],
    ...(link === "coax" ? [["coax", way], ["coax-core", way]] : [["wire", way]]),
    ["tip", `M${tap - 6} 42h12l-6 -12z`], ["text", tap + (point === "connector" ? 6 : 9), 83, named("link", link).split(" ")[0]],
    ["thing", "M209 73h62v32h-62z"], ["text", 216, 94, channel], ...LOADS[load](ohms(ohm)),
  ];
}

const LOADS = {
  terminator: (value) => [["wire", "M186 30V36M186 54V58M178 58H194M182 62H190"], ["thing", "M181 36h10v18h-10z"], ["text", 199, 50, value]],
  monitor: (value) => [["thing", "M186 17h66v26h-66z"], ["text", 192, 35, "monitor"], ["text", 199, 60, value]],
  "scope-input": (value) => [["text", 216, 66, value]],
  none: () => [["thing", "M186 30a4 4 0 0 1 8 0a4 4 0 0 1 -8 0z"], ["text", 200, 35, "no load"]],
};
