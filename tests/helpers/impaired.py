"""What happens to a made signal on its way to the scope: ringing, coupling, an interferer, coloured noise, hardware errors.

Waves are millivolts, shape (samples,), float64.
"""

import math

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Array = NDArray[np.float64]


def ringing(wave_mv: Array, sample_us: float, part: float, frequency_mhz: float, constant_us: float) -> Array:
    """Every step followed by a damped sine: `part` of the step at its start, falling to 1/e in `constant_us`.

    The sampled impulse response r^n sin(n w) of the added part is the two-pole recursion of its z-transform.
    """
    r, w = math.exp(-sample_us / constant_us), 2.0 * math.pi * frequency_mhz * sample_us
    steps = np.diff(wave_mv, prepend=wave_mv[0])
    added = signal.lfilter([0.0, r * math.sin(w)], [1.0, -2.0 * r * math.cos(w), r * r], steps)
    return np.asarray(wave_mv + part * added)


def coupled(wave_mv: Array, sample_us: float, constant_us: float, start_mv: float = 0.0) -> Array:
    """Through a coupling capacitor: y' = x' - y/T, solved exactly for a wave that is straight between its samples.

    `start_mv` is what the first sample shows.
    """
    kept = math.exp(-sample_us / constant_us)
    gain = (1.0 - kept) * constant_us / sample_us
    steps = np.diff(wave_mv, prepend=wave_mv[0])
    out, _ = signal.lfilter([gain], [1.0, -kept], steps, zi=[start_mv])
    return np.asarray(out)


def interferer(samples: int, sample_us: float, mv_pp: float, frequency_mhz: float, phase: float) -> Array:
    """A sine."""
    angle = 2.0 * math.pi * frequency_mhz * sample_us * np.arange(samples) + phase
    return np.asarray(0.5 * mv_pp * np.sin(angle))


def coloured_noise(rng: np.random.Generator, samples: int, sample_us: float, rms_mv: float, corner_mhz: float) -> Array:
    """Normal noise through one pole at `corner_mhz`, stationary from its first sample on."""
    kept = math.exp(-2.0 * math.pi * corner_mhz * sample_us)
    drive = rng.normal(0.0, rms_mv * math.sqrt(1.0 - kept * kept), samples)
    out, _ = signal.lfilter([1.0], [1.0, -kept], drive, zi=[kept * rng.normal(0.0, rms_mv)])
    return np.asarray(out)
