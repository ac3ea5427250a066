"""Flat runs of the picture and the states that they cluster in: what a level is made of."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .lines import Lines

LONG_ENOUGH_US = 1.0
"""A flat run keeps at least this after the guards at its ends."""
LEAST_GUARD_US = 0.2
GUARD_RISE_TIMES = 3.0
LONGEST_GUARD_US = 2.0
LEAST_DWELL_US = 2.0
LEAST_LINES = 2
"""A state holds at least this long in all, on at least so many lines."""
ALIKE_MV = 4.0
"""Steps smaller than this are not told apart."""
WINDOW_US, LONGEST_WINDOW_US = 0.25, 1.0
SEEN_STEP_MV = 25.0
"""A step of this height should show above the noise, where windows of a microsecond suffice for that."""
RESTLESS = 1.3
"""An edge must differ by more than flats known to be flat do, by this factor."""
TILT = 0.02
"""A run whose halves differ by no more than this part of the picture's span is a tilted flat, not a ramp."""


@dataclass(frozen=True, eq=False)
class Runs:
    """Flat runs, all arrays of shape (runs,).

    Attributes:
        channel: which of the channels that were cut together.
        row: the line it lies on.
        first, last: first bin and the bin after the last.
        mean_mv: above blanking.
        bins: how many bins it keeps.
    """

    channel: NDArray[np.intp]
    row: NDArray[np.intp]
    first: NDArray[np.intp]
    last: NDArray[np.intp]
    mean_mv: NDArray[np.float64]
    bins: NDArray[np.intp]

    def at(self, index: NDArray[np.intp] | NDArray[np.bool_]) -> "Runs":
        """Some of the runs."""
        return Runs(
            self.channel[index],
            self.row[index],
            self.first[index],
            self.last[index],
            self.mean_mv[index],
            self.bins[index],
        )


_NONE = np.empty(0, dtype=np.intp)
NO_RUNS = Runs(_NONE, _NONE, _NONE, _NONE, np.empty(0), _NONE)


@dataclass(frozen=True, eq=False)
class State:
    """One level that the picture holds.

    Attributes:
        level_mv: mean of its runs above blanking, weighted by their length.
        dwell_us: how long in all.
        rows: on how many lines.
        runs: the runs themselves.
    """

    level_mv: float
    dwell_us: float
    rows: int
    runs: Runs


def flat_runs(lines: Lines, cycle_us: float | None) -> Runs:
    """Flat runs of active video.

    A run is where two neighbouring windows of a quarter microsecond (one subcarrier cycle, where there is one) differ
    by less than noise allows, less a guard of three rise times and at least 0.2 us at each end, if 1 us or more is
    left and its two halves agree.
    """
    bin_us = lines.grid.bin_us
    channels, rows, _ = lines.level_mv.shape
    active = lines.level_mv[:, :, lines.active].reshape(channels * rows, -1)
    half = _window_bins(lines, cycle_us)
    if active.shape[1] <= 2 * half:
        return NO_RUNS
    total = np.zeros((active.shape[0], active.shape[1] + 1))
    np.cumsum(active, axis=1, out=total[:, 1:])
    difference = total[:, 2 * half :] + total[:, : -2 * half]
    difference -= 2.0 * total[:, half:-half]
    np.abs(difference, out=difference)
    noise_mv = np.repeat(lines.clamp_noise_mv, rows)
    limit_mv = np.maximum(5.0 * math.sqrt(2.0 / half) * noise_mv, ALIKE_MV)
    limit_mv = np.maximum(limit_mv, np.repeat(RESTLESS * _restless_mv(lines, half), rows))
    guard = round(_guard_us(active, bin_us) / bin_us)
    flat = ~_widened(difference > limit_mv[:, None] * half, half, guard)
    span_mv = np.repeat(np.ptp(lines.level_mv[:, :, lines.active], axis=(1, 2)), rows)
    slope_mv = np.maximum(2.0 * ALIKE_MV, TILT * span_mv)
    runs = _as_runs(flat, total, max(1, round(LONG_ENOUGH_US / bin_us)), noise_mv, slope_mv)
    return replace(
        runs,
        channel=runs.row // rows,
        row=runs.row % rows,
        first=runs.first + lines.active.start,
        last=runs.last + lines.active.start,
    )


def _restless_mv(lines: Lines, half: int) -> NDArray[np.float64]:
    """Largest difference of neighbouring windows on the clamps, shape (channels,): what interference does to a flat."""
    quiet = lines.level_mv[:, :, lines.clamp.quiet]
    if quiet.shape[2] < 2 * half + 1:
        return np.zeros(quiet.shape[0])
    total = np.cumsum(np.concatenate((np.zeros((*quiet.shape[:2], 1)), quiet), axis=2), axis=2)
    bend = total[:, :, 2 * half :] + total[:, :, : -2 * half] - 2.0 * total[:, :, half:-half]
    return np.asarray(np.abs(bend).max(axis=(1, 2)) / half)


