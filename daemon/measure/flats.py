"""Flat runs of the picture and the states that they cluster in: what a level is made of."""

import math
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

import numpy as np
from numpy.typing import NDArray

from .binning import running_sums
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

    def at(self, index: NDArray[np.intp] | NDArray[np.bool_] | slice) -> "Runs":
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
    noise_mv = lines.clamp_noise_mv
    scatter_mv = math.sqrt(2.0 / half) * noise_mv
    limit_mv = np.minimum(5.0 * scatter_mv, np.maximum(4.0 * scatter_mv, SEEN_STEP_MV))
    limit_mv = np.maximum(limit_mv, ALIKE_MV)
    limit_mv = np.maximum(limit_mv, RESTLESS * _restless_mv(lines, half))
    guard = round(_guard_us(active, bin_us) / bin_us)
    flat = ~_widened(_bends(active, half) > np.repeat(limit_mv * half, rows)[:, None], half, guard)
    whole = active.reshape(channels, -1)
    slope_mv = np.maximum(2.0 * ALIKE_MV, TILT * (whole.max(axis=1) - whole.min(axis=1)))
    shortest = max(2, round(LONG_ENOUGH_US / bin_us))
    runs = _as_runs(flat, active, shortest, np.repeat(noise_mv, rows), np.repeat(slope_mv, rows))
    channel, row = np.divmod(runs.row, rows)
    start = lines.active.start
    return Runs(channel, row, runs.first + start, runs.last + start, runs.mean_mv, runs.bins)


def _bends(level_mv: NDArray[np.float32], half: int) -> NDArray[np.float32]:
    """By how much the sums of neighbouring windows of `half` columns differ, shape (lines, columns - 2 half + 1)."""
    sums = running_sums(level_mv, half)
    bends = sums[:, half:] - sums[:, :-half]
    return np.asarray(np.abs(bends, out=bends))


def _restless_mv(lines: Lines, half: int) -> NDArray[np.float64]:
    """Largest difference of neighbouring windows on clamps not spoilt, shape (channels,): what interference does to a flat."""
    quiet = lines.level_mv[:, :, lines.clamp.quiet]
    channels, rows, columns = quiet.shape
    if columns < 2 * half + 1:
        return np.zeros(channels)
    bends = _bends(quiet.reshape(channels * rows, columns), half)
    largest = bends.max(axis=1).reshape(channels, rows)
    return np.asarray(np.where(lines.spoilt, 0.0, largest).max(axis=1) / half)


def _window_bins(lines: Lines, cycle_us: float | None) -> int:
    """Length of the windows compared: a quarter microsecond or one cycle; with noise up to a microsecond, so that small
    steps still show above it."""
    bin_us = lines.grid.bin_us
    shortest = max(1, round((cycle_us or WINDOW_US) / bin_us))
    noise_mv = float(lines.clamp_noise_mv.max())
    wanted = math.ceil(2.0 * (5.0 * noise_mv / SEEN_STEP_MV) ** 2)
    return max(shortest, min(wanted, round(LONGEST_WINDOW_US / bin_us)))


def _guard_us(active: NDArray[np.float32], bin_us: float) -> float:
    """Three rise times of the steepest edge, at least 0.2 us.

    The edge is taken as a straight line of its steepest slope, over the height between 0.4 us before and after it.
    """
    slopes = active[:, 2:] - active[:, :-2]
    if slopes.size == 0:
        return LEAST_GUARD_US
    np.abs(slopes, out=slopes)
    row, column = divmod(int(slopes.argmax()), slopes.shape[1])
    steepest = float(slopes[row, column])
    if steepest == 0.0:
        return LEAST_GUARD_US
    reach = max(1, round(0.4 / bin_us))
    before, after = max(0, column + 1 - reach), min(active.shape[1] - 1, column + 1 + reach)
    height_mv = abs(float(active[row, after] - active[row, before]))
    rise_us = 0.8 * height_mv * 2.0 * bin_us / steepest
    return min(max(GUARD_RISE_TIMES * rise_us, LEAST_GUARD_US), LONGEST_GUARD_US)


