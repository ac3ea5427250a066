"""Gaussian noise, fast: a uniform 16-bit number picks one of 65536 equally likely values."""

import math

import numpy as np
from numpy.typing import NDArray

_VALUES = 1 << 16


def _quantiles() -> NDArray[np.float32]:
    """Quantiles of the normal distribution in the middle of 65536 equal shares, at unit variance (4.3 at most)."""
    grid = np.linspace(-6.0, 6.0, 24001)
    distribution = np.cumsum(np.exp(-(grid**2) / 2))
    values = np.interp((np.arange(_VALUES) + 0.5) / _VALUES, distribution / distribution[-1], grid)
    values -= values.mean()
    quantiles: NDArray[np.float32] = (values / values.std()).astype(np.float32)
    return quantiles


_QUANTILES = _quantiles()


def white(bits: np.random.BitGenerator, count: int) -> NDArray[np.float32]:
    """Independent values of mean 0 and rms 1."""
    drawn = np.asarray(bits.random_raw(-(-count // 4)), dtype=np.uint64).view(np.uint16)[:count]
    values: NDArray[np.float32] = _QUANTILES.take(drawn, mode="clip")
    return values


def band_limited(bits: np.random.BitGenerator, count: int, band_hz: float | None, step_s: float) -> NDArray[np.float32]:
    """Noise of rms 1 sampled every `step_s`, shaped by one pole at `band_hz` where that is below half the sample rate.

    Each call begins anew: over the seam between two pieces the noise is independent.
    """
    if band_hz is None or 2 * band_hz * step_s >= 1:
        return white(bits, count)
    rate = 2 * math.pi * band_hz * step_s
    taps = np.exp(-rate * np.arange(math.ceil(5 / rate) + 1))
    taps /= math.sqrt(float(taps @ taps))
    shaped: NDArray[np.float32] = np.convolve(white(bits, count + taps.size - 1), taps.astype(np.float32), "valid")
    return shaped
