"""Flat runs of the picture and the states that they cluster in: what a level is made of."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .lines import Lines

LONG_ENOUGH_US = 1.0
"""A flat run keeps at least this after the guards at its ends."""
LEAST_GUARD_US = 0.2
GUARD_RISE_TIMES = 3.0
LEAST_DWELL_US = 2.0
LEAST_LINES = 2
"""A state holds at least this long in all, on at least so many lines."""
ALIKE_MV = 4.0
"""Steps smaller than this are not told apart, nor are slopes of less across a run."""


@dataclass(frozen=True, eq=False)
class Runs:
    """Flat runs of one channel, all arrays of shape (runs,).

    Attributes:
        row: the line it lies on.
        first, last: first bin and the bin after the last.
        mean_mv: above blanking.
        bins: how many bins it keeps.
    """

    row: NDArray[np.intp]
    first: NDArray[np.intp]
    last: NDArray[np.intp]
    mean_mv: NDArray[np.float64]
    bins: NDArray[np.intp]

    def at(self, index: NDArray[np.intp] | NDArray[np.bool_]) -> "Runs":
        """Some of the runs."""
        return Runs(self.row[index], self.first[index], self.last[index], self.mean_mv[index], self.bins[index])


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
    left and a straight line through it shows no slope.
    """
    half = max(1, round((cycle_us or 0.25) / lines.bin_us))
    level = lines.level_mv
    rows, width = level.shape
    total = np.zeros((rows, width + 1))
    np.cumsum(level, axis=1, out=total[:, 1:])
    difference = np.zeros_like(level)
    inner = slice(half, width - half + 1)
    middle = total[:, inner]
    difference[:, inner][:, : middle.shape[1]] = (
        (total[:, 2 * half :] - middle) - (middle - total[:, : width + 1 - 2 * half])
    ) / half
    limit_mv = max(5.0 * lines.clamp_noise_mv * math.sqrt(2.0 / half), ALIKE_MV)
    active = (lines.time_us > lines.active_us[0]) & (lines.time_us < lines.active_us[1])
    steep = np.abs(difference) > limit_mv
    guard = max(half, round(_guard_us(lines, difference, half) / lines.bin_us))
    flat = active & ~_widened(steep, guard)
    return _without_slope(_as_runs(flat, total, round(LONG_ENOUGH_US / lines.bin_us)), lines)


def _guard_us(lines: Lines, difference: NDArray[np.float64], half: int) -> float:
    """Three rise times of the steepest edge, at least 0.2 us; the edge is taken as a straight line of its steepest slope."""
    swing_mv = float(np.max(lines.level_mv) - np.min(lines.level_mv))
    slope = np.max(np.abs(lines.level_mv[:, 2:] - lines.level_mv[:, :-2])) / (2.0 * lines.bin_us)
    if slope <= 0.0:
        return LEAST_GUARD_US
    rise_us = 0.8 * swing_mv / float(slope)
    return float(np.clip(GUARD_RISE_TIMES * rise_us - half * lines.bin_us, LEAST_GUARD_US, 2.0))


def _widened(mask: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """True within `reach` bins of a True."""
    count = np.zeros((mask.shape[0], mask.shape[1] + 2 * reach + 1), dtype=np.int32)
    np.cumsum(mask, axis=1, out=count[:, reach + 1 : reach + 1 + mask.shape[1]])
    count[:, reach + 1 + mask.shape[1] :] = count[:, reach + mask.shape[1], None]
    return np.asarray(count[:, 2 * reach + 1 :] > count[:, : mask.shape[1]])


def _as_runs(flat: NDArray[np.bool_], total: NDArray[np.float64], shortest: int) -> Runs:
    padded = np.zeros((flat.shape[0], flat.shape[1] + 2), dtype=np.int8)
    padded[:, 1:-1] = flat
    change = np.diff(padded, axis=1)
    row, first = np.nonzero(change == 1)
    last = np.nonzero(change == -1)[1]
    keep = last - first >= max(1, shortest)
    row, first, last = row[keep], first[keep], last[keep]
    bins = last - first
    mean_mv = (total[row, last] - total[row, first]) / bins
    return Runs(row, first, last, mean_mv, bins)


def _without_slope(runs: Runs, lines: Lines) -> Runs:
    """Runs whose two halves agree within noise, or within what is not told apart anyway."""
    if runs.bins.size == 0:
        return runs
    total = np.zeros((lines.level_mv.shape[0], lines.level_mv.shape[1] + 1))
    np.cumsum(lines.level_mv, axis=1, out=total[:, 1:])
    middle = (runs.first + runs.last) // 2
    left = (total[runs.row, middle] - total[runs.row, runs.first]) / np.maximum(middle - runs.first, 1)
    right = (total[runs.row, runs.last] - total[runs.row, middle]) / np.maximum(runs.last - middle, 1)
    limit_mv = np.maximum(5.0 * lines.clamp_noise_mv * np.sqrt(4.0 / runs.bins), 2.0 * ALIKE_MV)
    return runs.at(np.abs(right - left) < limit_mv)


def states(runs: Runs, lines: Lines) -> list[State]:
    """The levels that the picture holds, highest first: runs alike are one state, states seen too little are left out."""
    if runs.bins.size == 0:
        return []
    order = np.argsort(-runs.mean_mv, kind="stable")
    sorted_runs = runs.at(order)
    run_noise_mv = lines.clamp_noise_mv / math.sqrt(float(np.median(runs.bins)))
    apart_mv = max(ALIKE_MV, 4.0 * run_noise_mv)
    breaks = np.flatnonzero(-np.diff(sorted_runs.mean_mv) > apart_mv) + 1
    found = []
    for group in np.split(np.arange(order.size), breaks):
        members = sorted_runs.at(group)
        dwell_us = float(np.sum(members.bins)) * lines.bin_us
        rows = int(np.unique(members.row).size)
        if dwell_us >= LEAST_DWELL_US and rows >= LEAST_LINES:
            level_mv = float(np.average(members.mean_mv, weights=members.bins))
            found.append(State(level_mv, dwell_us, rows, members))
    return found
