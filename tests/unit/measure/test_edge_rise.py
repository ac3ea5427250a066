"""Rise times against the definition, and the hint that a limiter hides them."""

import math
from dataclasses import replace

import numpy as np
import pytest

from made_video import Made, capture_of, digitised, picture_wave, rgb_sync, step, steps, sync_wave, white
from peakwhite.daemon.measure.edge_rise import rise_us
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.found_sync import find_sync
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture

BENCH = Conditions(BENCH_DEFAULT)
FINE = Made(sample_ns=4.0, samples=80_000)


def limited(wave_mv: np.ndarray, made: Made, bandwidth_mhz: float) -> np.ndarray:
    """Through one pole."""
    keep = math.exp(-2.0 * math.pi * bandwidth_mhz * 1e-3 * made.sample_ns)
    out = np.empty_like(wave_mv)
    last = wave_mv[0]
    for place, value in enumerate(wave_mv):
        last = keep * last + (1.0 - keep) * value
        out[place] = last
    return out


def on_red(wave_mv: np.ndarray, made: Made, bandwidth_mhz: float | None) -> Capture:
    blanked = picture_wave(made, white(0.0))
    others = [digitised(made, f"CH{n}", blanked, n) for n in (2, 3)]
    sync = digitised(made, "CH4", -285.7 * sync_wave(made), 4)
    return replace(capture_of(made, digitised(made, "CH1", wave_mv, 1), *others, sync), bandwidth_mhz=bandwidth_mhz)


def is_hinted(capture: Capture) -> bool:
    return "bandwidth-limited" in {one.code for one in measure_capture(capture, BENCH).channels[0].hints}


@pytest.mark.parametrize("rise_ns", [20.0, 50.0, 100.0])
@pytest.mark.parametrize("levels", [[0.0, 700.0, 700.0], [700.0, 700.0, 0.0]])
def test_a_rise_time_is_that_of_the_fastest_edge(rise_ns: float, levels: list[float]) -> None:
    """The blanking edges of the made picture take 100 ns."""
    wave = picture_wave(FINE, steps(levels, rise_us=rise_ns * 1e-3))
    capture = on_red(wave, FINE, None)
    grid = find_sync(capture, BENCH).grid
    assert grid is not None
    assert rise_us(capture.channels[0], 1.0, grid, 4e-3, rise_ns * 1e-3) == pytest.approx(rise_ns * 1e-3, rel=0.1)


@pytest.mark.parametrize(("rise_ns", "expected"), [(1.0, True), (10.0, True), (60.0, False), (100.0, False)])
def test_edges_faster_than_the_limiter_are_said_to_be_hidden_by_it(rise_ns: float, expected: bool) -> None:
    wave = picture_wave(FINE, lambda t_us, line: 700.0 * step(t_us, 30.0, rise_ns * 1e-3))
    assert is_hinted(on_red(limited(wave, FINE, 20.0), FINE, 20.0)) is expected


@pytest.mark.parametrize("bandwidth_mhz", [None, 100.0])
def test_without_a_limiter_nothing_is_said(bandwidth_mhz: float | None) -> None:
    wave = picture_wave(FINE, lambda t_us, line: 700.0 * step(t_us, 30.0, 1e-3))
    assert not is_hinted(on_red(limited(wave, FINE, 20.0), FINE, bandwidth_mhz))


def test_a_record_for_levels_that_shows_no_edges_says_nothing_of_them() -> None:
    capture = rgb_sync(Made(), steps([700.0, 0.0], rise_us=0.001), white(700.0), white(700.0))
    assert not is_hinted(replace(capture, bandwidth_mhz=20.0))


def test_a_black_picture_has_no_edges() -> None:
    assert not is_hinted(on_red(picture_wave(FINE, white(0.0)), FINE, 20.0))
