"""A channel cut into its lines, every line against its own blanking.

The binned record of a channel becomes a matrix of one row a line. Blanking is clamped on the back porch of each line
and interpolated to the next line's, which takes out droop, hum and everything else that is slow against a line.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .line_sync import LineSync
from .systems import SYSTEM_525, LineSystem

AFTER_SYNC_US = 0.5
"""The clamp opens this long after the trailing edge of sync."""
AFTER_BURST_US = 0.75
"""On a channel with burst it opens this long after the burst's middle cycles: its tail is then over."""
BEFORE_ACTIVITY_US = 0.3
"""It closes this long before the earliest activity of any line."""
LEAST_CLAMP_US = 0.6


@dataclass(frozen=True, eq=False)
class Lines:
    """The picture lines of one channel. Times count from 0H.

    Attributes:
        level_mv: above blanking, shape (lines, bins).
        time_us: of the middle of each bin, shape (lines, bins): bins are not aligned to 0H.
        bin_us: length of a bin.
        blanking_mv: clamp of every line against scope zero, shape (lines,).
        clamp_us: from and to.
        clamp_noise_mv: rms of a bin within the clamps.
        active_us: where the picture lies, from and to.
        number: which of the record's lines each row is, shape (lines,).
    """

    level_mv: NDArray[np.float64]
    time_us: NDArray[np.float64]
    bin_us: float
    blanking_mv: NDArray[np.float64]
    clamp_us: tuple[float, float]
    clamp_noise_mv: float
    active_us: tuple[float, float]
    number: NDArray[np.intp]


def picture_lines(sync: LineSync) -> NDArray[np.intp]:
    """Indices into `sync.edges_us` of complete lines that are not in or next to a vertical interval, as far as one is seen."""
    system = sync.system or SYSTEM_525
    starts = sync.line_starts
    start_us = sync.edges_us[starts]
    picture = np.ones(starts.size, dtype=bool)
    for vertical_us in sync.vertical_us:
        after_h = (start_us - vertical_us) / sync.period_us
        picture &= (after_h < -system.before_broad_h - 0.25) | (after_h > system.first_picture_line_h - 0.75)
    return starts[picture]


def cut_lines(
    binned: NDArray[np.float32], bin_us: float, first_bin_us: float, sync: LineSync, *, carries_burst: bool
) -> Lines | None:
    """Cut a binned channel into its picture lines; None where there are none or no clamp can be had.

    `binned` is in mV against scope zero, its first bin's middle at `first_bin_us` on the axis of `sync.edges_us`.
    """
    system = sync.system or SYSTEM_525
    starts = picture_lines(sync)
    width = math.floor(sync.period_us / bin_us)
    first = np.ceil((sync.edges_us[starts] - first_bin_us) / bin_us).astype(np.intp)
    inside = (first >= 0) & (first + width <= binned.size)
    starts, first = starts[inside], first[inside]
    if starts.size == 0:
        return None
    rows = binned[first[:, None] + np.arange(width)].astype(np.float64)
    offset_us = first_bin_us + first * bin_us - sync.edges_us[starts]
    time_us = offset_us[:, None] + np.arange(width) * bin_us

    sync_end_us = _sync_end_us(sync)
    clamp_us = _clamp_window(rows, time_us, sync_end_us, system, carries_burst)
    if clamp_us is None:
        return None
    clamped = (time_us >= clamp_us[0]) & (time_us <= clamp_us[1])
    own_mv = np.sum(rows, axis=1, where=clamped) / np.count_nonzero(clamped, axis=1)
    next_mv = _next_clamp(binned, bin_us, first_bin_us, sync, starts, clamp_us, own_mv)
    middle_us = 0.5 * (clamp_us[0] + clamp_us[1])
    noise_mv = float(np.sqrt(np.mean((rows - own_mv[:, None]) ** 2, where=clamped)))
    slope = (next_mv - own_mv) / sync.period_us
    rows -= own_mv[:, None] + slope[:, None] * (time_us - middle_us)
    active_us = (clamp_us[1], sync.period_us - system.front_porch_us - 0.2)
    return Lines(rows, time_us, bin_us, own_mv, clamp_us, noise_mv, active_us, starts)


def _sync_end_us(sync: LineSync) -> float:
    return 4.7 if math.isnan(sync.width_us) else sync.width_us


def _clamp_window(
    rows: NDArray[np.float64], time_us: NDArray[np.float64], sync_end_us: float, system: LineSystem, carries_burst: bool
) -> tuple[float, float] | None:
    """From 0.5 us after the trailing edge of sync to 0.3 us before the earliest activity of any line."""
    open_us = sync_end_us + AFTER_SYNC_US
    nominal_end_us = system.blanking_end_us - BEFORE_ACTIVITY_US
    if carries_burst and system.burst_us is not None:
        open_us = system.burst_us[1] + AFTER_BURST_US
    mean_time_us = time_us.mean(axis=0)
    porch = (mean_time_us >= open_us) & (mean_time_us <= open_us + LEAST_CLAMP_US)
    if not porch.any():
        return None
    reference = rows[:, porch].mean(axis=1)
    noise_mv = float(np.sqrt(np.mean((rows[:, porch] - reference[:, None]) ** 2)))
    span_mv = float(np.quantile(rows, 0.98) - np.quantile(rows, 0.02))
    limit_mv = max(6.0 * noise_mv, 0.02 * span_mv)
    searched = (mean_time_us > open_us + LEAST_CLAMP_US) & (mean_time_us < nominal_end_us + BEFORE_ACTIVITY_US)
    active = np.abs(rows[:, searched] - reference[:, None]) > limit_mv
    sustained = (active[:, :-1] & active[:, 1:]).any(axis=0) if active.shape[1] > 1 else active.any(axis=0)
    close_us = nominal_end_us
    if sustained.any():
        earliest_us = float(mean_time_us[searched][int(np.argmax(sustained))])
        close_us = min(close_us, earliest_us - BEFORE_ACTIVITY_US)
    return (open_us, close_us) if close_us - open_us >= LEAST_CLAMP_US else None


def _next_clamp(
    binned: NDArray[np.float32],
    bin_us: float,
    first_bin_us: float,
    sync: LineSync,
    starts: NDArray[np.intp],
    clamp_us: tuple[float, float],
    own_mv: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Clamp of the line after each; the line's own where the record ends before it."""
    next_us = sync.edges_us[starts + 1]
    first = np.ceil((next_us + clamp_us[0] - first_bin_us) / bin_us).astype(np.intp)
    count = max(1, math.floor((clamp_us[1] - clamp_us[0]) / bin_us))
    inside = first + count <= binned.size
    at = np.where(inside, first, 0)
    following = binned[at[:, None] + np.arange(count)].mean(axis=1, dtype=np.float64)
    return np.where(inside, following, own_mv)
