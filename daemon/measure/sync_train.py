"""Which of a record's pulses are line syncs, how far apart they are, and where vertical sync begins."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .pulses import Pulses
from .reading import SyncState
from .robust import median
from .systems import LineSystem, system_of

LINE_PERIODS_US = ((30.9, 56.0), (62.3, 65.4))
"""Accepted line periods: 18 to 32 kHz computers, and 15.3 to 16.05 kHz."""
LINE_DUTY = (0.03, 0.15)
"""Line sync takes 7.4 % of a line in 525/60 and 625/50, 12 % in 31 kHz computers; fields are over at either side."""
BROAD_FROM_US = 10.0
"""A pulse low for longer belongs to vertical sync (27 us with serrations, lines without)."""
EXPLAINED = 0.8
"""So many of all pulses must be of a width that video has."""
EQUALISING_US = (1.8, 2.9)
SERRATION_US = (3.0, 6.0)
EQUALISING_UNDER = 0.62
"""Equalising pulses are half as wide as line sync (2.3 against 4.7 us)."""
HALF_LINES_US = (63.5556 / 2.0, 32.0)
"""Half lines of 525/60 and 625/50: broad and equalising pulses come one a half line."""
OFF_NOMINAL = 0.005
"""Line periods of 15 kHz units lie this near to nominal: 227 1/3 to 228 subcarrier cycles, 284 in 625 lines."""
MOST_OFF_GRID, FEW_OFF_GRID = 0.3, 3.0
"""Neighbouring line syncs lie whole lines apart, but for a pulse too many or the half lines of a vertical interval: three in
ten of a few, a fifth of many."""
MOST_HALVES = 2.0
"""Broad pulses follow each other a half line or a line later."""
NOT_MORE_THAN_OFF = 0.01
"""Two edges are one line apart when their distance is within 1 % of the line period."""


@dataclass(frozen=True, eq=False)
class LineSync:
    """The lines of one record.

    Attributes:
        state: locked, vertical-interval, blanking-only or none.
        edges_us: leading edges of line sync, shape (edges,), from the middle of the record's first sample.
        period_us, width_us: line period and sync width; NaN where there is no line.
        period_u_us: standard uncertainty of the period on the record's own time axis; NaN where it cannot be told.
        jitter_ns: rms about the straight line through the edges, noise taken out; NaN where it cannot be told.
        vertical_us: where vertical sync begins (its first broad pulse), shape (fields,).
        depth_mv: blanking minus sync tip; NaN for blanking alone.
        tip_mv: the tip against scope zero.
        noise_mv: rms noise of single samples on the tips.
        inverted: sync goes up.
        system: the family of the line period.
    """

    state: SyncState
    edges_us: NDArray[np.float64]
    period_us: float = math.nan
    width_us: float = math.nan
    jitter_ns: float = math.nan
    vertical_us: NDArray[np.float64] = None  # type: ignore[assignment]
    depth_mv: float = math.nan
    tip_mv: float = math.nan
    noise_mv: float = math.nan
    inverted: bool = False
    system: LineSystem | None = None
    period_u_us: float = math.nan

    @property
    def line_starts(self) -> NDArray[np.intp]:
        """Indices into `edges_us` of the edges that another follows one line later."""
        apart_us = self.edges_us[1:] - self.edges_us[:-1]
        return (np.abs(apart_us - self.period_us) < NOT_MORE_THAN_OFF * self.period_us).nonzero()[0]


NO_SYNC = LineSync("none", np.empty(0), vertical_us=np.empty(0))


def line_syncs(pulses: Pulses, *, inverted: bool = False) -> LineSync:
    """Which of the pulses are line syncs, and how far apart they are; `inverted` where they go up in the record."""
    start_us, width_us = pulses.start_us, pulses.width_us
    broad = width_us > BROAD_FROM_US
    vertical_us = _vertical_starts(start_us[broad])
    period_us = _period_us(start_us, width_us)
    if math.isnan(period_us):
        return _vertical_only(start_us, width_us, broad, vertical_us)
    narrow_us = width_us[~broad]
    line_width_us = median(narrow_us[narrow_us > EQUALISING_UNDER * median(narrow_us)])
    wide = width_us > EQUALISING_UNDER * line_width_us
    is_line = wide & (width_us < 1.4 * line_width_us)
    edges_us = start_us[is_line]
    apart = (edges_us[1:] - edges_us[:-1]) / period_us
    lines = np.rint(apart)
    on_grid = np.abs(apart - lines) < NOT_MORE_THAN_OFF * np.maximum(lines, 1.0)
    complete = np.count_nonzero(on_grid & (lines == 1.0))
    equalising = ~wide & (width_us > 0.35 * line_width_us)
    explained = np.count_nonzero(is_line | equalising)
    if broad.any():
        vertical = _serrated(start_us, width_us) & _of_half_lines(width_us, line_width_us, period_us)
        explained += np.count_nonzero(vertical & ~is_line)
    believable = (
        LINE_DUTY[0] <= line_width_us / period_us <= LINE_DUTY[1]
        and np.count_nonzero(~on_grid) <= min(MOST_OFF_GRID * apart.size, max(FEW_OFF_GRID, 0.2 * apart.size))
        and explained >= EXPLAINED * width_us.size
        and not _half_lines(period_us, line_width_us)
    )
    if complete < 2 or not believable:
        return _vertical_only(start_us, width_us, broad, vertical_us)
    return LineSync(
        "locked",
        edges_us,
        period_us,
        line_width_us,
        vertical_us=vertical_us,
        inverted=inverted,
        system=system_of(period_us),
    )


def _of_half_lines(width_us: NDArray[np.float64], line_width_us: float, period_us: float) -> NDArray[np.bool_]:
    """Pulses as long as whole half lines, or shorter than those by a serration."""
    halves, serrated = 2.0 * width_us / period_us, 2.0 * (width_us + line_width_us) / period_us
    return (np.abs(halves - np.rint(halves)) < 0.05) | (np.abs(serrated - np.rint(serrated)) < 0.05)


def _half_lines(period_us: float, width_us: float) -> bool:
    """Whether these are equalising pulses, one a half line, and not the line syncs of a 31 kHz computer."""
    return width_us < EQUALISING_US[1] and any(abs(period_us / half_us - 1.0) < 0.007 for half_us in HALF_LINES_US)


def _serrated(start_us: NDArray[np.float64], width_us: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Pulses that belong to vertical sync: long ones that end a serration's width before the next long one begins.

    The last of them, before line syncs or the end of the record, may be followed by anything.
    """
    broad = width_us > BROAD_FROM_US
    gap_us = start_us[1:] - start_us[:-1] - width_us[:-1]
    serrated = broad.copy()
    serrated[:-1] &= ~broad[1:] | ((gap_us > SERRATION_US[0]) & (gap_us < SERRATION_US[1]))
    return serrated


