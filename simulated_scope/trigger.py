"""The edge trigger: the first crossing of a level after an instant, to a fraction of a sample."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .sampler import Trace, noiseless

SEARCH_STEP_S = 32e-9
FINE_POINTS = 33

Mode = Literal["AUTO", "NORMAL"]


EXT_WIRED_TO = 4
"""The external input is on a tee with this channel: it sees the same signal, whether the channel is on or not."""


@dataclass(frozen=True)
class Trigger:
    """The edge trigger's settings; the level is in volts at the probe tip."""

    channel: int = 1
    external: bool = False
    level_v: float = 0.0
    rising: bool = True
    mode: Mode = "AUTO"


def first_crossing(trace: Trace, level_codes: float, rising: bool, after_s: float) -> float | None:
    """When `trace` (without its noise) crosses the level after `after_s`; None: not in a whole turn of the raster."""
    if trace.shape is None:
        return None
    line_s = trace.shape.layout.line_s
    end_s = after_s + (trace.shape.layout.row_of_line.size + 2) * line_s
    span_s = 1.1 * line_s
    while after_s < end_s:
        found = _crossing_within(trace, level_codes, rising, after_s, span_s)
        if found is not None:
            return found
        after_s += span_s
        span_s = min(2 * span_s, 64 * line_s)
    return None


def _crossing_within(trace: Trace, level_codes: float, rising: bool, after_s: float, span_s: float) -> float | None:
    times_s = np.arange(int(span_s / SEARCH_STEP_S) + 2, dtype=np.float64)
    times_s *= SEARCH_STEP_S
    times_s += after_s
    bracket = _first(noiseless([trace], times_s)[0], level_codes, rising)
    if bracket is None:
        return None
    fine_s = np.linspace(float(times_s[bracket]), float(times_s[bracket + 1]), FINE_POINTS)
    values = noiseless([trace], fine_s)[0]
    low = _first(values, level_codes, rising)
    if low is None:  # the level is met at a grid point and float32 rounding hides it
        return float(times_s[bracket + 1])
    share = (level_codes - float(values[low])) / (float(values[low + 1]) - float(values[low]))
    return float(fine_s[low] + share * (fine_s[low + 1] - fine_s[low]))


def _first(values: NDArray[np.float32], level: float, rising: bool) -> int | None:
    """The index of the last value short of the first crossing."""
    beyond = values >= level if rising else values <= level
    crossings = np.flatnonzero(beyond[1:] & ~beyond[:-1])
    return int(crossings[0]) if crossings.size else None
