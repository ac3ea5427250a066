"""Blanking: where on the line it is taken, how columns are weighted for it, and what it is on every line.

A clamp lies on the back porch: from 0.5 us after sync to 0.3 us before the picture begins; under a burst the subcarrier
is fitted beside it. Channels that hold no sync may be clamped during sync.
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .line_grid import LineGrid
from .robust import mean_along, spread_places
from .stretches import stretches

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
ENVELOPE_US = 0.3
"""Length of the straight pieces that draw a burst's envelope: about a cycle."""
LEAST_FITTED = 6
"""A constant and a subcarrier are not fitted to fewer columns."""


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

    @cached_property
    def middle(self) -> float:
        """The column that the blanking so taken belongs to."""
        return float(self.weights @ np.arange(self.columns.start, self.columns.stop))

    @cached_property
    def noise_gain(self) -> float:
        """Rms noise of the sum for unit rms noise of a column."""
        return math.sqrt(float(self.weights @ self.weights))


def choose_clamp(
    rows: NDArray[np.float32], grid: LineGrid, *, subcarrier_hz: float | None, carries_sync: bool
) -> Clamp | None:
    """How blanking is taken from lines in mV against scope zero, shape (channels, lines, bins); None where no clamp can be had.

    `subcarrier_hz` is given where the back porch carries a burst, `carries_sync` says that the channels hold sync
    themselves; the others are at blanking during sync too.
    """
    span_mv = _span_mv(rows)
    if subcarrier_hz is not None:
        return _burst_clamp(rows, span_mv, grid, subcarrier_hz)
    if carries_sync:
        return _porch_clamp(rows, span_mv, grid)
    on_porch = None if _porch_is_picture(rows, span_mv, grid) else _porch_clamp(rows, span_mv, grid)
    return on_porch or _sync_time_clamp(grid)


