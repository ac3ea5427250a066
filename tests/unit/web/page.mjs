// Loads a module of the page: of the checkout, or of the installed package where pytest says where that is.
import { pathToFileURL } from "node:url";

const folder = process.env.PEAKWHITE_PAGE
  ? pathToFileURL(`${process.env.PEAKWHITE_PAGE}/`)
  : new URL("../../../web/static/", import.meta.url);

export const page = (name) => import(new URL(name, folder).href);

/** A channel as the live reading carries it, at rest on target; `more` overrides. */
export function channel(more = {}) {
  return {
    channel: "CH1", role: "red", peak_white_mv: 690.2, u95_mv: 20.7, u95_repeat_mv: 0.4, low_mv: 671.2, high_mv: 709.3,
    held: false, age_s: 0, clipped: false, target: "rgb-525", edges_mv: { over: 714.3, on_target: 678.6, dim: 600 },
    aim_mv: 695.1, off_aim_mv: -4.9, zone: "on-target", verdict: "leave-it", p_over: 0.01, p_too_low: 0, decidable: true,
    hints: [], ...more,
  };
}

/** A level that is nowhere. */
export const NOTHING = {
  peak_white_mv: null, u95_mv: null, u95_repeat_mv: null, low_mv: null, high_mv: null, aim_mv: null, off_aim_mv: null,
  zone: null, verdict: null, p_over: null, p_too_low: null, decidable: null,
};

/** A channel as settled.js gives it: with its number and its aim in whole millivolts. */
export function shown(more = {}) {
  const one = channel(more);
  const rounded = (mv) => (mv === null ? null : Math.round(mv));
  return { ...one, number: rounded(one.peak_white_mv), aim: rounded(one.aim_mv) };
}

/** A reading as the live socket carries it. */
export function reading(seq, more = {}) {
  return {
    schema: "peakwhite.reading/1", run: "9f3c", seq, setup: 1,
    sync: { state: "locked", channel: "CH4", line_rate_hz: 15734.3, system: "525/60", field: null },
    channels: [channel()], match: null, hints: [], ...more,
  };
}

export const hello = (more = {}) => ({ type: "hello", version: "1.0", run: "9f3c", rate_hz: 20, demo: false, ...more });

export const status = (state, more = {}) => ({
  type: "status", scope: { state, since: "2026-01-02T03:04:05.678Z", text: "", do: null }, problems: [], viewers: 1, setup: 1, ...more,
});
