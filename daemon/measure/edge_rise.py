"""Whether the picture's edges are as fast as the scope's bandwidth limiter lets them be: it then hides how sharp they are.

A limiter is wanted for levels and in the way for edges only. So nothing is said of a record that is too coarse to show
its edges, as those for levels are; only one sampled finely, as for looking at edges, is looked at.
"""

import math

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import Capture, ChannelRecord
from .burst import LIMITER_UP_TO_MHZ
from .hookup import WHITE_ROLES
from .line_grid import LineGrid
from .robust import median
from .targets import Conditions

RISE_TIMES_BANDWIDTH = 0.35
"""10 to 90 % rise time of one pole times its bandwidth: ln 9 / 2 pi."""
LEAST_SAMPLES_A_RISE = 2.0
NOT_DISTINCT = math.sqrt(2.0)
"""Rise times add in squares: an edge up to this many times the limiter's own is faster than the limiter is."""
LINES = 3
LEAST_STEP = 0.3
"""An edge takes this part of a line's span at least."""
LEAST_SPAN_MV = 100.0


def limited_channels(capture: Capture, conditions: Conditions, grid: LineGrid | None) -> tuple[str, ...]:
    """Picture channels whose fastest edge cannot be told from the limiter's own."""
    bandwidth_mhz = capture.bandwidth_mhz
    if grid is None or bandwidth_mhz is None or bandwidth_mhz > LIMITER_UP_TO_MHZ:
        return ()
    own_us = RISE_TIMES_BANDWIDTH / bandwidth_mhz
    sample_us = capture.seconds_per_sample * 1e6
    if own_us < LEAST_SAMPLES_A_RISE * sample_us:
        return ()
    return tuple(
        record.name
        for record in capture.channels
        if (clip := conditions.hookup.of_channel(record.name)) is not None
        and clip.role in WHITE_ROLES
        and rise_us(record, clip.probe_ratio, grid, sample_us, own_us) < NOT_DISTINCT * own_us
    )


def rise_us(record: ChannelRecord, probe_ratio: float, grid: LineGrid, sample_us: float, expected_us: float) -> float:
    """10 to 90 % rise (or fall) time of the steepest edge of active video, the median of a few lines; NaN without edges.

    `expected_us` is about how long it takes: levels are taken beside stretches of three times that.
    """
    scale_mv = abs(record.mv_per_code * probe_ratio)
    begin_us = grid.system.blanking_end_us - 0.5
    samples = round((grid.period_us - grid.system.front_porch_us - begin_us + 0.5) / sample_us)
    lag = max(2, round(3.0 * expected_us / sample_us))
    rises = []
    for line in sorted({place * (grid.number.size - 1) // (LINES - 1) for place in range(LINES)}):
        into = round((begin_us - float(grid.first_us[line])) / sample_us)
        first = max(0, int(grid.first_bin[line]) * grid.samples_per_bin + into)
        codes = record.codes[first : first + samples]
        if codes.size > 12 * lag and _span(codes[::lag]) * scale_mv > LEAST_SPAN_MV:
            rises.append(_fastest(codes.astype(np.float32), lag) * sample_us)
    return median(np.array([rise for rise in rises if math.isfinite(rise)]))


def _span(values: NDArray[np.integer] | NDArray[np.floating]) -> float:
    return float(values.max()) - float(values.min())


def _fastest(codes: NDArray[np.float32], lag: int) -> float:
    """Rise time of the steepest large edge in samples; NaN where there is none with level on either side."""
    stride = max(1, lag // 4)
    some = codes[::stride]
    reach = lag // stride
    change = np.abs(some[reach:] - some[:-reach])
    at = (int(np.argmax(change[2 * reach + 1 : -2 * reach - 1])) + 2 * reach + 1) * stride
    around: list[float] = codes[at - lag : at + 2 * lag].tolist()
    before, after = sum(around[:lag]) / lag, sum(around[2 * lag :]) / lag
    if abs(after - before) < LEAST_STEP * _span(some):
        return math.nan
    part = [(code - before) / (after - before) for code in around]
    middle = next((place for place, one in enumerate(part) if one > 0.5), 0)
    low = next((place for place in range(middle - 1, -1, -1) if part[place] < 0.1), -1)
    high = next((place for place in range(middle, len(part)) if part[place] > 0.9), -1)
    if low < 0 or high < 1:
        return math.nan
    start = low + (0.1 - part[low]) / (part[low + 1] - part[low])
    end = high - (part[high] - 0.9) / (part[high] - part[high - 1])
    return end - start
