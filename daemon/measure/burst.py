"""Colour burst: its amplitude from the middle cycles, and the subcarrier's frequency from its phase across lines."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .burst_place import burst_top_us, fitted_subcarrier
from .subcarrier import Phasors, measured_subcarrier_hz
from .sync_train import LineSync
from .systems import LineSystem

NEIGHBOURS = 32
"""So many lines in a row, which tell the step of phase from line to line."""
EVENLY = 64
"""So many lines spread over the whole record: enough for the amplitude, and a long base for the frequency."""
LIMITER_UP_TO_MHZ = 25.0
"""A bandwidth so low is that of a limiter: scopes themselves reach further."""
LEAST_SAMPLES_PER_CYCLE = 3.99
"""Fewer samples a subcarrier cycle do not carry it."""
NOMINAL_SYNC_US, AFTER_SYNC_US = 4.7, 0.25
"""Line sync of both systems, where it was not recorded itself, and the time after it in which its edge is over."""
LEAST_POWER = 8.0
"""Power of a burst over what noise alone would show in its place."""


@dataclass(frozen=True)
class Burst:
    """A channel's burst; NaN where not measured.

    Attributes:
        mv_pp: amplitude peak to peak.
        subcarrier_hz: frequency on the record's own time axis, which is as good as the scope's time base.
    """

    mv_pp: float = math.nan
    subcarrier_hz: float = math.nan


NO_BURST = Burst()


def measure_burst(
    record: ChannelRecord, seconds_per_sample: float, probe_ratio: float, sync: LineSync, system: LineSystem
) -> Burst:
    """Amplitude and frequency of the burst; NO_BURST where there is none, or too few samples a cycle.

    Where it stands is looked for first, from the end of sync to that of blanking; a burst without a flat top has no
    amplitude. On each line a constant and the subcarrier are fitted to the middle cycles by least squares. Magnitudes are
    averaged, never phasors: in 625/50 the phase swings by ±45 degrees from line to line. The noise that a magnitude
    collects is taken out of its square. The nominal frequency serves for the fit: over 1.5 us a crystal that is off by
    0.1 % turns by 0.03 rad, which changes a magnitude by less than 0.01 %.
    """
    if system.burst_us is None or system.subcarrier_hz is None:
        return NO_BURST
    if 1.0 / (seconds_per_sample * system.subcarrier_hz) < LEAST_SAMPLES_PER_CYCLE:
        return NO_BURST
    sample_us = seconds_per_sample * 1e6
    edges_us = sync.edges_us[_chosen(sync.edges_us.size)]
    sync_us = NOMINAL_SYNC_US if math.isnan(sync.width_us) else sync.width_us
    searched_us = (sync_us + AFTER_SYNC_US, system.blanking_end_us)
    longest_us = system.burst_us[1] - system.burst_us[0]
    top_us = burst_top_us(record, edges_us, sample_us, 1e6 / system.subcarrier_hz, searched_us, longest_us)
    if top_us is None:
        return NO_BURST
    samples = math.floor((top_us[1] - top_us[0]) / sample_us)
    first = np.ceil((edges_us + top_us[0]) / sample_us).astype(np.intp)
    whole = (first >= 0) & (first + samples <= record.codes.size)
    first, edges_us = first[whole], edges_us[whole]
    if first.size == 0:
        return NO_BURST
    codes = record.codes[first[:, None] + np.arange(samples)].astype(np.float64)
    angle = np.arange(samples, dtype=np.float64)
    angle *= 2.0 * math.pi * system.subcarrier_hz * seconds_per_sample
    fitted, noise = fitted_subcarrier(codes, angle)
    powers = np.abs(fitted) ** 2 - 4.0 * noise / samples
    power = float(np.median(powers))
    noise_power = float(np.median(noise))
    if power < LEAST_POWER * noise_power / samples or power <= 0.0:
        return NO_BURST
    mv_pp = 2.0 * math.sqrt(power) * abs(record.mv_per_code * probe_ratio)
    strong = np.abs(powers / power - 1.0) < 0.5
    if not strong.any():
        return Burst(mv_pp)
    half = samples // 2
    early, late = (
        fitted_subcarrier(codes[strong, part], angle[part])[0] for part in (slice(half), slice(half, 2 * half))
    )
    turned = complex(np.sum(late * np.conj(early)))
    per_hz = 2.0 * math.pi * half * seconds_per_sample
    ahead = np.exp(-2j * math.pi * system.subcarrier_hz * seconds_per_sample * first[strong])
    bursts = Phasors(
        line=np.round((edges_us - edges_us[0]) / sync.period_us)[strong].astype(np.intp),
        time_s=np.asarray((first[strong] + 0.5 * samples) * seconds_per_sample),
        value=fitted[strong] * ahead,
        turn_hz=math.atan2(turned.imag, turned.real) / per_hz,
        turn_error_hz=math.sqrt(4.0 * noise_power / (half * power * early.size)) / per_hz,
    )
    return Burst(
        mv_pp=mv_pp,
        subcarrier_hz=measured_subcarrier_hz(bursts, 1e-6 * sync.period_us, system),
    )


def limiter_droop(subcarrier_hz: float, bandwidth_mhz: float | None) -> float:
    """By which part a burst may read low behind the scope's limiter: 1 - 1/sqrt(1 + (f/fc)^2), if that has one pole.

    0 without a limiter. Makers do not say what filter theirs is, so a burst is never corrected by this.
    """
    if bandwidth_mhz is None or bandwidth_mhz > LIMITER_UP_TO_MHZ:
        return 0.0
    return 1.0 - 1.0 / math.hypot(1.0, subcarrier_hz * 1e-6 / bandwidth_mhz)


def _chosen(lines: int) -> NDArray[np.intp]:
    """Some lines in a row, and some spread evenly; all of a short record."""
    if lines <= NEIGHBOURS + EVENLY:
        return np.arange(lines)
    return np.unique(np.concatenate((np.arange(NEIGHBOURS), np.linspace(0, lines - 1, EVENLY).astype(np.intp))))
