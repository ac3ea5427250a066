"""What a user would write in an afternoon with numpy and scipy: the yardstick of the `measure` benchmark.

Volts as float64, edges of the sync by a threshold, then for every line of every channel the median of the middle of the
line minus the median of its back porch, and the median over the lines.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from peakwhite.drivers.capture import Capture


def plain_levels_mv(capture: Capture) -> list[float]:
    """Peak white of the first three channels in mV, sync on the fourth."""
    volts: list[NDArray[np.float64]] = [
        channel.codes.astype(np.float64) * channel.volts_per_code + channel.volts_at_code_zero
        for channel in capture.channels
    ]
    sync = signal.savgol_filter(volts[3], 11, 2)
    middle = 0.5 * (sync.min() + sync.max())
    falls = np.flatnonzero((sync[:-1] >= middle) & (sync[1:] < middle))
    per_us = 1e-6 / capture.seconds_per_sample
    lines = [
        (int(fall), int(following))
        for fall, following in pairwise(falls)
        if 60.0 * per_us < following - fall < 70.0 * per_us
    ]
    levels = []
    for trace in volts[:3]:
        found = []
        for fall, following in lines:
            porch = trace[fall + round(5.4 * per_us) : fall + round(8.6 * per_us)]
            flat = trace[fall + round(12.0 * per_us) : following - round(4.0 * per_us)]
            found.append(np.median(flat) - np.median(porch))
        levels.append(1e3 * float(np.median(found)))
    return levels