def _period_us(start_us: NDArray[np.float64], width_us: NDArray[np.float64]) -> float:
    """Line period: the median distance of neighbouring starts within an accepted range; NaN where there is none.

    Half lines of 15 kHz systems lie in the range of 31 kHz computers; the longer period wins where both occur.
    """
    narrow_us = start_us[width_us <= BROAD_FROM_US]
    apart_us = narrow_us[1:] - narrow_us[:-1]
    for shortest_us, longest_us in reversed(LINE_PERIODS_US):
        fits = apart_us[(apart_us >= shortest_us) & (apart_us <= longest_us)]
        if fits.size < 2 or fits.size < 0.3 * apart_us.size:
            continue
        period_us = median(fits)
        close = fits[np.abs(fits - period_us) < NOT_MORE_THAN_OFF * period_us]
        if close.size >= 0.7 * fits.size:
            return float(close.sum()) / close.size
    return math.nan


def _vertical_starts(broad_us: NDArray[np.float64]) -> NDArray[np.float64]:
    """First broad pulse of each group: groups lie more than 2 ms apart."""
    if broad_us.size == 0:
        return broad_us
    first = (broad_us[1:] - broad_us[:-1] > 2000.0).nonzero()[0] + 1
    return np.concatenate((broad_us[:1], broad_us[first]))


def _vertical_only(
    start_us: NDArray[np.float64],
    width_us: NDArray[np.float64],
    broad: NDArray[np.bool_],
    vertical_us: NDArray[np.float64],
) -> LineSync:
    """A record within the vertical interval of a 15 kHz system: pulses whole half lines apart, of the widths that occur."""
    equalising = (width_us > EQUALISING_US[0]) & (width_us < EQUALISING_US[1])
    line = (width_us > 4.0) & (width_us < 5.4)
    if start_us.size < 3 or np.count_nonzero(broad) + np.count_nonzero(equalising) < 1:
        return NO_SYNC
    apart_us = start_us[1:] - start_us[:-1]
    for half_us in HALF_LINES_US:
        halves = np.rint(apart_us / half_us)
        left_over_us = np.mod(width_us + 4.7, half_us)
        fits = np.minimum(left_over_us, half_us - left_over_us) < 0.8
        serrated = broad & fits & _serrated(start_us, width_us)
        whole = np.abs(apart_us - halves * half_us) < 0.02 * half_us
        far = halves[broad[:-1] & broad[1:]] > MOST_HALVES
        if whole.all() and halves.max() <= 8.0 and (serrated | equalising | line).all() and not far.any():
            period_us = 2.0 * float(apart_us.sum() / halves.sum())
            if abs(period_us / (2.0 * half_us) - 1.0) > OFF_NOMINAL:
                continue
            return LineSync(
                "vertical-interval", np.empty(0), period_us, vertical_us=vertical_us, system=system_of(period_us)
            )
    return NO_SYNC
