"""The same samples measured another way, with scipy and no code of ours: the levels agree."""

import numpy as np
import pytest
from scipy import signal, stats

from made_video import Made, rgb_sync, steps, white
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture, ChannelRecord


def volts(record: ChannelRecord) -> np.ndarray:
    return record.codes.astype(np.float64) * record.volts_per_code + record.volts_at_code_zero


def white_by_scipy_mv(capture: Capture, channel: int) -> tuple[float, float]:
    """Median over the lines of (mean of the top tenth of a filtered line's middle) minus (mean of its porch), and its error."""
    sync = signal.savgol_filter(volts(capture.channels[3]), 11, 2)
    falls = np.flatnonzero((sync[:-1] >= -0.14) & (sync[1:] < -0.14))
    falls = falls[np.concatenate(([True], np.diff(falls) > 1000))]
    trace = volts(capture.channels[channel])
    per_us = 1e-6 / capture.seconds_per_sample
    levels = []
    for fall in falls[:-1]:
        line = trace[fall : fall + round(63.5 * per_us)]
        porch = line[round(5.4 * per_us) : round(8.6 * per_us)]
        flat = line[round(11 * per_us) : round(15 * per_us)]
        levels.append(float(np.mean(flat) - np.mean(porch)) * 1e3)
    return float(np.median(levels)), float(stats.sem(levels))


@pytest.mark.parametrize("seed", range(6))
def test_the_level_of_a_white_line(seed: int) -> None:
    capture = rgb_sync(Made(seed=seed), white(742.0), white(714.3), white(655.0))
    measured = measure_capture(capture, Conditions(BENCH_DEFAULT))
    for index in range(3):
        expected_mv, error_mv = white_by_scipy_mv(capture, index)
        assert measured.channels[index].peak_white_mv == pytest.approx(expected_mv, abs=4.0 * error_mv + 0.5)


@pytest.mark.parametrize("seed", range(3))
def test_the_level_of_the_first_bar(seed: int) -> None:
    bars = steps([535.7, 474.6, 375.5, 314.5, 221.3, 160.2, 61.1, 0.0])
    capture = rgb_sync(Made(seed=seed), bars, bars, bars)
    measured = measure_capture(capture, Conditions(BENCH_DEFAULT))
    expected_mv, error_mv = white_by_scipy_mv(capture, 0)
    assert measured.channels[0].peak_white_mv == pytest.approx(expected_mv, abs=4.0 * error_mv + 0.5)


@pytest.mark.parametrize("seed", range(4))
def test_the_noise_of_the_record(seed: int) -> None:
    made = Made(seed=seed, noise_mv=12.0)
    capture = rgb_sync(made, white(700.0), white(700.0), white(700.0))
    per_us = 1e-6 / capture.seconds_per_sample
    flat = volts(capture.channels[0])[round(20 * per_us) : round(60 * per_us)]
    step_v = capture.channels[0].volts_per_code
    expected_mv = 1e3 * float(np.sqrt(np.var(signal.detrend(flat), ddof=2) - step_v**2 / 12.0))
    found = measure_capture(capture, Conditions(BENCH_DEFAULT)).channels[0].noise_mv_rms
    assert found == pytest.approx(expected_mv, rel=0.08)


def test_the_repeatable_part_is_neither_too_small_nor_larger_than_the_scatter_of_readings() -> None:
    """200 captures that differ in noise alone: their scatter is what u95_repeat_mv claims, from both sides."""
    readings = [
        measure_capture(
            rgb_sync(Made(seed=seed), white(700.0), white(700.0), white(700.0)), Conditions(BENCH_DEFAULT)
        ).channels[0]
        for seed in range(200)
    ]
    levels = np.array([one.peak_white_mv for one in readings], dtype=float)
    claimed = np.array([one.u95_repeat_mv for one in readings], dtype=float)
    inside = np.mean(np.abs(levels - levels.mean()) < claimed)
    assert 0.90 <= inside <= 0.995
    scatter95 = float(stats.norm.ppf(0.975)) * float(levels.std(ddof=1))
    assert 0.8 * scatter95 < float(np.median(claimed)) < 1.5 * scatter95
