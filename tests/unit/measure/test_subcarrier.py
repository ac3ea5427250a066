"""The subcarrier's frequency from bursts: right to some millionths whatever the cycles a line, and null where none can be told."""

import math
from dataclasses import replace

import numpy as np
import pytest

from made_video import LINE_525_US, LINE_625_US, Made, Raster, capture_of, digitised, luma, steps, times
from made_video import step as edge
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import Clip, Hookup
from peakwhite.daemon.measure.reading import ChannelReading
from peakwhite.daemon.measure.subcarrier import Phasors, measured_subcarrier_hz
from peakwhite.daemon.measure.systems import SYSTEM_525, SYSTEM_625
from peakwhite.daemon.measure.targets import Conditions

FSC_525_HZ, FSC_625_HZ = 315e6 / 88.0, 4_433_618.75
COMPOSITE = Conditions(Hookup((Clip("CH1", "composite"),)))
SWING_RAD = math.pi / 4


def bursts_of(made: Made, hz: float, start_us: float, cycles: float, swing_rad: float, mv_pp: float) -> np.ndarray:
    """A burst on every line, of a subcarrier that runs on, swung to and fro by `swing_rad` from line to line."""
    t_us, after_us, line = times(made)
    envelope = edge(after_us, start_us, 0.3) - edge(after_us, start_us + cycles * 1e6 / hz, 0.3)
    swing = swing_rad * np.where(line % 2 == 0, 1.0, -1.0)
    return np.asarray(0.5 * mv_pp * envelope * np.sin(2e-6 * math.pi * hz * t_us + swing))


def measured(
    period_us: float, hz: float, *, samples: int = 12_000, swing_rad: float = 0.0, seed: int = 1
) -> ChannelReading:
    """The reading of grey steps with a burst; 4 mV of noise in steps of 8 mV."""
    in_625 = period_us > 63.9
    made = Made(Raster(period_us=period_us), samples=samples, seed=seed)
    wave = luma(made, steps([700.0, 350.0, 0.0]), 300.0)
    wave += bursts_of(made, hz, 5.6 if in_625 else 5.308, 10 if in_625 else 9, swing_rad, 300.0)
    capture = capture_of(made, digitised(made, "CH1", wave))
    return measure_capture(capture, COMPOSITE).channels[0]


@pytest.mark.parametrize("cycles", [227.5, 228.0, 227.0 + 1.0 / 3.0])
@pytest.mark.parametrize("off_ppm", [0.0, 60.0, -150.0])
def test_any_number_of_cycles_a_line_gives_the_525_line_subcarrier(cycles: float, off_ppm: float) -> None:
    hz = FSC_525_HZ * (1.0 + off_ppm * 1e-6)
    assert measured(cycles / FSC_525_HZ * 1e6, hz).subcarrier_hz == pytest.approx(hz, rel=4e-6)


@pytest.mark.parametrize("cycles", [283.75 + 1.0 / 625.0, 284.0])
@pytest.mark.parametrize("swing_rad", [SWING_RAD, -SWING_RAD, 0.0])
@pytest.mark.parametrize("off_ppm", [0.0, 90.0])
def test_the_swing_of_625_lines_does_not_move_the_frequency(cycles: float, swing_rad: float, off_ppm: float) -> None:
    hz = FSC_625_HZ * (1.0 + off_ppm * 1e-6)
    reading = measured(cycles / FSC_625_HZ * 1e6, hz, swing_rad=swing_rad)
    assert reading.subcarrier_hz == pytest.approx(hz, rel=4e-6)
    assert reading.burst_mv_pp == pytest.approx(300.0, rel=0.02)


def test_a_long_record_tells_the_frequency_to_a_tenth_of_a_millionth() -> None:
    hz = FSC_625_HZ * (1.0 - 31e-6)
    reading = measured(LINE_625_US, hz, samples=400_000, swing_rad=SWING_RAD)
    assert reading.subcarrier_hz == pytest.approx(hz, abs=0.5)  # a reading carries seven figures


def test_the_error_is_that_of_the_noise_on_the_lines() -> None:
    """Cramér-Rao bound of a frequency from n phases in a row: s sqrt(12 / (n^3 - n)) / (2 pi T), s = sigma sqrt(2 / m) / A."""
    seeds = range(40)
    off_hz = [(measured(LINE_525_US, FSC_525_HZ, seed=seed).subcarrier_hz or math.nan) - FSC_525_HZ for seed in seeds]
    lines, samples = 8, 37
    noise_mv = math.hypot(4.0, 8.0 / math.sqrt(12.0))
    phase = noise_mv * math.sqrt(2.0 / samples) / 150.0
    bound_hz = phase * math.sqrt(12.0 / (lines**3 - lines)) / (2e-6 * math.pi * LINE_525_US)
    rms_hz = math.sqrt(float(np.mean(np.square(off_hz))))
    assert 0.75 * bound_hz < rms_hz < 1.3 * bound_hz


