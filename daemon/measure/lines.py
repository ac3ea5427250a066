"""Channels cut into their lines, every line against its own blanking.

The binned records of the channels become one row a line. Blanking is clamped on the back porch of each line and
interpolated to the next line's, which takes out droop, hum and everything else that is slow against a line. Channels
are cut together, in one array, since they share their lines.
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .clamps import Clamp, choose_clamp, clamped, mean_of_columns, scatter2_of, spoilt_lines
from .line_grid import LineGrid
from .stretches import stretches

AFTER_PICTURE_US = 0.2
"""Active video is taken to end this long before the nominal front porch begins."""


@dataclass(frozen=True, eq=False)
class Lines:
    """The picture lines of some channels.

    Attributes:
        grid: where they lie.
        level_mv: above blanking, shape (channels, lines, bins).
        blanking_mv, next_blanking_mv: clamp of every line and of the line after it against scope zero, shape (channels, lines).
        clamp: how blanking was taken.
        clamp_noise_mv: rms of a bin within the clamps, shape (channels,); spoilt ones left out.
        spoilt: lines whose clamp holds a glitch, shape (channels, lines).
        active: columns where the picture lies.
        pedestals_mv: blanking under the burst less blanking after it, shape (channels, lines); None without burst.
    """

    grid: LineGrid
    level_mv: NDArray[np.float32]
    blanking_mv: NDArray[np.float64]
    next_blanking_mv: NDArray[np.float64]
    clamp: Clamp
    clamp_noise_mv: NDArray[np.float64]
    spoilt: NDArray[np.bool_]
    active: slice
    pedestals_mv: NDArray[np.float64] | None = None

    @cached_property
    def line_scatter_mv(self) -> NDArray[np.float64]:
        """Rms by which a line's level may differ from its neighbours' though the picture is the same, shape (channels,).

        From the noise of the clamps, or from how each clamp differs from the mean of its neighbours where that is more.
        """
        noise_mv = self.clamp_noise_mv * self.clamp.noise_gain
        own_mv = self.blanking_mv
        if own_mv.shape[1] < 4:
            return noise_mv
        bend = own_mv[:, 1:-1] - 0.5 * (own_mv[:, 2:] + own_mv[:, :-2])
        return np.asarray(np.maximum(noise_mv, np.sqrt((bend * bend).sum(axis=1) / (1.5 * bend.shape[1]))))

    def pedestal_mv(self, channel: int) -> tuple[float, float]:
        """Blanking under the burst less blanking after it, mean over the lines, and the standard uncertainty of that mean.

        (0, infinity) without burst or with fewer than two lines.
        """
        if self.pedestals_mv is None or self.pedestals_mv.shape[1] < 2:
            return 0.0, math.inf
        each = self.pedestals_mv[channel]
        return float(each.mean()), float(each.std(ddof=1)) / math.sqrt(each.size)


def cut_lines(
    binned: NDArray[np.float32], grid: LineGrid, *, subcarrier_hz: float | None, carries_sync: bool
) -> Lines | None:
    """Cut binned channels, in mV against scope zero, shape (channels, bins), into lines; None where no clamp can be had.

    `subcarrier_hz` is given where the back porch carries a burst, `carries_sync` says that the channels hold sync
    themselves; the others are at blanking during sync too.
    """
    rows = stretches(binned, grid.first_bin, grid.width)
    clamp = choose_clamp(rows, grid, subcarrier_hz=subcarrier_hz, carries_sync=carries_sync)
    if clamp is None:
        return None
    own_mv, next_mv = clamped(binned, grid, clamp)
    quiet = rows[:, :, clamp.quiet]
    quiet_mv = mean_of_columns(quiet)
    pedestals_mv = None
    if clamp.under_burst is not None:
        pedestals_mv = rows[:, :, clamp.columns] @ clamp.under_burst - quiet_mv
    scatter2 = scatter2_of(quiet, quiet_mv)
    spoilt = spoilt_lines(scatter2)
    sound = ~spoilt
    noise_mv = np.sqrt((scatter2 * sound).sum(axis=1, dtype=np.float64) / sound.sum(axis=1))
    slope = (next_mv - own_mv) / grid.bins_to_next
    rows -= (own_mv - slope * clamp.middle).astype(np.float32)[:, :, None]
    rows -= slope.astype(np.float32)[:, :, None] * np.arange(rows.shape[2], dtype=np.float32)
    end_us = grid.period_us - grid.system.front_porch_us - AFTER_PICTURE_US
    active = slice(clamp.columns.stop, grid.columns(0.0, end_us).stop)
    return Lines(grid, rows, own_mv, next_mv, clamp, noise_mv, spoilt, active, pedestals_mv)
