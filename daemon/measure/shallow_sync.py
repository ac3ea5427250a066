"""What has to stand around a sync that is shallow against its picture, before it is believed.

Steps of a small part of the swing occur in switching supplies, logic and audio too. Around a sync of video, both porches
are flat and at one level, and every tip lies as far below them as the others.
"""

import math

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .robust import median
from .stretches import stretches
from .sync_train import LineSync
from .systems import system_of

LEAST_SHALLOW_SNR = 5.6
"""A shallow sync is as deep as so many times the rms noise of a sample: 15 dB."""
ALIKE = 0.1
"""Porches and tips are flat, porches at one level and syncs equally deep, to this part of the depth, and what noise adds."""
NOISE_ADDS = 4.0
"""That is so many standard deviations."""
ON_LINES = 0.8
"""So many of the lines show all that: single ones have lost their sync, or hold a glitch."""
EDGE_US = 0.2
"""Levels are taken from so far beside the middle of an edge."""
PORCH_US = 1.1
"""To so far, as far as the front porch reaches."""
OF_FRONT_PORCH = 0.95
AFTER_BURST_US = 0.75
"""So long after its middle cycles a burst is over."""
LEAST_EDGES = 3
LEAST_SAMPLES = 4
"""A porch is known to be flat from so many samples."""


def stands_as_sync(sync: LineSync, record: ChannelRecord, sample_us: float, mv_per_code: float) -> bool:
    """Whether the lines that were found have porches and tips as video has.

    `mv_per_code` is the record's at the point of measurement. Compared are the means over both halves of the front porch, of
    the beginning and end of the tip and of the back porch, line by line. The back porch is looked at next to sync and, where
    a burst may stand there, behind that.
    """
    system = system_of(sync.period_us)
    reach_us = min(PORCH_US, OF_FRONT_PORCH * system.front_porch_us)
    each = math.floor(0.5 * (reach_us - EDGE_US) / sample_us)
    if 2 * each < LEAST_SAMPLES or sync.depth_mv < LEAST_SHALLOW_SNR * sync.noise_mv:
        return False

    def halves_mv(at_us: float) -> NDArray[np.float64]:
        return mv_per_code * _halves(record, sync.edges_us + at_us, each, sample_us)

    front = halves_mv(-reach_us)
    tip = np.concatenate((halves_mv(EDGE_US), halves_mv(sync.width_us - reach_us)), axis=1)
    allowed_mv = ALIKE * sync.depth_mv + NOISE_ADDS * sync.noise_mv / math.sqrt(each)
    backs_us = [sync.width_us + EDGE_US] + ([system.burst_us[1] + AFTER_BURST_US] if system.burst_us else [])
    return any(_as_in_video(front, tip, halves_mv(back_us), allowed_mv) for back_us in backs_us)


def _as_in_video(
    front_mv: NDArray[np.float64], tip_mv: NDArray[np.float64], back_mv: NDArray[np.float64], allowed_mv: float
) -> bool:
    """Whether most lines have flat porches at one level, a flat tip, and that as far below them as the others."""
    blanking_mv = np.concatenate((front_mv, back_mv), axis=1)
    flat = (np.ptp(blanking_mv, axis=1) < allowed_mv) & (np.ptp(tip_mv, axis=1) < allowed_mv)
    depth_mv = blanking_mv.mean(axis=1) - tip_mv.mean(axis=1)
    alike = np.abs(depth_mv - median(depth_mv[flat])) < allowed_mv
    return bool(np.count_nonzero(flat & alike) >= max(LEAST_EDGES, ON_LINES * depth_mv.size))


def _halves(record: ChannelRecord, from_us: NDArray[np.float64], each: int, sample_us: float) -> NDArray[np.float64]:
    """Means of two neighbouring stretches of `each` samples, shape (lines, 2), in codes; NaN beyond the record's ends."""
    first = np.ceil(from_us / sample_us).astype(np.intp)
    inside = (first >= 0) & (first + 2 * each <= record.codes.size)
    halves = np.full((first.size, 2), np.nan)
    halves[inside] = (
        stretches(record.codes, first[inside], 2 * each).reshape(-1, 2, each).mean(axis=2, dtype=np.float32)
    )
    return halves
