"""Vertical sync on a wire of its own, in either polarity: where fields begin."""

import math

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .binning import binned_mv, samples_per_bin

LONGEST_H = 40.0
"""A vertical sync is over after so many lines; a field is longer."""
STRAY = 10
"""So many bins at either extreme are no state."""
HYSTERESIS = 0.2
LEAST_SNR = 16.0
"""Swing over rms noise of a bin, below which there is no pulse in the record."""


def vertical_starts_us(
    record: ChannelRecord, seconds_per_sample: float, probe_ratio: float, line_us: float
) -> NDArray[np.float64]:
    """Where vertical syncs begin, in us from the first sample, shape (fields,); empty where the record shows none.

    The state that lasts under 40 lines is sync, whichever way up; one that the record begins in began as long before its
    end as others last. A single change of state may be either, and is taken for the beginning: lines left out too many
    are no harm.
    """
    edges_us = _changes_us(record, seconds_per_sample, probe_ratio)
    lasts_us = np.diff(edges_us)
    short = lasts_us < LONGEST_H * line_us
    if not short.any():
        return edges_us if edges_us.size < 2 else edges_us[1::2]
    first = int(np.argmax(short)) % 2
    cut_short_us = edges_us[:first] - float(np.median(lasts_us[short]))
    return np.concatenate((cut_short_us, edges_us[first::2]))


def _changes_us(record: ChannelRecord, seconds_per_sample: float, probe_ratio: float) -> NDArray[np.float64]:
    """Where the record goes from one of its two states to the other, interpolated at the middle between them."""
    count = samples_per_bin(seconds_per_sample)
    level_mv = binned_mv(record, count, probe_ratio)
    if level_mv.size <= 4 * STRAY:
        return np.empty(0)
    ordered = np.partition(level_mv, (STRAY, level_mv.size - 1 - STRAY))
    low_mv, high_mv = float(ordered[STRAY]), float(ordered[-1 - STRAY])
    lsb_mv = abs(record.mv_per_code * probe_ratio) * record.code_step
    noise_mv = max(float(np.median(np.abs(np.diff(level_mv[:6000])))) / 0.6745 / math.sqrt(2.0), 0.5 * lsb_mv)
    if not high_mv - low_mv > LEAST_SNR * noise_mv:
        return np.empty(0)
    part = (level_mv - low_mv) / (high_mv - low_mv) - 0.5
    decided = np.flatnonzero(np.abs(part) > HYSTERESIS)
    high = part[decided] > 0.0
    change = np.flatnonzero(high[1:] != high[:-1])
    before, after = decided[change], decided[change + 1]
    left, right = part[before].astype(np.float64), part[after].astype(np.float64)
    bins = before + left / (left - right) * (after - before)
    return np.asarray((bins * count + (count - 1) / 2) * seconds_per_sample * 1e6, dtype=np.float64)
