"""A finely sampled stretch of signal around one line, and the shapes that are drawn on it."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .systems import RAISED_COSINE_10_90

POINTS = 16384
"""Points of a line: 3.9 ns apart; straight lines between them lower 5.8 MHz by 0.17 %."""

PAD_POINTS = 1111
"""Points before the cut (4 us), so that a low-pass has settled where the line begins; with the line's POINTS + 1 they
make 17496 = 2^3 3^7, a length that transforms fast."""


class Canvas:
    """Values on the grid of one line, in the unit of the steps drawn: real, or the complex envelope of chroma.

    The line is cut `lead_s` before its 0H.
    """

    def __init__(self, line_s: float, lead_s: float, dtype: type[float | complex] = float) -> None:
        self.step_s = line_s / POINTS
        self.start_s = -lead_s - PAD_POINTS * self.step_s
        self.values: NDArray[Any] = np.zeros(PAD_POINTS + POINTS + 1, dtype=dtype)

    def _span(self, start_s: float, stop_s: float) -> tuple[slice, NDArray[np.float64]]:
        """The points from `start_s` to `stop_s`, and their instants."""
        edges = [math.ceil((instant_s - self.start_s) / self.step_s) for instant_s in (start_s, stop_s)]
        first, last = (min(max(point, 0), self.values.size) for point in edges)
        times_s = np.arange(first, last, dtype=np.float64)
        times_s *= self.step_s
        times_s += self.start_s
        return slice(first, last), times_s

    def edge(self, at_s: float, rise_s: float, step: complex) -> None:
        """Adds a raised-cosine step: half way at `at_s`, 10 to 90 % in `rise_s`."""
        length_s = rise_s / RAISED_COSINE_10_90
        span, times_s = self._span(at_s - length_s / 2, at_s + length_s / 2)
        phase = (times_s - at_s) / length_s
        self.values[span] += step * (0.5 + 0.5 * np.sin(np.pi * phase))
        self.values[span.stop :] += step

    def pulse(self, start_s: float, stop_s: float, rise_s: float, height: complex) -> None:
        """Adds `height` from `start_s` to `stop_s`, both at half amplitude."""
        self.edge(start_s, rise_s, height)
        self.edge(stop_s, rise_s, -height)

    def ramp(self, start_s: float, stop_s: float, rise: complex) -> None:
        """Adds a straight rise that keeps its end value."""
        span, times_s = self._span(start_s, stop_s)
        self.values[span] += rise * (times_s - start_s) / (stop_s - start_s)
        self.values[span.stop :] += rise

    def sine_squared(self, centre_s: float, half_duration_s: float, height: complex) -> None:
        """Adds a sine-squared pulse of the given half-amplitude duration (J.63, 1439 annex 4)."""
        span, times_s = self._span(centre_s - half_duration_s, centre_s + half_duration_s)
        phase = (times_s - centre_s) / half_duration_s
        self.values[span] += height * np.cos(np.pi / 2 * phase) ** 2

    def burst(self, start_s: float, stop_s: float, frequency_hz: float, amplitude: complex) -> None:
        """Adds a sine of that peak amplitude with raised-cosine ends, zero at its start."""
        span, times_s = self._span(start_s, stop_s)
        since_s = times_s - start_s
        ends_s = np.minimum(since_s, stop_s - start_s - since_s)
        envelope = 0.5 - 0.5 * np.cos(np.pi * np.minimum(ends_s / 200e-9, 1.0))
        self.values[span] += amplitude * envelope * np.sin(2 * np.pi * frequency_hz * since_s)

    def smooth(self, rise_s: float) -> None:
        """Makes every step a raised-cosine edge, 10 to 90 % in `rise_s`, half way where the step was."""
        half_points = round(rise_s / RAISED_COSINE_10_90 / self.step_s / 2)
        if half_points < 1:
            return
        kernel = np.cos(np.pi / 2 * np.arange(-half_points, half_points + 1) / (half_points + 1))
        padded = np.pad(self.values, half_points, mode="edge")
        self.values = np.convolve(padded, kernel / kernel.sum(), mode="valid")

    def low_pass(self, bandwidths_hz: Sequence[float], carrier_hz: float) -> None:
        """One pole at each bandwidth; complex values are the envelope of `carrier_hz`."""
        if not bandwidths_hz:
            return
        size = self.values.size
        if np.iscomplexobj(self.values):
            frequency_hz = np.fft.fftfreq(size, self.step_s) + carrier_hz
            self.values = np.fft.ifft(np.fft.fft(self.values) / _poles(frequency_hz, bandwidths_hz))
        else:
            frequency_hz = np.fft.rfftfreq(size, self.step_s)
            self.values = np.fft.irfft(np.fft.rfft(self.values) / _poles(frequency_hz, bandwidths_hz), size)

    def line(self) -> NDArray[Any]:
        """The line itself: POINTS + 1 values from its cut to the next one's."""
        return self.values[PAD_POINTS:]


def _poles(frequency_hz: NDArray[np.floating[Any]], bandwidths_hz: Sequence[float]) -> NDArray[np.complex128]:
    """The denominator of the product of single poles."""
    product = np.ones(frequency_hz.size, dtype=np.complex128)
    for bandwidth_hz in bandwidths_hz:
        product *= 1 + 1j * frequency_hz / bandwidth_hz
    return product
