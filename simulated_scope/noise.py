"""Gaussian noise, fast: a uniform 16-bit number picks one of 65536 equally likely values."""

import math

import numpy as np
from numpy.typing import NDArray

_VALUES = 1 << 16
_DIRECT_TAPS = 64


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


class NoiseSource:
    """Noise of rms 1 sampled every `step_s`, piece after piece without a seam, shaped by one pole at `band_hz` where
    that is below half the sample rate."""

    def __init__(self, bits: np.random.BitGenerator, band_hz: float | None, step_s: float) -> None:
        self._bits = bits
        self._taps: NDArray[np.float32] | None = None
        if band_hz is not None and 2 * band_hz * step_s < 1:
            rate = 2 * math.pi * band_hz * step_s
            taps = np.exp(-rate * np.arange(math.ceil(5 / rate) + 1))
            self._taps = (taps / math.sqrt(float(taps @ taps))).astype(np.float32)
            self._drawn = white(bits, self._taps.size - 1)

    def next(self, count: int) -> NDArray[np.float32]:
        """The next values."""
        if self._taps is None:
            return white(self._bits, count)
        drawn = np.concatenate([self._drawn, white(self._bits, count)])
        self._drawn = drawn[count:]
        return _convolved(drawn, self._taps)


def _convolved(values: NDArray[np.float32], taps: NDArray[np.float32]) -> NDArray[np.float32]:
    """The part of the convolution where all taps lie within the values; many taps by way of the spectrum."""
    if taps.size < _DIRECT_TAPS:
        return np.convolve(values, taps, "valid")
    size = 1 << (values.size - 1).bit_length()
    product = np.fft.irfft(np.fft.rfft(values, size) * np.fft.rfft(taps, size), size)
    kept: NDArray[np.float32] = product[taps.size - 1 : values.size].astype(np.float32)
    return kept
