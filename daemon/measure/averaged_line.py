"""The averaged line under the sync: what the page draws of every channel."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import Capture, ChannelRecord
from .binning import binned_mv, samples_per_bin
from .calibrated import calibrations_in_force
from .found_sync import find_sync
from .line_grid import picture_lines
from .sync_train import LineSync
from .targets import Conditions

FINEST_MV = 0.1
"""One count of a trace, where the levels fit; coarser by powers of two where they do not."""
BEFORE_SYNC_US = 2.0
"""The picture of a line begins this long before its 0H, so that the front porch is seen."""


@dataclass(frozen=True, eq=False)
class Trace:
    """One channel's averaged line.

    Attributes:
        channel, role: whose it is; role is None where nothing is clipped to the channel.
        mv_per_count: what one step of `pairs` is worth, against scope zero.
        pairs: int16, shape (columns, 2): lowest and highest level in each column.
    """

    channel: str
    role: str | None
    mv_per_count: float
    pairs: NDArray[np.int16]


@dataclass(frozen=True, eq=False)
class AveragedLine:
    """The averaged line of every channel over the same columns; column 0 begins `start_us` after 0H (negative: before)."""

    start_us: float
    us_per_column: float
    lines: int
    traces: tuple[Trace, ...]


def averaged_line(capture: Capture, conditions: Conditions, columns: int) -> AveragedLine | None:
    """The mean of all picture lines of the capture, as min and max a column; None without line sync.

    There are never more columns than the record has bins a line. Levels are corrected by the calibrations that hold.
    """
    conditions = calibrations_in_force(capture, conditions).conditions
    sync = find_sync(capture, conditions).lines
    if sync.state not in ("locked", "blanking-only"):
        return None
    count = samples_per_bin(capture.seconds_per_sample)
    bin_us = count * capture.seconds_per_sample * 1e6
    bins = math.floor(sync.period_us / bin_us)
    columns = max(1, min(columns, bins))
    first = _first_bins(sync, count, bin_us, bins, capture.samples // count)
    if first.size == 0:
        return None
    place = first[:, None] + np.arange(bins)
    traces = tuple(_trace(record, conditions, count, place, columns) for record in capture.channels)
    return AveragedLine(-BEFORE_SYNC_US, bins * bin_us / columns, int(first.size), traces)


def _first_bins(sync: LineSync, count: int, bin_us: float, bins: int, size: int) -> NDArray[np.intp]:
    """First bin of each picture line that lies whole within the record."""
    sample_us = bin_us / count
    start_us = sync.edges_us[picture_lines(sync)] - BEFORE_SYNC_US
    first = np.round((start_us - (count - 1) / 2 * sample_us) / bin_us).astype(np.intp)
    return first[(first >= 0) & (first + bins <= size)]


def _trace(record: ChannelRecord, conditions: Conditions, count: int, place: NDArray[np.intp], columns: int) -> Trace:
    clip = conditions.hookup.of_channel(record.name)
    level_mv = binned_mv(record, count, clip.probe_ratio if clip else 1.0)
    mean_mv = level_mv[np.minimum(place, level_mv.size - 1)].mean(axis=0)
    edges = np.linspace(0, mean_mv.size, columns + 1).astype(np.intp)[:-1]
    low, high = np.minimum.reduceat(mean_mv, edges), np.maximum.reduceat(mean_mv, edges)
    mv_per_count = FINEST_MV
    while max(float(np.max(high)), -float(np.min(low))) / mv_per_count > 32_000.0:
        mv_per_count *= 2.0
    pairs = np.round(np.stack((low, high), axis=1) / mv_per_count).astype(np.int16)
    return Trace(record.name, clip.role if clip else None, mv_per_count, pairs)
