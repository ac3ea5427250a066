"""What a bench clips probes on: a white picture with its sync wherever the unit puts it, as one capture with its hookup."""

import math
from dataclasses import dataclass, replace

import numpy as np
from hypothesis import strategies as st

from made_video import (
    LINE_625_US,
    Array,
    Made,
    Raster,
    capture_of,
    composite,
    digitised,
    luma,
    picture_wave,
    sync_wave,
    times,
    white,
)
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture

RASTER_525 = Raster()
RASTER_625 = Raster(LINE_625_US, 4.7, 10.5, 1.5, 0.2)
RASTER_31_KHZ = Raster(1e6 / 31_468.75, 3.813, 5.72, 0.636, 0.05)
"""640 x 480: sync 3.813, back porch 1.907, front porch 0.636 us [R, C]."""
RASTER_24_KHZ = Raster(1e6 / 24_826.2, 3.04, 6.1, 1.2, 0.05)
"""24.83 kHz [R]; sync and porches are made up for the test."""
SUBCARRIER_HZ = {"525/60": 315e6 / 88.0, "625/50": 4_433_618.75}
BURST_US = {"525/60": (5.308, 7.822), "625/50": (5.6, 7.856)}

SIGNALS = ("sync", "hsync", "luma", "green", "composite", "none")
"""Where the sync is: on a channel of its own, separate in two, under the picture, or nowhere."""


@dataclass(frozen=True)
class Wired:
    """A capture with the picture on CH1, and its hookup."""

    capture: Capture
    conditions: Conditions


def sync_alone(made: Made, depth_mv: float, *, inverted: bool, name: str = "CH4") -> Capture:
    """Sync of its own, on a range that it fills by two thirds, with 40 dB of it above the noise."""
    lsb_mv = 1.5 * depth_mv / 2**made.bits
    sign = 1.0 if inverted else -1.0
    ranged = replace(made, lsb_mv=lsb_mv, noise_mv=0.01 * depth_mv + 0.3 * lsb_mv, centre_mv=0.5 * sign * depth_mv)
    return capture_of(ranged, digitised(ranged, name, sign * depth_mv * sync_wave(ranged), 4))


def wired(
    signal: str, made: Made, level_mv: float, *, system: str = "525/60", depth_mv: float = 290.0, inverted: bool = False
) -> Wired:
    """White of `level_mv` on CH1; `depth_mv` and `inverted` are those of the sync, which only a channel of its own inverts.

    Composite carries colour of full saturation for its level; `system` names its subcarrier.
    """
    picture = picture_wave(made, white(level_mv))
    if signal == "sync":
        sync = sync_alone(made, depth_mv, inverted=inverted)
        channels = (digitised(made, "CH1", picture, 1), *sync.channels)
        return Wired(capture_of(made, *channels), Conditions(Hookup((Clip("CH1", "red"), Clip("CH4", "sync")))))
    if signal == "hsync":
        lines_only = replace(made, raster=replace(made.raster, lines_per_field=0))
        line = sync_alone(lines_only, depth_mv, inverted=inverted)
        field = field_sync(made, depth_mv, inverted=inverted)
        clips = (Clip("CH1", "red"), Clip("CH3", "vsync"), Clip("CH4", "hsync"))
        return Wired(
            capture_of(made, digitised(made, "CH1", picture, 1), *field.channels, *line.channels),
            Conditions(Hookup(clips)),
        )
    if signal == "composite":
        wave = composite(
            made,
            white(level_mv),
            white(0.55 * level_mv),
            subcarrier_hz=SUBCARRIER_HZ[system],
            sync_mv=depth_mv,
            burst_mv_pp=depth_mv,
            burst_us=BURST_US[system],
        )
    else:
        wave = picture if signal == "none" else luma(made, white(level_mv), depth_mv)
    role = "red" if signal == "none" else signal
    record = digitised(made, "CH1", wave, 1)
    return Wired(capture_of(made, record), Conditions(Hookup((Clip("CH1", role),))))  # type: ignore[arg-type]


def field_sync(made: Made, depth_mv: float, *, inverted: bool) -> Capture:
    """Vertical sync of its own: on for the first three lines of every field."""
    _, _, lines = times(made)
    per_field = made.raster.lines_per_field
    on: Array = (np.mod(lines, per_field) < 3).astype(np.float64) if per_field else np.zeros(made.samples)
    sign = 1.0 if inverted else -1.0
    lsb_mv = 1.5 * depth_mv / 2**made.bits
    ranged = replace(made, lsb_mv=lsb_mv, noise_mv=0.01 * depth_mv, centre_mv=0.5 * sign * depth_mv)
    return capture_of(ranged, digitised(ranged, "CH3", sign * depth_mv * on, 3))


@st.composite
def any_bench_signal(draw: st.DrawFn, *, colours: bool = False, longest: int = 400_000) -> Wired:
    """A few lines of any signal whose sync is seen: both systems, 5 to 1000 MS/s, 8 to 16 bit, any polarity and phase.

    `colours` asks for red, green, blue and sync, `longest` is how many samples a record has at most.
    """
    signal = "rgb" if colours else draw(st.sampled_from(SIGNALS[:-1]))
    system, raster = draw(st.sampled_from([("525/60", RASTER_525), ("625/50", RASTER_625)]))
    slowest_ms = 4e-6 * SUBCARRIER_HZ[system] if signal == "composite" else 5.0
    rate_ms = max(slowest_ms, 10.0 ** draw(st.floats(math.log10(slowest_ms), min(3.0, math.log10(longest / 310.0)))))
    lines = 4 if rate_ms > 300.0 else draw(st.integers(4, max(4, min(9, int(longest / rate_ms / 64.0) - 1))))
    raster = replace(raster, first_us=draw(st.floats(2.0, 40.0)))
    samples = math.ceil((raster.first_us + (lines + 0.2) * raster.period_us) * rate_ms)
    bits, seed = draw(st.sampled_from([8, 10, 12, 16])), draw(st.integers(0, 2**31))
    made = Made(raster, 1e3 / rate_ms, samples, 6.0, 2048.0 / 2**bits, 400.0, bits, seed)
    level_mv = draw(st.floats(400.0, 714.0))
    if not colours:
        inverted = draw(st.booleans()) and lines > 7
        return wired(signal, made, level_mv, system=system, inverted=inverted)
    levels_mv = (level_mv, draw(st.floats(400.0, 714.0)), draw(st.floats(0.0, 714.0)))
    pictures = [
        digitised(made, f"CH{n}", picture_wave(made, white(one)), n) for n, one in enumerate(levels_mv, start=1)
    ]
    return Wired(
        capture_of(made, *pictures, *sync_alone(made, 290.0, inverted=False).channels), Conditions(BENCH_DEFAULT)
    )
