"""Every sync and raster that a bench meets, made from the tables: its lines are found, and the level that stands on them."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench_signals import (
    RASTER_24_KHZ,
    RASTER_31_KHZ,
    RASTER_525,
    RASTER_625,
    SIGNALS,
    SUBCARRIER_HZ,
    Wired,
    sync_alone,
    wired,
)
from broadcast_sync import BROADCAST_525, BROADCAST_625, Broadcast
from impaired import coupled
from made_video import Array, Made, Raster, capture_of, digitised, luma, picture_wave, sync_wave, times, white
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import Clip, Hookup
from peakwhite.daemon.measure.reading import Measured
from peakwhite.daemon.measure.targets import Conditions

FAMILIES = {
    "525/60": (RASTER_525, "525/60"),
    "228 cycles a line": (replace(RASTER_525, period_us=228.0 / (315.0 / 88.0)), "525/60"),
    "227 1/3 cycles a line": (replace(RASTER_525, period_us=682.0 / 3.0 / (315.0 / 88.0)), "525/60"),
    "625/50": (RASTER_625, "625/50"),
    "284 cycles a line": (replace(RASTER_625, period_us=284.0 / 4.43361875), "625/50"),
}
"""Line periods of 15 kHz units (standards.md 1.4 [C]) with the system that their rate names."""
COMPUTERS = {"24 kHz": RASTER_24_KHZ, "31 kHz": RASTER_31_KHZ}
BITS = (8, 10, 12, 16)


def made_of(
    raster: Raster, lines: float, rate_ms: float, *, bits: int = 8, first_us: float = 5.0, noise_mv: float = 3.0, seed: int = 1
) -> Made:  # fmt: skip
    """So many complete lines, and sync of the one after them, at so many million samples a second on 2 V full scale."""
    raster = replace(raster, first_us=first_us)
    samples = math.ceil((first_us + lines * raster.period_us + raster.sync_us + 2.5) * rate_ms)
    return Made(raster, 1e3 / rate_ms, samples, noise_mv, 2048.0 / 2**bits, 400.0, bits, seed)


def level_limit_mv(made: Made, lines: float) -> float:
    """2 mV, or four times what noise and steps do to a level of so many lines, clamped for 2 us of each."""
    clamp_samples = max(1.0, lines * 2e3 / made.sample_ns)
    return max(2.0, 4.0 * math.hypot(made.noise_mv, made.lsb_mv / math.sqrt(12.0)) / math.sqrt(clamp_samples))


def read(one: Wired) -> Measured:
    return measure_capture(one.capture, one.conditions)


def assert_read(measured: Measured, made: Made, system: str, lines: int, level_mv: float, signal: str) -> None:
    """State, system, period, lines and width of sync, and the level, as they were made."""
    sync = measured.sync
    by_blanking = signal == "none"
    assert sync.state == ("blanking-only" if by_blanking else "locked")
    assert sync.system == system
    assert sync.line_period_us == pytest.approx(made.raster.period_us, rel=2e-3 if by_blanking else 3e-4)
    if not by_blanking:
        assert sync.lines == lines
        assert sync.sync_width_us == pytest.approx(made.raster.sync_us, abs=0.05)
    assert measured.channels[0].peak_white_mv == pytest.approx(level_mv, abs=level_limit_mv(made, lines))


@pytest.mark.parametrize("bits", BITS)
@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("depth_mv", [40.0, 290.0, 1200.0, 5000.0])
def test_sync_of_its_own_is_read_at_any_depth_and_either_polarity(depth_mv: float, inverted: bool, bits: int) -> None:
    made = made_of(RASTER_525, 9, 25.0, bits=bits)
    measured = read(wired("sync", made, 650.0, depth_mv=depth_mv, inverted=inverted))
    assert_read(measured, made, "525/60", 9, 650.0, "sync")
    assert measured.channels[1].sync_mv == pytest.approx(depth_mv, rel=0.02)


@pytest.mark.parametrize("signal", SIGNALS)
@pytest.mark.parametrize("family", FAMILIES)
def test_every_signal_of_every_15_khz_unit_is_read(family: str, signal: str) -> None:
    raster, system = FAMILIES[family]
    made = made_of(raster, 8, 25.0)
    assert_read(read(wired(signal, made, 650.0, system=system)), made, system, 8, 650.0, signal)


@pytest.mark.parametrize("signal", SIGNALS[:-1])
@pytest.mark.parametrize("family", ["525/60", "625/50"])
def test_two_lines_are_enough(family: str, signal: str) -> None:
    raster, system = FAMILIES[family]
    made = made_of(raster, 2, 50.0)
    assert_read(read(wired(signal, made, 650.0, system=system)), made, system, 2, 650.0, signal)


@settings(deadline=None, max_examples=60, derandomize=True)
@given(
    st.sampled_from(sorted(FAMILIES)),
    st.sampled_from(SIGNALS),
    st.floats(math.log10(5.0), 3.0),
    st.sampled_from(BITS),
    st.integers(2, 12),
    st.floats(2.0, 60.0),
    st.floats(350.0, 714.0),
    st.integers(0, 2**31),
)
def test_any_signal_is_read_at_any_sample_rate_and_resolution(
    family: str, signal: str, log_rate: float, bits: int, lines: int, first_us: float, level_mv: float, seed: int
) -> None:
    raster, system = FAMILIES[family]
    lines = max(6, lines) if signal == "none" else lines
    slowest_ms = 4e-6 * SUBCARRIER_HZ[system] if signal == "composite" else 8.0 if signal == "none" else 5.0
    fastest_ms = 250_000.0 / (first_us + (lines + 1) * raster.period_us)
    rate_ms = min(max(10.0**log_rate, slowest_ms), max(slowest_ms, fastest_ms) if lines > 3 else 1000.0)
    made = made_of(raster, lines, rate_ms, bits=bits, first_us=first_us, seed=seed)
    assert_read(read(wired(signal, made, level_mv, system=system)), made, system, lines, level_mv, signal)


@pytest.mark.parametrize("signal", ["sync", "hsync", "luma", "green", "none"])
@pytest.mark.parametrize("kind", COMPUTERS)
def test_lines_of_24_and_31_khz_computers_are_read(kind: str, signal: str) -> None:
    made = made_of(COMPUTERS[kind], 16, 50.0)
    assert_read(read(wired(signal, made, 650.0)), made, "unknown", 16, 650.0, signal)


@pytest.mark.parametrize("rate_hz", [15_500.0, 15_900.0, 18_432.0, 21_850.8])
def test_a_line_rate_of_no_family_is_unknown_with_its_numbers(rate_hz: float) -> None:
    scale = 15_734.3 / rate_hz
    raster = Raster(1e6 / rate_hz, 4.7 * scale, 9.2 * scale, 1.5 * scale, 0.14)
    made = made_of(raster, 12, 25.0)
    measured = read(wired("luma", made, 650.0))
    assert_read(measured, made, "unknown", 12, 650.0, "luma")
    assert measured.sync.line_rate_hz == pytest.approx(rate_hz, rel=1e-4)


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize(
    ("raster", "lines", "system", "field_hz"),
    [
        (RASTER_525, 262, "525/60", 60.0544),
        (RASTER_525, 263, "525/60", 59.8261),
        (RASTER_625, 312, "625/50", 50.0801),
        (RASTER_625, 313, "625/50", 49.9201),
        (RASTER_625, 314, "625/50", 49.7611),
        (RASTER_31_KHZ, 525, "unknown", 59.940),
        (RASTER_31_KHZ, 449, "unknown", 70.086),
        (RASTER_24_KHZ, 440, "unknown", 56.423),
    ],
)
def test_progressive_fields_are_counted_from_vertical_sync(
    raster: Raster, lines: int, system: str, field_hz: float, inverted: bool
) -> None:
    """Lines and field rates of standards.md 1.4 [C, R]; no half lines, no equalising pulses, one serration a line."""
    made = made_of(replace(raster, lines_per_field=lines), 1.2 * lines, 10.0 if raster.period_us > 60.0 else 25.0)
    measured = read(wired("sync", made, 650.0, inverted=inverted))
    field = measured.sync.field
    assert field is not None
    assert (field.lines_per_field, field.scan) == (lines, "progressive")
    assert field.field_rate_hz == pytest.approx(field_hz, rel=2e-5)
    assert measured.sync.system == system
    assert measured.channels[0].peak_white_mv == pytest.approx(650.0, abs=2.0)


@pytest.mark.parametrize("broad_at_lines", [-2.6, -1.0, 0.4, 2.0, 3.6])
@pytest.mark.parametrize("system", [BROADCAST_525, BROADCAST_625], ids=lambda one: one.name)
def test_three_lines_of_a_vertical_interval_are_known_for_what_they_are(
    system: Broadcast, broad_at_lines: float
) -> None:
    """Broad pulses begin so many lines after the record does. No level comes of it; the line period is right all the same."""
    samples = math.ceil(3.4 * system.line_us / 0.04)
    made = Made(samples=samples, noise_mv=10.0, centre_mv=-150.0)
    t_us = np.arange(samples, dtype=np.float64) * 0.04
    frame_at_us = (broad_at_lines - 0.5 * system.broad[0].start) * system.line_us
    record = digitised(made, "CH1", -300.0 * system.wave(t_us, frame_at_us))
    measured = measure_capture(capture_of(made, record), Conditions(Hookup((Clip("CH1", "luma"),))))
    assert measured.sync.state == "vertical-interval"
    assert measured.sync.line_period_us == pytest.approx(system.line_us, rel=2e-3)
    assert measured.channels[0].peak_white_mv is None


UNDER_PICTURE = ("sync", "luma", "green")


def disturbed(signal: str, made: Made, sync: Array, level_mv: float) -> Measured:
    """White on CH1 with a sync that was tampered with, 1 at its tips; under the picture or of its own."""
    picture = picture_wave(made, white(level_mv))
    if signal == "sync":
        of_sync = digitised(replace(made, centre_mv=0.0), "CH4", -290.0 * sync, 4)
        records = [digitised(made, "CH1", picture, 1), of_sync]
        hookup = Hookup((Clip("CH1", "red"), Clip("CH4", "sync")))
    else:
        records = [digitised(made, "CH1", picture - 290.0 * sync, 1)]
        hookup = Hookup((Clip("CH1", signal),))  # type: ignore[arg-type]
    return measure_capture(capture_of(made, *records), Conditions(hookup))


def record_time_us(made: Made) -> Array:
    return times(made)[0]


disturbances = (
    st.sampled_from(UNDER_PICTURE),
    st.sampled_from(["525/60", "625/50"]),
    st.integers(6, 20),
    st.floats(6.0, 60.0),
    st.floats(2.0, 60.0),
    st.integers(0, 2**31),
)


@settings(deadline=None, max_examples=25, derandomize=True)
@given(*disturbances)
def test_a_sync_that_drops_out_costs_the_two_lines_beside_it(
    signal: str, family: str, lines: int, rate_ms: float, first_us: float, seed: int
) -> None:
    raster, system = FAMILIES[family]
    made = made_of(raster, lines, rate_ms, first_us=first_us, seed=seed)
    t_us, gone_us = record_time_us(made), first_us + (1 + seed % (lines - 1)) * raster.period_us
    sync = np.where(np.abs(t_us - gone_us - 2.5) < 4.0, 0.0, sync_wave(made))
    assert_read(disturbed(signal, made, sync, 650.0), made, system, lines - 2, 650.0, signal)


@settings(deadline=None, max_examples=25, derandomize=True)
@given(*disturbances, st.floats(12.0, 55.0), st.floats(1.0, 4.7))
def test_a_pulse_too_many_costs_one_line_at_most(
    signal: str, family: str, lines: int, rate_ms: float, first_us: float, seed: int, at_us: float, width_us: float
) -> None:
    raster, system = FAMILIES[family]
    made = made_of(raster, lines, rate_ms, first_us=first_us, seed=seed)
    begin_us = first_us + seed % lines * raster.period_us + at_us
    t_us = record_time_us(made)
    sync = np.where((t_us > begin_us) & (t_us < begin_us + width_us), 1.0, sync_wave(made))
    measured = disturbed(signal, made, sync, 650.0)
    assert measured.sync.lines in (lines, lines - 1, lines - 2)
    assert_read(measured, made, system, measured.sync.lines, 650.0, signal)


@settings(deadline=None, max_examples=25, derandomize=True)
@given(*disturbances, st.lists(st.tuples(st.floats(0.0, 1.0), st.floats(0.05, 0.75)), min_size=1, max_size=5))
def test_glitches_under_a_microsecond_change_nothing(
    signal: str,
    family: str,
    lines: int,
    rate_ms: float,
    first_us: float,
    seed: int,
    glitches: list[tuple[float, float]],
) -> None:
    """Down anywhere in the picture, up in the middle of one sync, and down on the back porch of another line."""
    raster, system = FAMILIES[family]
    made = made_of(raster, lines, rate_ms, first_us=first_us, seed=seed)
    t_us, sync = record_time_us(made), sync_wave(made)
    for part, width_us in glitches:
        line, into = divmod(part * (lines - 1e-6), 1.0)
        begin_us = first_us + line * raster.period_us + 12.0 + into * 48.0
        sync = np.where((t_us > begin_us) & (t_us < begin_us + width_us), 1.0, sync)
    middle_us = first_us + seed % lines * raster.period_us + 2.0
    sync = np.where((t_us > middle_us) & (t_us < middle_us + 0.3), 0.0, sync)
    porch_us = first_us + (seed // 7) % lines * raster.period_us + 6.2
    sync = np.where((t_us > porch_us) & (t_us < porch_us + 0.7), 1.0, sync)
    assert_read(disturbed(signal, made, sync, 650.0), made, system, lines, 650.0, signal)


@settings(deadline=None, max_examples=30, derandomize=True)
@given(*disturbances, st.floats(20.0, 150.0), st.floats(0.0, 6.28), st.floats(7.0, 40.0), st.floats(-100.0, 100.0))
def test_hum_and_a_coupling_capacitor_move_neither_lines_nor_level(
    signal: str,
    family: str,
    lines: int,
    rate_ms: float,
    first_us: float,
    seed: int,
    hum_mv: float,
    phase: float,
    constant_ms: float,
    start_mv: float,
) -> None:
    raster, system = FAMILIES[family]
    made = made_of(raster, lines, rate_ms, first_us=first_us, seed=seed)
    hum = hum_mv * np.sin(2.0 * np.pi * 50e-6 * record_time_us(made) + phase)
    depth_mv = 0.0 if signal == "sync" else 290.0
    wave = luma(made, white(650.0), depth_mv)
    wave = coupled(wave, 1e-3 * made.sample_ns, 1e3 * constant_ms, float(wave[0]) - 100.0 + start_mv) + hum
    records = [digitised(replace(made, centre_mv=300.0), "CH1", wave, 1)]
    clips = [Clip("CH1", "red" if signal == "sync" else signal)]  # type: ignore[arg-type]
    if signal == "sync":
        records += sync_alone(made, 290.0, inverted=False).channels
        clips.append(Clip("CH4", "sync"))
    measured = measure_capture(capture_of(made, *records), Conditions(Hookup(tuple(clips))))
    assert_read(measured, made, system, lines, 650.0, signal)
