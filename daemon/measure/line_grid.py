"""Where the picture lines of a capture lie in its binned records."""

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .sync_train import LineSync
from .systems import SYSTEM_525, LineSystem

NOMINAL_DUTY = 0.074
"""Part of a line that sync takes, where only blanking is seen: 4.7 us of 63.56."""


@dataclass(frozen=True, eq=False)
class LineGrid:
    """Where the picture lines of a capture lie in its binned records; the same for all channels.

    Attributes:
        number: index of each line's edge in the sync's `edges_us`, shape (lines,).
        first_bin: first whole bin after each line's 0H, shape (lines,).
        first_us: middle of that bin after 0H, shape (lines,): bins are not aligned to 0H.
        width: bins of a line.
        bins_to_next: distance from each line's first bin to the same place of the next line, in bins, shape (lines,).
        bin_us: length of a bin.
        samples_per_bin: how many samples it holds.
        period_us, sync_end_us, system: as the sync found them.
    """

    number: NDArray[np.intp]
    first_bin: NDArray[np.intp]
    first_us: NDArray[np.float64]
    width: int
    bins_to_next: NDArray[np.float64]
    bin_us: float
    samples_per_bin: int
    period_us: float
    sync_end_us: float
    system: LineSystem

    def at(self, chosen: NDArray[np.intp]) -> "LineGrid":
        """Some of its lines."""
        return replace(
            self,
            number=self.number[chosen],
            first_bin=self.first_bin[chosen],
            first_us=self.first_us[chosen],
            bins_to_next=self.bins_to_next[chosen],
        )

    @cached_property
    def _first_within_us(self) -> tuple[float, float]:
        """Earliest and latest of `first_us`."""
        return float(self.first_us.min()), float(self.first_us.max())

    def columns(self, from_us: float, to_us: float) -> slice:
        """Columns whose bins lie between two times on every line."""
        earliest_us, latest_us = self._first_within_us
        start = max(0, math.ceil((from_us - earliest_us) / self.bin_us))
        stop = min(self.width, math.floor((to_us - latest_us) / self.bin_us) + 1)
        return slice(start, max(start, stop))

    def earliest_us(self, column: int) -> float:
        """Where a column's bins lie after 0H, on the line on which they come first."""
        return self._first_within_us[0] + column * self.bin_us


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


def line_grid(sync: LineSync, seconds_per_sample: float, samples_per_bin: int, bins: int) -> LineGrid | None:
    """The picture lines that lie whole within `bins` bins; None where there are none."""
    if sync.state not in ("locked", "blanking-only"):
        return None
    bin_us = samples_per_bin * seconds_per_sample * 1e6
    first_bin_us = (samples_per_bin - 1) / 2 * seconds_per_sample * 1e6
    width = math.floor(sync.period_us / bin_us)
    starts = picture_lines(sync)
    first = np.ceil((sync.edges_us[starts] - first_bin_us) / bin_us).astype(np.intp)
    inside = (first >= 0) & (first + width <= bins)
    starts, first = starts[inside], first[inside]
    if starts.size == 0:
        return None
    begin_us = first_bin_us + first * bin_us
    return LineGrid(
        number=starts,
        first_bin=first,
        first_us=begin_us - sync.edges_us[starts],
        width=width,
        bins_to_next=(sync.edges_us[starts + 1] - sync.edges_us[starts]) / bin_us,
        bin_us=bin_us,
        samples_per_bin=samples_per_bin,
        period_us=sync.period_us,
        sync_end_us=min(4.7, NOMINAL_DUTY * sync.period_us) if math.isnan(sync.width_us) else sync.width_us,
        system=sync.system or SYSTEM_525,
    )


def telling_lines(binned: NDArray[np.float32], grid: LineGrid, evenly: int, highest: int) -> LineGrid:
    """Lines that tell what the picture holds: `evenly` spread ones, and of each channel the `highest` brightest.

    A white that stands on a few lines only is then among them. With few lines all of them are taken.
    """
    channels = binned.shape[0]
    if grid.number.size <= evenly + channels * highest:
        return grid
    edges = (grid.first_bin[:, None] + np.array((0, grid.width))).ravel()
    edges = edges[:-1] if edges[-1] >= binned.shape[1] else edges
    brightest = np.maximum.reduceat(binned, edges, axis=1)[:, ::2]
    chosen = np.zeros(grid.number.size, dtype=bool)
    chosen[brightest.argpartition(-highest, axis=1)[:, -highest:]] = True
    chosen[np.arange(evenly) * (grid.number.size - 1) // (evenly - 1)] = True
    return grid.at(chosen.nonzero()[0])
