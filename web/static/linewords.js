// What the Line view says in words: why a level is what it is, and what stands under the readout. No DOM.

import { levelAt } from "./linedata.js";
import { capital, figure, listed, whole } from "./words.js";

const between = ([from, to]) => `${figure(from, 1)} to ${figure(to, 1)}\u00a0us`;
const spanOf = (flat) => between([flat.from_us, flat.to_us]);

/** Name of a channel: its role, or the scope's own name where nothing is clipped to it. */
export const nameOf = ({ role, channel }) => (role ? capital(role) : channel);

/** Why the level of a channel is what it is, in one or two sentences. */
export function whyWords(channel, patternWhitePct = 100) {
  const name = nameOf(channel);
  if (!channel.clamp_us) return `${name} carries no picture level: nothing is measured from its line but times.`;
  const blanking = `blanking, taken at ${between(channel.clamp_us)}`;
  if (channel.level_mv === null) return `${name} has no level: no flat run on ${channel.looked_at} lines stands clear of ${blanking}.`;
  const places = channel.flats.filter((flat) => flat.made_level).map(spanOf);
  const where = places.length > 3 ? `${places.length} flat runs` : listed(places);
  const scaled = patternWhitePct === 100 ? "" : ` This is ${patternWhitePct}\u00a0% white; Trim scales it, if linear.`;
  return `${name} ${whole(channel.level_mv)}\u00a0mV: mean of its highest flat, ${where}, on ${channel.level_lines} of ${channel.level_of} lines, above ${blanking}.${scaled}`;
}

/** The whole picture in words, for those who do not see it. */
export function toldWords(frame, patternWhitePct) {
  const each = frame.channels.map((channel) => {
    const others = channel.flats.filter((flat) => !flat.made_level).map((flat) => `${whole(flat.level_mv)}\u00a0mV at ${spanOf(flat)}`);
    return whyWords(channel, patternWhitePct) + (others.length ? ` Other flats: ${listed(others)}.` : "");
  });
  return [`Mean of ${frame.lines} lines.`, ...each].join(" ");
}

/** The readout's time: as fine as a pixel is. */
export const timeWords = (us, usPerPx) => `${figure(us, Math.min(3, Math.max(1, Math.ceil(-Math.log10(usPerPx)))))}\u00a0us`;

/** A level under the readout. */
export const levelWords = (mv) => (mv === null ? "–" : `${figure(mv, Math.abs(mv) < 9999.5 ? 1 : 0)}\u00a0mV`);

/** The readout: a time, and the level of every channel there. */
export function readoutWords(frame, us, usPerPx) {
  const levels = frame.channels.map((channel) => `${nameOf(channel)}\u00a0${levelWords(levelAt(frame, channel, us))}`);
  return [timeWords(us, usPerPx), ...levels].join(" · ");
}
