"""Samples of a waveform at any instants, and records of codes."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .adc import Adc, RawCodes
from .canvas import POINTS
from .disturbances import Disturbance, Kind
from .layout import Layout
from .linearity import Linearity
from .noise import NoiseSource
from .shapes import Shape, compressed
from .stage import WarmUp

CHUNK = 32768
"""Samples computed at a time, so that what is in work stays in the processor's cache."""

_JITTER_LINES = 65521
_JITTER = np.random.default_rng(1).standard_normal(_JITTER_LINES)
"""Deviation of every line, in rms; a prime number of lines, so that no field repeats another."""


@dataclass(frozen=True)
class Trace:
    """What one channel's converter sees, in codes.

    Attributes:
        shape: what the unit puts out; None where nothing is connected.
        codes_per_mv: from the shape's millivolts to codes.
        offset_codes: the code of 0 mV of the shape.
        interference_codes: peak amplitude.
        noise_codes: rms.
        noise_band_hz: where the noise ends; None: beyond any sample rate.
        jitter_s: rms of the lines.
        disturbances: what befalls single lines; `kinds` are all their kinds in the order of the shape's tables.
        warm_up: how the gain creeps; None once it has been applied.
        linearity: of the converter; None: ideal.
    """

    shape: Shape | None
    codes_per_mv: float
    offset_codes: float
    interference_codes: float = 0.0
    interference_hz: float = 0.0
    noise_codes: float = 0.0
    noise_band_hz: float | None = None
    jitter_s: float = 0.0
    disturbances: tuple[Disturbance, ...] = ()
    kinds: tuple[Kind, ...] = ()
    warm_up: WarmUp | None = None
    linearity: Linearity | None = None

    def after(self, since_s: float) -> "Trace":
        """The trace so long after the unit was switched on."""
        if self.warm_up is None:
            return self
        return replace(self, codes_per_mv=self.codes_per_mv * self.warm_up.gain(since_s), warm_up=None)


class _Instants:
    """Where the instants of one chunk lie in the raster: table positions, shared by all channels."""

    def __init__(self, plan: Layout, trace: Trace, times_s: NDArray[np.float64]) -> None:
        lines = plan.positions(times_s)
        first, last = math.floor(lines[0]), math.floor(lines[-1])
        lines -= first
        whole = lines.astype(np.intp)
        lines -= whole
        lines *= POINTS
        numbers = np.arange(first, last + 1)
        if trace.jitter_s:
            late = _JITTER[numbers % _JITTER_LINES] * (trace.jitter_s * POINTS / plan.line_s)
            lines -= late[whole]
            np.clip(lines, 0, POINTS - 1e-3, out=lines)
        point = lines.astype(np.intp)
        self.fraction = (lines - point).astype(np.float32)
        self.raster_lines = numbers % plan.row_of_line.size
        self.whole = whole
        self.point = point
        rows = plan.row_of_line[self.raster_lines]
        for disturbance in trace.disturbances:
            for start, stop, kind in disturbance.between(first, last, plan.line_s):
                touched = slice(max(start - first, 0), stop - first)
                rows[touched] = plan.row_of_line[self.raster_lines[touched]]
                rows[touched] += len(plan.pairs) * (1 + trace.kinds.index(kind))
        self.index = (rows * (POINTS + 1))[whole] + point
        self.next_index = self.index + 1

    def take(self, table: NDArray[np.float32]) -> NDArray[np.float32]:
        """The table's values between its points (all in range by construction; "clip" is the fast way to take)."""
        values: NDArray[np.float32] = table.take(self.index, mode="clip")
        rise = table.take(self.next_index, mode="clip")
        rise -= values
        rise *= self.fraction
        values += rise
        return values


def noiseless(traces: Sequence[Trace], times_s: NDArray[np.float64]) -> list[NDArray[np.float32]]:
    """Every trace at the given rising instants (seconds of the scene's clock), in codes, noise left out."""
    instants: dict[tuple[object, ...], _Instants] = {}
    waves: dict[float, NDArray[np.float32]] = {}
    return [_noiseless(trace, times_s, instants, waves) for trace in traces]


def record(
    traces: Sequence[Trace], adc: Adc, start_s: float, step_s: float, samples: int, seed: Sequence[int]
) -> list[RawCodes]:
    """The codes of every trace: `samples` from `start_s` on, with noise drawn from `seed`."""
    noises = [
        NoiseSource(np.random.SFC64([*seed, channel]), trace.noise_band_hz, step_s)
        for channel, trace in enumerate(traces)
    ]
    codes = [adc.empty(samples) for _ in traces]
    for first in range(0, samples, CHUNK):
        count = min(CHUNK, samples - first)
        times_s = np.arange(first, first + count, dtype=np.float64)
        times_s *= step_s
        times_s += start_s
        for values, trace, noise, out in zip(noiseless(traces, times_s), traces, noises, codes, strict=True):
            if trace.noise_codes:
                values += noise.next(count) * np.float32(trace.noise_codes)
            if trace.linearity is not None:
                values += trace.linearity.errors(values)
            out[first : first + count] = adc.convert(values)
    return codes


def _noiseless(
    trace: Trace,
    times_s: NDArray[np.float64],
    instants: dict[tuple[object, ...], _Instants],
    waves: dict[float, NDArray[np.float32]],
) -> NDArray[np.float32]:
    shape = trace.shape
    if shape is None:
        return np.full(times_s.size, trace.offset_codes, dtype=np.float32)
    key = (id(shape.layout), trace.jitter_s, trace.disturbances)
    if key not in instants:
        instants[key] = _Instants(shape.layout, trace, times_s)
    values = _shape_mv(shape, instants[key], times_s)
    values *= np.float32(trace.codes_per_mv)
    values += np.float32(trace.offset_codes)
    if trace.interference_codes:
        if trace.interference_hz not in waves:
            waves[trace.interference_hz] = np.sin(_phase(times_s, trace.interference_hz))
        values += waves[trace.interference_hz] * np.float32(trace.interference_codes)
    return values


def _shape_mv(shape: Shape, instants: _Instants, times_s: NDArray[np.float64]) -> NDArray[np.float32]:
    values = instants.take(shape.rows)
    if shape.chroma is not None:
        phase = _phase(times_s, shape.subcarrier_hz)
        values += instants.take(shape.chroma[0]) * np.sin(phase)
        values += instants.take(shape.chroma[1]) * np.cos(phase)
    if shape.compress is not None:
        values = compressed(values, shape.compress).astype(np.float32)
    if shape.passed != 1.0:
        values *= np.float32(shape.passed)
    if shape.held is not None:
        values -= instants.take(shape.held)
    for states, decay in shape.droops:
        values -= states[instants.raster_lines][instants.whole] * decay[instants.point]
    return values


def _phase(times_s: NDArray[np.float64], frequency_hz: float) -> NDArray[np.float32]:
    """Radians within one cycle."""
    cycles = times_s * frequency_hz
    cycles -= np.floor(cycles)
    cycles *= 2 * np.pi
    return cycles.astype(np.float32)
