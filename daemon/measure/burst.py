"""Colour burst: its amplitude from the middle cycles."""

import math

import numpy as np

from ...drivers.capture import ChannelRecord
from .sync_train import LineSync
from .systems import LineSystem

MOST_LINES = 64
LEAST_SAMPLES_PER_CYCLE = 3.99
"""Fewer samples a subcarrier cycle do not carry it."""


def burst_mv_pp(
    record: ChannelRecord, seconds_per_sample: float, probe_ratio: float, sync: LineSync, system: LineSystem
) -> float:
    """Burst amplitude peak to peak in mV; NaN where there is none, or too few samples a cycle.

    On each line a constant and the subcarrier are fitted to the middle cycles by least squares. Magnitudes are
    averaged, never phasors: in 625/50 the phase swings by ±45 degrees from line to line. The noise that a magnitude
    collects is taken out of its square.
    """
    if system.burst_us is None or system.subcarrier_hz is None:
        return math.nan
    if 1.0 / (seconds_per_sample * system.subcarrier_hz) < LEAST_SAMPLES_PER_CYCLE:
        return math.nan
    sample_us = seconds_per_sample * 1e6
    samples = math.floor((system.burst_us[1] - system.burst_us[0]) / sample_us)
    edges_us = sync.edges_us[:: max(1, sync.edges_us.size // MOST_LINES)]
    first = np.ceil((edges_us + system.burst_us[0]) / sample_us).astype(np.intp)
    first = first[(first >= 0) & (first + samples <= record.codes.size)]
    if first.size == 0:
        return math.nan
    codes = record.codes[first[:, None] + np.arange(samples)].astype(np.float64)
    angle = 2.0 * math.pi * system.subcarrier_hz * seconds_per_sample * np.arange(samples)
    model = np.stack((np.ones(samples), np.cos(angle), np.sin(angle)))
    fitted = codes @ np.linalg.pinv(model)
    noise = np.var(codes - fitted @ model, axis=1) * samples / (samples - 3)
    power = fitted[:, 1] ** 2 + fitted[:, 2] ** 2 - 4.0 * noise / samples
    power = float(np.median(power))
    if power < 8.0 * float(np.median(noise)) / samples or power <= 0.0:
        return math.nan
    return 2.0 * math.sqrt(power) * abs(record.mv_per_code * probe_ratio)
