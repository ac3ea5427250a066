// Single lines as pixels: so many strokes would take longer than a frame. No DOM.

/**
 * Lay a trace over the alpha of RGBA `data`, `width` a row: from point to point, in each column a pixel more than from its
 * upper to its lower end and as far as the column before. A point `us` is at column `x.at(us)`, a level at row `y.at(mv)`.
 */
export function layTrace({ data, width, height }, { us, low, high, count }, x, y, thick, strength) {
  let column = 0;
  let top = 0;
  let bottom = 0;
  let before = -Infinity;
  let below = Infinity;
  for (let k = 0; k < count; k += 1) {
    const next = Math.floor(x.at(us[k]));
    const up = y.at(high[k]) - thick / 2;
    const down = y.at(low[k]) + thick / 2;
    const steps = k ? next - column : 1;
    for (let step = Math.max(1, steps - next); step <= steps && next - steps + step < width; step += 1) {
      const upper = k ? top + ((up - top) * step) / steps : up;
      const lower = k ? bottom + ((down - bottom) * step) / steps : down;
      const from = Math.max(0, Math.min(upper, below));
      const to = Math.min(height, Math.max(lower, before));
      before = upper;
      below = lower;
      for (let row = Math.floor(from); row < to; row += 1) {
        const at = 4 * (row * width + next - steps + step) + 3;
        const part = Math.min(row + 1, to) - Math.max(row, from);
        data[at] += (255 - data[at]) * strength * part;
      }
    }
    column = next;
    top = up;
    bottom = down;
  }
}
