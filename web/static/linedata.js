// The binary frame of the averaged line, and what is read from it: points to draw, extremes in sight, one time's level. No DOM.

/** The frame as an object: its header, and for every channel `traces` (averaged first) of int16 counts, low and high by turns. */
export function parseLines(buffer) {
  const length = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  const size = 2 * header.columns;
  const each = 1 + header.singles.length;
  header.end_us = header.start_us + header.columns * header.us_per_column;
  header.channels.forEach((channel, n) => {
    channel.zero_mv = channel.blanking_mv ?? 0;
    channel.traces = Array.from({ length: each }, (_, k) => new Int16Array(buffer, 4 + length + 2 * (n * each + k) * size, size));
  });
  return header;
}

/** Whether a frame shows all from `from` to `to`. */
export const covers = (frame, from, to) => frame.start_us <= from + frame.us_per_column && frame.end_us >= to - frame.us_per_column;

const columnAt = (frame, us) => (us - frame.start_us) / frame.us_per_column;

// The columns from `from` to `to`, and `beyond` more at both sides.
function columns(frame, from, to, beyond) {
  const held = (column) => Math.max(0, Math.min(column, frame.columns));
  return [held(Math.floor(columnAt(frame, from)) - beyond), held(Math.ceil(columnAt(frame, to)) + beyond)];
}

// Lowest and highest of columns, mV above the channel's zero.
function bounds({ mv_per_count: mv, zero_mv: zero }, trace, first, last) {
  let [low, high] = [trace[2 * first], trace[2 * first + 1]];
  for (let at = 2 * first + 2; at < 2 * last; at += 2) {
    if (trace[at] < low) low = trace[at];
    if (trace[at + 1] > high) high = trace[at + 1];
  }
  return { low: low * mv - zero, high: high * mv - zero };
}

/**
 * What to draw of a trace from `from` to `to` (us), in mV above its zero: `{us, low, high}`, typed arrays of `count` points.
 * Where there are more columns than `most` points, neighbours are joined, and no extreme is lost.
 */
export function points(frame, channel, trace, from, to, most) {
  const [first, last] = columns(frame, from, to, 1);
  const join = Math.max(1, Math.ceil((last - first) / Math.max(1, most)));
  const count = Math.ceil((last - first) / join);
  const [us, lows, highs] = [new Float64Array(count), new Float32Array(count), new Float32Array(count)];
  for (let n = 0; n < count; n += 1) {
    const begin = first + n * join;
    const end = Math.min(last, begin + join);
    const { low, high } = bounds(channel, trace, begin, end);
    us[n] = frame.start_us + ((begin + end) / 2) * frame.us_per_column;
    lows[n] = low;
    highs[n] = high;
  }
  return { us, low: lows, high: highs, count };
}

/** Lowest and highest of a channel's averaged line in sight, mV above its zero; null where nothing is. */
export function extremes(frame, channel, from, to) {
  const [first, last] = columns(frame, from, to, 0);
  return last > first ? bounds(channel, channel.traces[0], first, last) : null;
}

/** The averaged line's level at a time, mV above the channel's zero; null more than half a column outside the frame. */
export function levelAt(frame, channel, us) {
  const at = columnAt(frame, us);
  if (at < -0.5 || at > frame.columns + 0.5) return null;
  const column = Math.min(Math.max(0, Math.floor(at)), frame.columns - 1);
  const { low, high } = bounds(channel, channel.traces[0], column, column + 1);
  return (low + high) / 2;
}

/** A reading's channel, or undefined: edges and aim (mV) where they lie on the line, whose white is so many percent of full white. */
export function targetOnLine({ edges_mv: edges, aim_mv: aim } = {}, patternWhitePct) {
  const at = (mv) => (mv * patternWhitePct) / 100;
  return { edges: edges && Object.fromEntries(Object.entries(edges).map(([name, mv]) => [name, at(mv)])), aim: at(aim ?? Infinity) };
}

/** What to ask the daemon for: the window with a quarter more at both sides, so that a little panning shows no gap. */
export function requestFor({ goal, isWhole }, widthPx, single) {
  const room = (goal.to - goal.from) / 4;
  const rounded = (us) => Math.round(us * 1e4) / 1e4;
  const part = isWhole ? {} : { from_us: rounded(goal.from - room), to_us: rounded(goal.to + room) };
  return { type: "lines", width: Math.min(4096, Math.ceil((isWhole ? 1 : 1.5) * widthPx)), ...part, single };
}
