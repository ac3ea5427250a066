"""What has to stand around a sync that is shallow against its picture, before it is believed.

Steps of a small part of the swing occur in switching supplies, logic and audio too. Around a sync of video, both porches
are flat and at one level, and every tip lies as far below them as the others.
"""

import math

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .edge_fit import stretches
from .robust import median
from .sync_train import LineSync
from .systems import system_of

LEAST_SHALLOW_SNR = 10.0
"""A shallow sync is as deep as so many times the rms noise of a sample: 20 dB."""
ALIKE = 0.1
"""Porches are flat and at one level, and syncs equally deep, to this part of the depth, and what noise adds."""
NOISE_ADDS = 4.0
"""That is so many standard deviations."""
ON_LINES = 0.8
"""So many of the lines show all that: single ones have lost their sync, or hold a glitch."""
EDGE_US = 0.2
"""Levels are taken from so far beside the middle of an edge."""
PORCH_US = 1.1
"""To so far, as far as the front porch reaches."""
OF_FRONT_PORCH = 0.95
LEAST_EDGES = 3
LEAST_SAMPLES = 4
"""A porch is known to be flat from so many samples."""


def stands_as_sync(sync: LineSync, record: ChannelRecord, sample_us: float, mv_per_code: float) -> bool:
    """Whether the lines that were found have porches and tips as video has.

    `mv_per_code` is the record's at the point of measurement. Compared are the means over both halves of each porch and of
    each tip, line by line.
    """
    reach_us = min(PORCH_US, OF_FRONT_PORCH * system_of(sync.period_us).front_porch_us)
    each = math.floor(0.5 * (reach_us - EDGE_US) / sample_us)
    if 2 * each < LEAST_SAMPLES or sync.depth_mv < LEAST_SHALLOW_SNR * sync.noise_mv:
        return False
    starts_us = (-reach_us, EDGE_US, sync.width_us - reach_us, sync.width_us + EDGE_US)
    front, early, late, back = (_halves_mv(record, sync.edges_us + at_us, each, sample_us) for at_us in starts_us)
    front, early, late, back = (half * mv_per_code for half in (front, early, late, back))
    blanking = np.concatenate((front, back), axis=1)
    depth = blanking.mean(axis=1) - 0.5 * (early.mean(axis=1) + late.mean(axis=1))
    allowed_mv = ALIKE * sync.depth_mv + NOISE_ADDS * sync.noise_mv / math.sqrt(each)
    level = np.ptp(blanking, axis=1) < allowed_mv
    alike = np.abs(depth - median(depth)) < allowed_mv
    return bool(np.count_nonzero(level & alike) >= max(LEAST_EDGES, ON_LINES * depth.size))


def _halves_mv(record: ChannelRecord, from_us: NDArray[np.float64], each: int, sample_us: float) -> NDArray[np.float64]:
    """Means of two neighbouring stretches of `each` samples, shape (lines, 2), in codes; NaN beyond the record's ends."""
    first = np.ceil(from_us / sample_us).astype(np.intp)
    inside = (first >= 0) & (first + 2 * each <= record.codes.size)
    halves = np.full((first.size, 2), np.nan)
    halves[inside] = stretches(record.codes, first[inside], 2 * each).reshape(-1, 2, each).mean(axis=2)
    return halves