def _window_bins(lines: Lines, cycle_us: float | None) -> int:
    """Length of the windows compared: a quarter microsecond or one cycle; with noise up to a microsecond, so that small
    steps still show above it."""
    bin_us = lines.grid.bin_us
    shortest = max(1, round((cycle_us or WINDOW_US) / bin_us))
    noise_mv = float(lines.clamp_noise_mv.max())
    wanted = math.ceil(2.0 * (5.0 * noise_mv / SEEN_STEP_MV) ** 2)
    return max(shortest, min(wanted, round(LONGEST_WINDOW_US / bin_us)))


def _guard_us(active: NDArray[np.float64], bin_us: float) -> float:
    """Three rise times of the steepest edge, at least 0.2 us.

    The edge is taken as a straight line of its steepest slope, over the height between 0.4 us before and after it.
    """
    slopes = np.abs(active[:, 2:] - active[:, :-2])
    if slopes.size == 0 or not slopes.max() > 0.0:
        return LEAST_GUARD_US
    row, column = np.unravel_index(int(np.argmax(slopes)), slopes.shape)
    reach = max(1, round(0.4 / bin_us))
    before, after = max(0, int(column) + 1 - reach), min(active.shape[1] - 1, int(column) + 1 + reach)
    height_mv = abs(float(active[row, after] - active[row, before]))
    rise_us = 0.8 * height_mv * 2.0 * bin_us / float(slopes[row, column])
    return min(max(GUARD_RISE_TIMES * rise_us, LEAST_GUARD_US), LONGEST_GUARD_US)


def _widened(steep: NDArray[np.bool_], half: int, guard: int) -> NDArray[np.bool_]:
    """True within `guard` bins of a steep place. Steep places are given between bins, the first one after `half` bins.

    The ends of the picture are edges themselves.
    """
    rows, places = steep.shape
    width = places + 2 * half - 1
    count = np.zeros((rows, width + 2 * guard + 1), dtype=np.int32)
    shift = half + guard
    np.cumsum(steep, axis=1, out=count[:, shift : shift + places])
    count[:, shift + places :] = count[:, shift + places - 1, None]
    near = count[:, 2 * guard :] > count[:, : width + 1]
    widened = near[:, :-1] | near[:, 1:]
    widened[:, :half] |= steep[:, :1]
    return widened


def _as_runs(
    flat: NDArray[np.bool_],
    total: NDArray[np.float64],
    shortest: int,
    noise_mv: NDArray[np.float64],
    slope_mv: NDArray[np.float64],
) -> Runs:
    """Stretches of True of `shortest` bins or more whose two halves agree within noise, or within `slope_mv`."""
    padded = np.zeros((flat.shape[0], flat.shape[1] + 2), dtype=np.int8)
    padded[:, 1:-1] = flat
    change = np.diff(padded, axis=1)
    row, first = np.nonzero(change == 1)
    last = np.nonzero(change == -1)[1]
    bins = last - first
    middle = (first + last) // 2
    begin_mv, middle_mv, end_mv = total[row, first], total[row, middle], total[row, last]
    left_mv = (middle_mv - begin_mv) / np.maximum(middle - first, 1)
    right_mv = (end_mv - middle_mv) / np.maximum(last - middle, 1)
    limit_mv = np.maximum(5.0 * noise_mv[row] * np.sqrt(4.0 / bins), slope_mv[row])
    keep = (bins >= shortest) & (np.abs(right_mv - left_mv) < limit_mv)
    row, first, last, bins = row[keep], first[keep], last[keep], bins[keep]
    return Runs(row, row, first, last, (end_mv - begin_mv)[keep] / bins, bins)


def states(runs: Runs, bin_us: float, noise_mv: float, line_scatter_mv: float) -> list[State]:
    """The levels that one channel's picture holds, highest first: runs alike are one state, too short ones are left out.

    `noise_mv` is the rms noise of one bin of that channel, `line_scatter_mv` that of a line's level against the others'.
    """
    if runs.bins.size == 0:
        return []
    sorted_runs = runs.at(np.argsort(-runs.mean_mv, kind="stable"))
    run_noise_mv = noise_mv / math.sqrt(float(np.median(runs.bins)))
    apart_mv = max(ALIKE_MV, 4.0 * math.hypot(run_noise_mv, line_scatter_mv))
    breaks = np.flatnonzero(sorted_runs.mean_mv[:-1] - sorted_runs.mean_mv[1:] > apart_mv) + 1
    found = []
    for group in np.split(np.arange(runs.bins.size), breaks):
        members = sorted_runs.at(group)
        bins = int(members.bins.sum())
        rows = len(set(members.row.tolist()))
        if bins * bin_us >= LEAST_DWELL_US and rows >= LEAST_LINES:
            level_mv = float(members.mean_mv @ members.bins) / bins
            found.append(State(level_mv, bins * bin_us, rows, members))
    return found
