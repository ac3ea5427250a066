"""Channels cut into their lines, every line against its own blanking.

The binned records of the channels become one row a line. Blanking is clamped on the back porch of each line and
interpolated to the next line's, which takes out droop, hum and everything else that is slow against a line. Channels
are cut together, in one array, since they share their lines.
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .sync_train import LineSync
from .systems import SYSTEM_525, LineSystem

AFTER_SYNC_US = 0.5
"""The clamp opens this long after the trailing edge of sync."""
AFTER_EDGE_US = 0.4
"""A clamp during sync opens this long after its leading edge."""
PICTURE_ON_PORCH = 0.05
"""A porch off blanking by this part of the channel's span is picture."""
AFTER_BURST_US = 0.75
"""So long after the burst's middle cycles its tail is over, and the clamp goes on."""
BEFORE_ACTIVITY_US = 0.3
"""It closes this long before the earliest activity of any line."""
ACTIVE_FROM = 0.02
ON_LINES = 0.25
"""Activity is off blanking by 2 % of the channel's span, and counts where a quarter of the lines show it: slow noise wanders
on some of them."""
ENOUGH_BINS = 4000
"""So many bins tell a channel's span well enough."""
LEAST_CLAMP_US = 0.6
SPOILT = 4.0
"""A clamp whose columns scatter so many times more than the others' holds a glitch or a pulse too many."""
MOST_SPOILT = 0.25
"""Where more lines scatter so, it is what this signal is like."""
NOMINAL_DUTY = 0.074
"""Part of a line that sync takes, where only blanking is seen: 4.7 us of 63.56."""
ENVELOPE_US = 0.3
"""Length of the straight pieces that draw a burst's envelope: about a cycle."""
LEAST_FITTED = 6
"""A constant and a subcarrier are not fitted to fewer columns."""
AFTER_PICTURE_US = 0.2
"""Active video is taken to end this long before the nominal front porch begins."""


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

    @property
    def bins(self) -> NDArray[np.intp]:
        """Indices into a binned record, shape (lines, bins)."""
        return self.first_bin[:, None] + np.arange(self.width)

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


@dataclass(frozen=True, eq=False)
class Clamp:
    """How blanking is taken from a line: a weighted sum of some of its columns.

    Attributes:
        columns: the columns that count.
        weights: one a column, summing to 1.
        quiet: columns within them that hold blanking alone.
        under_burst: weights that take blanking from under the burst alone, over the same columns; None without burst.
    """

    columns: slice
    weights: NDArray[np.float64]
    quiet: slice
    under_burst: NDArray[np.float64] | None = None

    @property
    def middle(self) -> float:
        """The column that the blanking so taken belongs to."""
        return float(self.weights @ np.arange(self.columns.start, self.columns.stop))

    @property
    def noise_gain(self) -> float:
        """Rms noise of the sum for unit rms noise of a column."""
        return math.sqrt(float(self.weights @ self.weights))


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


def cut_lines(
    binned: NDArray[np.float32], grid: LineGrid, *, subcarrier_hz: float | None, carries_sync: bool
) -> Lines | None:
    """Cut binned channels, in mV against scope zero, shape (channels, bins), into lines; None where no clamp can be had.

    `subcarrier_hz` is given where the back porch carries a burst, `carries_sync` says that the channels hold sync
    themselves; the others are at blanking during sync too.
    """
    rows = binned.take(grid.bins, axis=1)
    if subcarrier_hz is not None:
        clamp = _burst_clamp(rows, grid, subcarrier_hz)
    elif carries_sync:
        clamp = _porch_clamp(rows, grid)
    else:
        on_porch = None if _porch_is_picture(rows, grid) else _porch_clamp(rows, grid)
        clamp = on_porch or _sync_time_clamp(grid)
    if clamp is None:
        return None
    own_mv, next_mv = clamped(binned, grid, clamp)
    quiet = rows[:, :, clamp.quiet]
    quiet_mv = _mean(quiet)
    pedestals_mv = None
    if clamp.under_burst is not None:
        pedestals_mv = rows[:, :, clamp.columns] @ clamp.under_burst - quiet_mv
    scatter2 = _scatter2(quiet)
    spoilt = _spoilt(scatter2)
    noise_mv = np.sqrt((scatter2 * ~spoilt).sum(axis=1, dtype=np.float64) / (~spoilt).sum(axis=1))
    slope = (next_mv - own_mv) / grid.bins_to_next
    rows -= (own_mv - slope * clamp.middle).astype(np.float32)[:, :, None]
    rows -= slope.astype(np.float32)[:, :, None] * np.arange(rows.shape[2], dtype=np.float32)
    end_us = grid.period_us - grid.system.front_porch_us - AFTER_PICTURE_US
    active = slice(clamp.columns.stop, grid.columns(0.0, end_us).stop)
    return Lines(grid, rows, own_mv, next_mv, clamp, noise_mv, spoilt, active, pedestals_mv)


