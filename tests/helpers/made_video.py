"""A small generator of video lines for the tests of the measuring engine: written from the tables, not from the engine.

Levels are millivolts above blanking; times count from 0H. Edges are raised cosines.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from peakwhite.drivers.capture import Capture, ChannelRecord

Array = NDArray[np.float64]
Picture = Callable[[Array, Array], Array]
"""Picture level in mV for time after 0H in us and line number, both of one shape."""

LINE_525_US = 1e6 / (315e6 / 88.0 / 227.5)
LINE_625_US = 64.0


@dataclass(frozen=True)
class Raster:
    """Timing of the made lines."""

    period_us: float = LINE_525_US
    sync_us: float = 4.7
    blanking_end_us: float = 9.2
    front_porch_us: float = 1.5
    sync_rise_us: float = 0.14
    lines_per_field: int = 0
    """0 for lines without end; else every field begins with three broad lines, serrated once a line."""
    first_us: float = 3.0
    """When the first 0H comes after the first sample."""
    jitter_us: float = 0.0
    """Rms by which every line comes early or late, picture and sync together."""


def step(t_us: Array, at_us: float | Array, rise_us: float) -> Array:
    """0 before, 1 after `at_us`: raised cosine, 10 to 90 % in `rise_us` (0.590 of its length)."""
    length = rise_us / 0.590
    x = np.clip((t_us - at_us) / length + 0.5, 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * x))


def white(level_mv: float) -> Picture:
    """Every line white."""
    return lambda t_us, line: np.full(t_us.shape, level_mv)


def steps(levels_mv: list[float], start_us: float = 9.2, end_us: float = 62.0, rise_us: float = 0.1) -> Picture:
    """Vertical bars of equal width."""
    edges = np.linspace(start_us, end_us, len(levels_mv) + 1)[1:-1]

    def picture(t_us: Array, line: Array) -> Array:
        level = np.full(t_us.shape, float(levels_mv[0]))
        for at_us, (left, right) in zip(edges, pairwise(levels_mv), strict=True):
            level += (right - left) * step(t_us, at_us, rise_us)
        return level

    return picture


def ramp(top_mv: float, start_us: float = 9.2, end_us: float = 62.0) -> Picture:
    """From black to top along the line."""
    return lambda t_us, line: top_mv * np.clip((t_us - start_us) / (end_us - start_us), 0.0, 1.0)


@dataclass(frozen=True)
class Made:
    """What to digitise, and how."""

    raster: Raster = field(default_factory=Raster)
    sample_ns: float = 40.0
    samples: int = 12_000
    noise_mv: float = 4.0
    lsb_mv: float = 8.0
    centre_mv: float = 400.0
    bits: int = 8
    seed: int = 1


def times(made: Made) -> tuple[Array, Array, Array]:
    """Time of every sample, time after the last 0H, and line number."""
    t_us = np.arange(made.samples, dtype=np.float64) * made.sample_ns * 1e-3
    lines: Array = np.floor((t_us - made.raster.first_us) / made.raster.period_us)
    after_us: Array = t_us - made.raster.first_us - lines * made.raster.period_us
    if made.raster.jitter_us:
        after_us, lines = _jittered(made, t_us, lines)
    return t_us, after_us, lines


def _jittered(made: Made, t_us: Array, lines: Array) -> tuple[Array, Array]:
    """As `times` gives them; here a line begins within the front porch, ahead of its own 0H, wherever that has moved."""
    number = np.arange(lines[0] - 1.0, lines[-1] + 3.0)
    moved_us = np.random.default_rng((made.seed, 77)).normal(0.0, made.raster.jitter_us, number.size)
    start_us = made.raster.first_us + number * made.raster.period_us + moved_us
    place = np.searchsorted(start_us - 0.5 * made.raster.front_porch_us, t_us, side="right") - 1
    return t_us - start_us[place], number[place]


def sync_wave(made: Made) -> Array:
    """1 where sync is at its tip, 0 elsewhere."""
    raster = made.raster
    _, x, lines = times(made)

    def pulse(width_us: float | Array, at_us: float = 0.0) -> Array:
        after = step(x, at_us, raster.sync_rise_us) - step(x, at_us + width_us, raster.sync_rise_us)
        ahead = step(x - raster.period_us, at_us, raster.sync_rise_us)
        return np.asarray(after + ahead)

    wave = pulse(raster.sync_us)
    if raster.lines_per_field:
        in_field = lines % raster.lines_per_field
        broad = pulse(raster.period_us - raster.sync_us)
        wave = np.where(in_field < 3, broad, wave)
    return wave


def picture_wave(made: Made, picture: Picture) -> Array:
    """The picture without sync, blanked."""
    raster = made.raster
    _, x, lines = times(made)
    gate = step(x, raster.blanking_end_us, 0.1) - step(x, raster.period_us - raster.front_porch_us, 0.1)
    if raster.lines_per_field:
        gate = np.where(lines % raster.lines_per_field < 17, 0.0, gate)
    return np.asarray(picture(x, lines) * gate)


def digitised(made: Made, name: str, wave_mv: Array, index: int = 0) -> ChannelRecord:
    """The wave as a scope's ADC gives it: noise, quantisation, rails."""
    rng = np.random.default_rng((made.seed, index))
    noisy = wave_mv + rng.normal(0.0, made.noise_mv, wave_mv.size) if made.noise_mv else wave_mv
    half = 2 ** (made.bits - 1)
    codes = np.clip(np.round((noisy - made.centre_mv) / made.lsb_mv) + half, 0, 2 * half - 1)
    return ChannelRecord(
        name=name,
        codes=codes.astype(np.uint8 if made.bits == 8 else np.uint16),
        volts_per_code=made.lsb_mv * 1e-3,
        volts_at_code_zero=(made.centre_mv - half * made.lsb_mv) * 1e-3,
        low_rail_code=0,
        high_rail_code=2 * half - 1,
        full_scale_v=made.lsb_mv * 25 * 8 * 1e-3 * 2 ** (made.bits - 8),
    )


