"""Sync that is shallow against its picture is found where noise allows, and its like in what is not video is not."""

import numpy as np
import pytest

from made_video import LINE_525_US, Made, capture_of, composite, digitised, luma, steps, sync_wave, times, white
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.found_sync import find_sync
from peakwhite.daemon.measure.hookup import Clip, Hookup, Role
from peakwhite.daemon.measure.targets import Conditions

GOOD = Made(noise_mv=1.0, lsb_mv=4.0, centre_mv=350.0)
COARSE = Made(noise_mv=4.0, lsb_mv=8.0)


def on(role: Role) -> Conditions:
    return Conditions(Hookup((Clip("CH1", role),)))


def state_of(made: Made, wave: np.ndarray, role: Role = "luma") -> str:
    return find_sync(capture_of(made, digitised(made, "CH1", wave)), on(role)).lines.state


@pytest.mark.parametrize("role", ["luma", "green"])
@pytest.mark.parametrize(
    ("made", "depth_mv"),
    [(GOOD, 40.0), (GOOD, 60.0), (COARSE, 45.0), (COARSE, 60.0), (COARSE, 80.0), (COARSE, 110.0), (COARSE, 140.0)],
)
def test_a_shallow_sync_under_a_full_white_is_found_and_measured(role: Role, made: Made, depth_mv: float) -> None:
    for picture in (white(700.0), steps([700.0, 350.0, 0.0])):
        capture = capture_of(made, digitised(made, "CH1", luma(made, picture, depth_mv)))
        measured = measure_capture(capture, on(role))
        assert measured.sync.state == "locked"
        assert measured.sync.line_period_us == pytest.approx(LINE_525_US, abs=0.01)
        assert measured.channels[0].sync_mv == pytest.approx(depth_mv, abs=1.5)
        assert measured.channels[0].peak_white_mv == pytest.approx(700.0, abs=1.5)


@pytest.mark.parametrize("burst_mv_pp", [80.0, 285.7])
@pytest.mark.parametrize("made", [GOOD, COARSE])
def test_a_burst_behind_a_shallow_sync_does_not_hide_it(made: Made, burst_mv_pp: float) -> None:
    wave = composite(made, steps([700.0, 350.0, 0.0]), steps([0.0, 150.0, 0.0]), sync_mv=80.0, burst_mv_pp=burst_mv_pp)
    measured = measure_capture(capture_of(made, digitised(made, "CH1", wave)), on("composite"))
    assert measured.sync.state == "locked"
    assert measured.channels[0].sync_mv == pytest.approx(80.0, abs=1.5)


def test_a_line_that_has_lost_its_shallow_sync_costs_itself_only() -> None:
    wave = luma(GOOD, white(700.0), 80.0) + 80.0 * sync_wave(GOOD) * (np.arange(GOOD.samples) // 1589 == 2)
    found = find_sync(capture_of(GOOD, digitised(GOOD, "CH1", wave)), on("luma")).lines
    assert found.state == "locked"
    assert found.line_starts.size == 5


def test_a_shallow_step_whose_porches_differ_is_no_sync() -> None:
    into_us = times(GOOD)[1]
    step_mv = np.where((into_us > 4.7) & (into_us < 9.2), 30.0, 0.0)
    assert state_of(GOOD, luma(GOOD, white(700.0), 80.0)) == "locked"
    assert state_of(GOOD, luma(GOOD, white(700.0), 80.0) + step_mv) != "locked"


def test_shallow_steps_of_different_depth_are_no_sync() -> None:
    odd = times(GOOD)[2] % 2.0
    wave = luma(GOOD, white(700.0), 60.0) - 20.0 * sync_wave(GOOD) * odd
    assert state_of(GOOD, wave) != "locked"


def test_a_shallow_step_down_from_a_slope_is_no_sync() -> None:
    before_us = LINE_525_US - times(GOOD)[1]
    slope_mv = np.where(before_us < 1.5, (before_us - 0.65) * 40.0, 0.0)
    assert state_of(GOOD, luma(GOOD, white(700.0), 80.0) + slope_mv) != "locked"


@pytest.mark.parametrize("depth_mv", [40.0, 80.0, 100.0, 120.0])
def test_below_a_sync_that_noise_hides_blanking_still_tells_the_lines(depth_mv: float) -> None:
    made = Made(noise_mv=25.0)
    assert state_of(made, luma(made, white(700.0), depth_mv)) == "blanking-only"