def phasors(hz: float, lines: int, period_s: float, turn_error_hz: float, nominal_hz: float) -> Phasors:
    number = np.arange(lines)
    time_s = np.asarray(number * period_s)
    value = np.exp(2j * math.pi * (hz - nominal_hz) * time_s)
    return Phasors(number, time_s, value, turn_hz=hz - nominal_hz, turn_error_hz=turn_error_hz)


def test_the_turn_within_the_bursts_tells_a_crystal_that_is_far_off() -> None:
    hz = FSC_525_HZ + 20_000.0
    found = measured_subcarrier_hz(phasors(hz, 8, 63.5e-6, 300.0, FSC_525_HZ), 63.5e-6, SYSTEM_525)
    assert found == pytest.approx(hz, abs=0.01)


@pytest.mark.parametrize(("off_hz", "told"), [(1500.0, True), (3500.0, False)])
def test_where_the_turn_tells_nothing_a_frequency_that_no_crystal_has_is_null(off_hz: float, told: bool) -> None:
    """5 kHz of uncertainty do not tell multiples of half a line rate apart."""
    bursts = phasors(FSC_625_HZ + off_hz, 8, 64e-6, 5000.0, FSC_625_HZ)
    found = measured_subcarrier_hz(bursts, 64e-6, SYSTEM_625)
    assert (abs(found - FSC_625_HZ - off_hz) < 0.01) if told else math.isnan(found)


def test_one_burst_tells_no_frequency_from_line_to_line() -> None:
    assert math.isnan(measured_subcarrier_hz(phasors(FSC_525_HZ, 1, 63.5e-6, 300.0, FSC_525_HZ), 63.5e-6, SYSTEM_525))


def test_two_neighbours_in_625_lines_tell_none_either() -> None:
    assert math.isnan(measured_subcarrier_hz(phasors(FSC_625_HZ, 2, 64e-6, 300.0, FSC_625_HZ), 64e-6, SYSTEM_625))


def test_phases_at_random_are_no_frequency() -> None:
    bursts = phasors(FSC_525_HZ, 40, 63.5e-6, 300.0, FSC_525_HZ)
    random = np.exp(2j * math.pi * np.random.default_rng(3).random(40))
    scattered = Phasors(bursts.line, bursts.time_s, random, 0.0, 300.0)
    assert math.isnan(measured_subcarrier_hz(scattered, 63.5e-6, SYSTEM_525))


def test_without_a_burst_there_is_no_frequency() -> None:
    made = Made()
    capture = capture_of(made, digitised(made, "CH1", luma(made, steps([700.0, 350.0, 0.0]))))
    reading = measure_capture(capture, COMPOSITE).channels[0]
    assert reading.burst_mv_pp is None
    assert reading.subcarrier_hz is None


@pytest.mark.parametrize(("bandwidth_mhz", "said"), [(20.0, True), (100.0, False), (None, False)])
def test_a_burst_behind_a_limiter_is_said_to_be_low(bandwidth_mhz: float | None, said: bool) -> None:
    made = Made()
    wave = luma(made, steps([700.0, 350.0, 0.0]), 300.0) + bursts_of(made, FSC_525_HZ, 5.308, 9, 0.0, 300.0)
    capture = replace(capture_of(made, digitised(made, "CH1", wave)), bandwidth_mhz=bandwidth_mhz)
    hints = measure_capture(capture, COMPOSITE).channels[0].hints
    assert ("burst-through-limiter" in {hint.code for hint in hints}) is said


def test_without_a_burst_no_limiter_is_to_blame() -> None:
    made = Made()
    capture = capture_of(made, digitised(made, "CH1", luma(made, steps([700.0, 350.0, 0.0]))))
    hints = measure_capture(replace(capture, bandwidth_mhz=20.0), COMPOSITE).channels[0].hints
    assert "burst-through-limiter" not in {hint.code for hint in hints}


def test_chroma_beside_luma_carries_the_burst() -> None:
    made = Made(Raster(period_us=LINE_625_US), centre_mv=0.0)
    colour = digitised(made, "CH2", bursts_of(made, FSC_625_HZ, 5.6, 10, SWING_RAD, 300.0), 2)
    light = digitised(Made(Raster(period_us=LINE_625_US)), "CH1", luma(made, steps([700.0, 350.0, 0.0]), 300.0))
    conditions = Conditions(Hookup((Clip("CH1", "luma"), Clip("CH2", "chroma"))))
    reading = measure_capture(capture_of(made, light, colour), conditions).channels[1]
    assert reading.burst_mv_pp == pytest.approx(300.0, rel=0.02)
    assert reading.subcarrier_hz == pytest.approx(FSC_625_HZ, rel=4e-6)


def test_bursts_of_two_very_different_sizes_give_no_frequency() -> None:
    made = Made(samples=3_600)
    late = (times(made)[2] >= 1).astype(float)
    wave = luma(made, steps([700.0, 350.0, 0.0]), 300.0)
    wave += bursts_of(made, FSC_525_HZ, 5.308, 9, 0.0, 300.0) * (0.3 + late)
    reading = measure_capture(capture_of(made, digitised(made, "CH1", wave)), COMPOSITE).channels[0]
    assert reading.subcarrier_hz is None or reading.subcarrier_hz == pytest.approx(FSC_525_HZ, rel=1e-4)