def capture_of(made: Made, *channels: ChannelRecord) -> Capture:
    """The channels as one capture."""
    return Capture(channels, made.sample_ns * 1e-9, 0.0, "made in the test", 1_767_323_045_678_000_000)


def rgb_sync(made: Made, red: Picture, green: Picture, blue: Picture, sync_mv: float = 285.7) -> Capture:
    """Red, green, blue on CH1 to CH3 and composite sync on CH4."""
    pictures = [
        digitised(made, f"CH{index}", picture_wave(made, picture), index)
        for index, picture in enumerate((red, green, blue), start=1)
    ]
    return capture_of(made, *pictures, digitised(made, "CH4", -sync_mv * sync_wave(made), 4))


def luma(made: Made, picture: Picture, sync_mv: float = 285.7) -> Array:
    """Picture and sync on one wire."""
    return picture_wave(made, picture) - sync_mv * sync_wave(made)


def composite(
    made: Made,
    picture: Picture,
    chroma: Picture,
    *,
    subcarrier_hz: float = 315e6 / 88.0,
    sync_mv: float = 285.7,
    burst_mv_pp: float = 285.7,
    burst_us: tuple[float, float] = (5.308, 7.822),
) -> Array:
    """Luma, sync, burst, and a chroma of the given amplitude (mV peak) in one phase."""
    t_us, x, _ = times(made)
    carrier = np.sin(2.0 * np.pi * subcarrier_hz * 1e-6 * t_us)
    envelope = step(x, burst_us[0], 0.3) - step(x, burst_us[1], 0.3)
    if made.raster.lines_per_field:
        _, _, lines = times(made)
        envelope = np.where(lines % made.raster.lines_per_field < 9, 0.0, envelope)
    return luma(made, picture, sync_mv) + (picture_wave(made, chroma) + 0.5 * burst_mv_pp * envelope) * carrier