def _widened(steep: NDArray[np.bool_], half: int, guard: int) -> NDArray[np.bool_]:
    """True within `guard` bins of a steep place. Steep places are given between bins, the first one after `half` bins.

    The ends of the picture are edges themselves.
    """
    rows, places = steep.shape
    width = places + 2 * half - 1
    count = np.zeros((rows, width + 2 * guard + 1), dtype=np.int32)
    shift = half + guard
    steep.cumsum(axis=1, out=count[:, shift : shift + places])
    count[:, shift + places :] = count[:, shift + places - 1, None]
    near = count[:, 2 * guard :] > count[:, : width + 1]
    widened = near[:, :-1] | near[:, 1:]
    widened[:, :half] |= steep[:, :1]
    return widened


def _as_runs(
    flat: NDArray[np.bool_],
    level_mv: NDArray[np.float32],
    shortest: int,
    noise_mv: NDArray[np.float64],
    slope_mv: NDArray[np.float64],
) -> Runs:
    """Stretches of True of `shortest` bins or more whose two halves agree within noise, or within `slope_mv`."""
    padded = np.zeros((flat.shape[0], flat.shape[1] + 2), dtype=bool)
    padded[:, 1:-1] = flat
    row, change = (padded[:, 1:] != padded[:, :-1]).nonzero()
    row, first, last = row[0::2], change[0::2], change[1::2]
    long_enough = last - first >= shortest
    row, first, last = row[long_enough], first[long_enough], last[long_enough]
    if row.size == 0:
        return NO_RUNS
    bins, left = last - first, (last - first) // 2
    left_mv, right_mv = _sums_of_halves(level_mv, row, first, first + left, last)
    limit_mv = np.maximum(5.0 * noise_mv[row] * np.sqrt(4.0 / bins), slope_mv[row])
    keep = np.abs(right_mv / (bins - left) - left_mv / left) < limit_mv
    row, first, last, bins = row[keep], first[keep], last[keep], bins[keep]
    return Runs(row, row, first, last, (left_mv + right_mv)[keep] / bins, bins)


def _sums_of_halves(
    level_mv: NDArray[np.float32],
    row: NDArray[np.intp],
    first: NDArray[np.intp],
    middle: NDArray[np.intp],
    last: NDArray[np.intp],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sums from first to middle and from there to last, of stretches in order that do not overlap."""
    bounds = (row * level_mv.shape[1] + np.array((first, middle, last))).ravel(order="F")
    bounds = bounds[:-1] if bounds[-1] == level_mv.size else bounds
    sums = np.add.reduceat(level_mv.ravel(), bounds, dtype=np.float64)
    return sums[0::3], sums[1::3]


def states(runs: Runs, bin_us: float, noise_mv: float, line_scatter_mv: float) -> list[State]:
    """The levels that one channel's picture holds, highest first: runs alike are one state, too short ones are left out.

    `noise_mv` is the rms noise of one bin of that channel, `line_scatter_mv` that of a line's level against the others'.
    """
    if runs.bins.size == 0:
        return []
    sorted_runs = runs.at((-runs.mean_mv).argsort(kind="stable"))
    run_noise_mv = noise_mv / math.sqrt(median(runs.bins.tolist()))
    apart_mv = max(ALIKE_MV, 4.0 * math.hypot(run_noise_mv, line_scatter_mv))
    breaks = (sorted_runs.mean_mv[:-1] - sorted_runs.mean_mv[1:] > apart_mv).nonzero()[0] + 1
    found = []
    for first, last in pairwise((0, *breaks.tolist(), runs.bins.size)):
        members = sorted_runs.at(slice(first, last)) if breaks.size else sorted_runs
        bins = int(np.add.reduce(members.bins))
        rows = len(set(members.row.tolist()))
        if bins * bin_us >= LEAST_DWELL_US and rows >= LEAST_LINES:
            level_mv = float(members.mean_mv @ members.bins) / bins
            found.append(State(level_mv, bins * bin_us, rows, members))
    return found