def _mean(columns: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean of each line's columns, shape (channels, lines)."""
    return np.asarray(np.add.reduce(columns, axis=2) / np.float32(columns.shape[2]))


def _span_mv(rows: NDArray[np.float32]) -> NDArray[np.float32]:
    """Highest less lowest level of each channel, of some bins spread over its lines."""
    some = rows.reshape(rows.shape[0], -1)[:, :: max(1, rows[0].size // ENOUGH_BINS)]
    return np.asarray(some.max(axis=1) - some.min(axis=1))


def clamped(
    binned: NDArray[np.float32], grid: LineGrid, clamp: Clamp
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Blanking of every line and of the line after it, shape (channels, lines) each.

    Where the record ends before the next line's clamp the line's own stands in; where a few clamps are spoilt, what the
    lines about them have.
    """
    first = grid.first_bin + clamp.columns.start
    following = first + grid.bins_to_next.round().astype(np.intp)
    inside = following + clamp.weights.size <= binned.shape[1]
    begin = np.concatenate((first, np.where(inside, following, first)))
    columns = binned.take(begin[:, None] + np.arange(clamp.weights.size), axis=1)
    both_mv = columns @ clamp.weights
    quiet = slice(clamp.quiet.start - clamp.columns.start, clamp.quiet.stop - clamp.columns.start)
    spoilt = _spoilt(_scatter2(columns[:, :, quiet]))
    own_mv, next_mv = both_mv[:, : first.size], both_mv[:, first.size :]
    if spoilt.any():
        _bridge(own_mv, spoilt[:, : first.size])
        _bridge(next_mv, spoilt[:, first.size :])
    return own_mv, next_mv


def _scatter2(columns: NDArray[np.float32]) -> NDArray[np.float32]:
    """Variance of each line's columns about their mean, shape (channels, lines)."""
    rest = columns - _mean(columns)[:, :, None]
    return np.asarray(np.einsum("clb,clb->cl", rest, rest) / np.float32(rest.shape[2]))


def _spoilt(scatter2: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Lines that scatter far more than a channel's other lines do; none where many are so."""
    usual2 = np.sort(scatter2, axis=1)[:, scatter2.shape[1] // 2, None]
    spoilt = scatter2 > SPOILT**2 * usual2
    spoilt &= spoilt.mean(axis=1, keepdims=True) <= MOST_SPOILT
    return np.asarray(spoilt)


def _bridge(blanking_mv: NDArray[np.float64], spoilt: NDArray[np.bool_]) -> None:
    """Draw straight lines over spoilt lines, in place."""
    for level_mv, without in zip(blanking_mv, spoilt, strict=True):
        if without.any() and not without.all():
            known = np.flatnonzero(~without)
            level_mv[without] = np.interp(np.flatnonzero(without), known, level_mv[known])


def _porch_clamp(rows: NDArray[np.float32], grid: LineGrid) -> Clamp | None:
    """The mean from 0.5 us after the trailing edge of sync to 0.3 us before the earliest activity of any line."""
    columns = _quiet_columns(rows, grid, grid.sync_end_us + AFTER_SYNC_US)
    if columns is None:
        return None
    return _mean_of(columns)


def _mean_of(columns: slice) -> Clamp:
    count = columns.stop - columns.start
    return Clamp(columns, np.full(count, 1.0 / count), columns)


def _porch_is_picture(rows: NDArray[np.float32], grid: LineGrid) -> bool:
    """Whether the picture begins where the clamp would open: what stands there is not the blanking that stands during sync."""
    open_us = grid.sync_end_us + AFTER_SYNC_US
    during = rows[:, :, _sync_time(grid)]
    porch = rows[:, :, grid.columns(open_us, open_us + LEAST_CLAMP_US)]
    if during.shape[2] == 0 or porch.shape[2] == 0:
        return False
    during_mv = _mean(during)
    apart_mv = np.abs((_mean(porch) - during_mv).mean(axis=1))
    rest = during - during_mv[:, :, None]
    noise_mv = np.sqrt(_mean(rest * rest)).mean(axis=1)
    return bool((apart_mv > np.maximum(PICTURE_ON_PORCH * _span_mv(rows), 4.0 * noise_mv)).any())


def _sync_time(grid: LineGrid) -> slice:
    return grid.columns(AFTER_EDGE_US, grid.sync_end_us - BEFORE_ACTIVITY_US)


def _sync_time_clamp(grid: LineGrid) -> Clamp | None:
    """The mean while sync is on, for channels that are at blanking then and have no porch to speak of."""
    columns = _sync_time(grid)
    return _mean_of(columns) if (columns.stop - columns.start + 1) * grid.bin_us >= LEAST_CLAMP_US else None


def _burst_clamp(rows: NDArray[np.float32], grid: LineGrid, subcarrier_hz: float) -> Clamp | None:
    """A constant from after sync to before the picture, fitted jointly with the subcarrier, whose envelope is drawn by
    straight pieces: a burst may begin and end anywhere. Beside it the constant under the burst's middle cycles."""
    if grid.system.burst_us is None:
        return _porch_clamp(rows, grid)
    burst = grid.columns(*grid.system.burst_us)
    quiet = _quiet_columns(rows, grid, grid.system.burst_us[1] + AFTER_BURST_US)
    if quiet is None or burst.stop - burst.start < LEAST_FITTED:
        return None if quiet is None else _mean_of(quiet)
    cycles = subcarrier_hz * 1e-6 * grid.bin_us
    opened = grid.columns(grid.sync_end_us + AFTER_SYNC_US, grid.system.burst_us[0])
    columns = slice(min(opened.start, burst.start), quiet.stop)
    under_burst = np.zeros(columns.stop - columns.start)
    middle = slice(burst.start - columns.start, burst.stop - columns.start)
    under_burst[middle] = _constant_beside(cycles, np.ones((1, burst.stop - burst.start)))
    place = np.arange(under_burst.size) / max(1.0, ENVELOPE_US / grid.bin_us)
    knots = np.arange(math.ceil(place[-1]) + 1)
    envelopes = np.maximum(0.0, 1.0 - np.abs(place - knots[:, None]))
    return Clamp(columns, _constant_beside(cycles, envelopes), quiet, under_burst)


def _constant_beside(cycles: float, envelopes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weights of a least-squares constant beside a subcarrier of any phase under each of the envelopes.

    `cycles` a column; `envelopes` of shape (envelopes, columns).
    """
    angle = 2.0 * math.pi * cycles * np.arange(envelopes.shape[1])
    model = np.concatenate((np.ones((1, angle.size)), envelopes * np.cos(angle), envelopes * np.sin(angle)))
    return np.asarray(np.linalg.pinv(model.T)[0])


def _quiet_columns(rows: NDArray[np.float32], grid: LineGrid, open_us: float) -> slice | None:
    """From `open_us` to 0.3 us before the earliest activity; None where less than 0.6 us is left."""
    porch = grid.columns(open_us, open_us + LEAST_CLAMP_US)
    if porch.start >= porch.stop:
        return None
    near = rows[:, :, porch]
    reference = _mean(near)[:, :, None]
    rest = near - reference
    noise_mv = np.sqrt(_mean(rest * rest).mean(axis=1))
    limit_mv = np.maximum(6.0 * noise_mv, ACTIVE_FROM * _span_mv(rows))
    searched = grid.columns(open_us + LEAST_CLAMP_US, grid.system.blanking_end_us)
    active = np.abs(rows[:, :, searched] - reference) > limit_mv[:, None, None]
    sustained = (active[:, :, :-1] & active[:, :, 1:]).mean(axis=1).max(axis=0) >= ON_LINES
    close_us = grid.system.blanking_end_us - BEFORE_ACTIVITY_US
    if sustained.any():
        earliest = searched.start + int(np.argmax(sustained))
        close_us = min(close_us, grid.earliest_us(earliest) - BEFORE_ACTIVITY_US)
    columns = grid.columns(open_us, close_us)
    return columns if (columns.stop - columns.start + 1) * grid.bin_us >= LEAST_CLAMP_US else None