def mean_of_columns(columns: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean of each line's columns, shape (channels, lines)."""
    return mean_along(columns, 2)


def _span_mv(rows: NDArray[np.float32]) -> NDArray[np.float32]:
    """Highest less lowest level of each channel, of some bins spread over its lines."""
    some = rows.reshape(rows.shape[0], -1)
    if rows[0].size >= 2 * ENOUGH_BINS:
        some = some.take(
            spread_places(rows[0].size, ENOUGH_BINS), axis=1
        )  # [:, places] would lay channels side by side
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
    columns = stretches(binned, begin, clamp.weights.size)
    both_mv = columns @ clamp.weights
    quiet = slice(clamp.quiet.start - clamp.columns.start, clamp.quiet.stop - clamp.columns.start)
    resting = columns[:, :, quiet]
    spoilt = spoilt_lines(scatter2_of(resting, mean_of_columns(resting)))
    own_mv, next_mv = both_mv[:, : first.size], both_mv[:, first.size :]
    if spoilt.any():
        _bridge(own_mv, spoilt[:, : first.size])
        _bridge(next_mv, spoilt[:, first.size :])
    return own_mv, next_mv


def scatter2_of(columns: NDArray[np.float32], mean: NDArray[np.float32]) -> NDArray[np.float32]:
    """Variance of each line's columns about their mean, both of shape (channels, lines)."""
    rest = columns - mean[:, :, None]
    return np.asarray(np.einsum("clb,clb->cl", rest, rest) / np.float32(rest.shape[2]))


def spoilt_lines(scatter2: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Lines that scatter far more than a channel's other lines do; none where many are so."""
    usual2 = np.sort(scatter2, axis=1)[:, scatter2.shape[1] // 2, None]
    spoilt = scatter2 > SPOILT**2 * usual2
    if spoilt.any():
        spoilt &= spoilt.mean(axis=1, keepdims=True) <= MOST_SPOILT
    return np.asarray(spoilt)


def _bridge(blanking_mv: NDArray[np.float64], spoilt: NDArray[np.bool_]) -> None:
    """Draw straight lines over spoilt lines, in place."""
    for level_mv, without in zip(blanking_mv, spoilt, strict=True):
        if without.any() and not without.all():
            known = np.flatnonzero(~without)
            level_mv[without] = np.interp(np.flatnonzero(without), known, level_mv[known])


def _porch_clamp(rows: NDArray[np.float32], span_mv: NDArray[np.float32], grid: LineGrid) -> Clamp | None:
    """The mean from 0.5 us after the trailing edge of sync to 0.3 us before the earliest activity of any line."""
    columns = _quiet_columns(rows, span_mv, grid, grid.sync_end_us + AFTER_SYNC_US)
    if columns is None:
        return None
    return _mean_of(columns)


def _mean_of(columns: slice) -> Clamp:
    count = columns.stop - columns.start
    return Clamp(columns, np.full(count, 1.0 / count), columns)


def _porch_is_picture(rows: NDArray[np.float32], span_mv: NDArray[np.float32], grid: LineGrid) -> bool:
    """Whether the picture begins where the clamp would open: what stands there is not the blanking that stands during sync."""
    open_us = grid.sync_end_us + AFTER_SYNC_US
    during = rows[:, :, _sync_time(grid)]
    porch = rows[:, :, grid.columns(open_us, open_us + LEAST_CLAMP_US)]
    if during.shape[2] == 0 or porch.shape[2] == 0:
        return False
    during_mv = mean_of_columns(during)
    apart_mv = np.abs(mean_along(mean_of_columns(porch) - during_mv, 1))
    noise_mv = mean_along(np.sqrt(scatter2_of(during, during_mv)), 1)
    return bool((apart_mv > np.maximum(PICTURE_ON_PORCH * span_mv, 4.0 * noise_mv)).any())


def _sync_time(grid: LineGrid) -> slice:
    return grid.columns(AFTER_EDGE_US, grid.sync_end_us - BEFORE_ACTIVITY_US)


def _sync_time_clamp(grid: LineGrid) -> Clamp | None:
    """The mean while sync is on, for channels that are at blanking then and have no porch to speak of."""
    columns = _sync_time(grid)
    return _mean_of(columns) if (columns.stop - columns.start + 1) * grid.bin_us >= LEAST_CLAMP_US else None


def _burst_clamp(
    rows: NDArray[np.float32], span_mv: NDArray[np.float32], grid: LineGrid, subcarrier_hz: float
) -> Clamp | None:
    """A constant from after sync to before the picture, fitted jointly with the subcarrier, whose envelope is drawn by
    straight pieces: a burst may begin and end anywhere. Beside it the constant under the burst's middle cycles."""
    if grid.system.burst_us is None:
        return _porch_clamp(rows, span_mv, grid)
    burst = grid.columns(*grid.system.burst_us)
    quiet = _quiet_columns(rows, span_mv, grid, grid.system.burst_us[1] + AFTER_BURST_US)
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


def _quiet_columns(
    rows: NDArray[np.float32], span_mv: NDArray[np.float32], grid: LineGrid, open_us: float
) -> slice | None:
    """From `open_us` to 0.3 us before the earliest activity; None where less than 0.6 us is left."""
    porch = grid.columns(open_us, open_us + LEAST_CLAMP_US)
    if porch.start >= porch.stop:
        return None
    near = rows[:, :, porch]
    reference_mv = mean_of_columns(near)
    noise_mv = np.sqrt(mean_along(scatter2_of(near, reference_mv), 1))
    limit_mv = np.maximum(6.0 * noise_mv, ACTIVE_FROM * span_mv)
    searched = grid.columns(open_us + LEAST_CLAMP_US, grid.system.blanking_end_us)
    active = np.abs(rows[:, :, searched] - reference_mv[:, :, None]) > limit_mv[:, None, None]
    sustained = (active[:, :, :-1] & active[:, :, 1:]).mean(axis=1).max(axis=0) >= ON_LINES
    close_us = grid.system.blanking_end_us - BEFORE_ACTIVITY_US
    if sustained.any():
        earliest = searched.start + int(np.argmax(sustained))
        close_us = min(close_us, grid.earliest_us(earliest) - BEFORE_ACTIVITY_US)
    columns = grid.columns(open_us, close_us)
    return columns if (columns.stop - columns.start + 1) * grid.bin_us >= LEAST_CLAMP_US else None
