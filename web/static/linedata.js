// The binary frame of the averaged line, and what is read from it: points to draw, extremes in sight, one time's level. No DOM.

/** The frame as an object: its header, and for every channel `traces` (averaged first) of int16 counts, low and high by turns. */
export function parseLines(buffer) {
  const length = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  const counts = new Int16Array(buffer, 4 + length);
  const size = 2 * header.columns;
  const each = 1 + header.singles.length;
  header.end_us = header.start_us + header.columns * header.us_per_column;
  header.channels.forEach((channel, n) => {
    channel.zero_mv = channel.blanking_mv ?? 0;
    channel.traces = Array.from({ length: each }, (_, k) => counts.subarray((n * each + k) * size, (n * each + k + 1) * size));
  });
  return header;
}

/** Whether a frame shows all from `from` to `to`. */
export const covers = (frame, from, to) => frame.start_us <= from + frame.us_per_column && frame.end_us >= to - frame.us_per_column;

/**
 * What to draw of a trace from `from` to `to` (us), in mV above its zero: `{us, low, high}`, typed arrays of `count` points.
 * Where there are more columns than `most` points, neighbours are joined, and no extreme is lost.
 */
export function points(frame, channel, trace, from, to, most) {
  const { first, last } = columnsWithin(frame, from, to, 1);
  const join = Math.max(1, Math.ceil((last - first) / Math.max(1, most)));
  const count = Math.ceil((last - first) / join);
  const [us, low, high] = [new Float64Array(count), new Float32Array(count), new Float32Array(count)];
  for (let n = 0; n < count; n += 1) {
    const begin = first + n * join;
    const end = Math.min(last, begin + join);
    let [least, greatest] = [trace[2 * begin], trace[2 * begin + 1]];
    for (let column = begin + 1; column < end; column += 1) {
      if (trace[2 * column] < least) least = trace[2 * column];
      if (trace[2 * column + 1] > greatest) greatest = trace[2 * column + 1];
    }
    us[n] = frame.start_us + ((begin + end) / 2) * frame.us_per_column;
    low[n] = least * channel.mv_per_count - channel.zero_mv;
    high[n] = greatest * channel.mv_per_count - channel.zero_mv;
  }
  return { us, low, high, count };
}

/** Lowest and highest of a channel's averaged line in sight, mV above its zero; null where nothing is. */
export function extremes(frame, channel, from, to) {
  const { first, last } = columnsWithin(frame, from, to, 0);
  if (last <= first) return null;
  let [low, high] = [Infinity, -Infinity];
  for (let at = 2 * first; at < 2 * last; at += 2) {
    low = Math.min(low, channel.traces[0][at]);
    high = Math.max(high, channel.traces[0][at + 1]);
  }
  return { low: low * channel.mv_per_count - channel.zero_mv, high: high * channel.mv_per_count - channel.zero_mv };
}

/** The averaged line's level at a time, mV above the channel's zero; null outside the frame. */
export function levelAt(frame, channel, us) {
  const column = Math.floor((us - frame.start_us) / frame.us_per_column);
  if (column < 0 || column >= frame.columns) return null;
  const trace = channel.traces[0];
  return ((trace[2 * column] + trace[2 * column + 1]) / 2) * channel.mv_per_count - channel.zero_mv;
}

function columnsWithin(frame, from, to, beyond) {
  const first = Math.floor((from - frame.start_us) / frame.us_per_column) - beyond;
  const last = Math.ceil((to - frame.start_us) / frame.us_per_column) + beyond;
  return { first: Math.max(0, Math.min(first, frame.columns)), last: Math.min(frame.columns, Math.max(last, 0)) };
}

/** What to ask the daemon for: the window with a quarter more at both sides, so that a little panning shows no gap. */
export function requestFor(window, widthPx, singles) {
  const { goal, isWhole } = window;
  if (isWhole) return { type: "lines", width: Math.min(4096, Math.ceil(widthPx)), single: singles };
  const room = (goal.to - goal.from) / 4;
  const rounded = (us) => Math.round(us * 1e4) / 1e4;
  return { type: "lines", width: Math.min(4096, Math.ceil(1.5 * widthPx)), from_us: rounded(goal.from - room), to_us: rounded(goal.to + room), single: singles };
}
