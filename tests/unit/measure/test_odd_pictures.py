"""Pictures and records at the edge: nothing but one code, sync on every colour, a stray line, whites that never meet."""

from dataclasses import replace

import numpy as np
import pytest

from made_video import (
    Made,
    Picture,
    Raster,
    capture_of,
    digitised,
    luma,
    picture_wave,
    rgb_sync,
    sync_wave,
    white,
)
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.targets import Conditions

BENCH = Conditions(BENCH_DEFAULT)


def on_lines(of_line: dict[int, float], else_mv: float) -> Picture:
    """White whose level is another on some lines."""

    def picture(t_us: np.ndarray, line: np.ndarray) -> np.ndarray:
        level_mv = np.full(t_us.shape, else_mv)
        for number, mv in of_line.items():
            level_mv = np.where(line == number, mv, level_mv)
        return level_mv

    return picture


def test_a_black_picture_without_noise_has_no_white() -> None:
    black = white(0.0)
    measured = measure_capture(rgb_sync(Made(noise_mv=0.0), black, black, black), BENCH)
    assert measured.sync.state == "locked"
    assert [one.peak_white_mv for one in measured.channels[:3]] == [None] * 3


def test_sync_on_all_three_colours_does_not_move_their_blanking() -> None:
    made = Made(centre_mv=200.0)
    records = [digitised(made, f"CH{n}", luma(made, white(700.0)), n) for n in (1, 2, 3)]
    hookup = Hookup((Clip("CH1", "red"), Clip("CH2", "green"), Clip("CH3", "blue")))
    measured = measure_capture(capture_of(made, *records), Conditions(hookup))
    assert [one.peak_white_mv for one in measured.channels] == pytest.approx([700.0] * 3, abs=2.0)


@pytest.mark.parametrize(("usual_mv", "stray_mv"), [(690.0, 400.0), (600.0, 714.0), (300.0, 700.0)])
def test_a_stray_line_of_a_long_record_does_not_move_the_level(usual_mv: float, stray_mv: float) -> None:
    picture = on_lines({14: stray_mv}, usual_mv)
    red = measure_capture(rgb_sync(Made(samples=48_000), picture, picture, picture), BENCH).channels[0]
    assert red.peak_white_mv == pytest.approx(usual_mv, abs=2.0)
    assert red.u95_repeat_mv is not None
    assert red.u95_repeat_mv < 2.0


def test_a_record_whose_thinning_is_in_step_with_its_lines_shows_its_sync_all_the_same() -> None:
    made = Made(Raster(64.0), samples=1_200_000, centre_mv=-100.0)
    sync = digitised(made, "CH1", -285.7 * sync_wave(made))
    measured = measure_capture(capture_of(made, sync), Conditions(Hookup((Clip("CH1", "sync"),))))
    assert measured.sync.state == "locked"
    assert measured.sync.lines > 700


def test_the_swing_of_a_record_in_step_with_its_lines_is_whole() -> None:
    made = Made(Raster(64.0), samples=1_280_000, centre_mv=0.0)
    wave = picture_wave(made, lambda t_us, line: np.where((t_us > 20.0) & (t_us < 24.0), 350.0, -350.0))
    records = (digitised(made, "CH1", wave), digitised(made, "CH4", -285.7 * sync_wave(made), 4))
    conditions = Conditions(Hookup((Clip("CH1", "pb"), Clip("CH4", "sync"))))
    swing_mv = measure_capture(capture_of(made, *records), conditions).channels[0].swing_mv
    assert swing_mv == pytest.approx(700.0, abs=20.0)


def test_colours_that_are_white_on_other_lines_are_not_matched() -> None:
    red, green, blue = (on_lines(dict.fromkeys(range(first, first + 8), 700.0), 0.0) for first in (0, 8, 16))
    measured = measure_capture(rgb_sync(Made(samples=39_000), red, green, blue), BENCH)
    assert [one.peak_white_mv for one in measured.channels[:3]] == pytest.approx([700.0] * 3, abs=2.0)
    assert measured.match is None


def test_a_setup_takes_nothing_off_the_gain_of_what_was_measured() -> None:
    """On a 75 % pattern the gain's part is that of what was measured, times 100/75, whatever set-up the target has."""
    made = Made(centre_mv=200.0)
    capture = capture_of(made, digitised(made, "CH1", luma(made, white(550.0))))
    u95_mv = [
        measure_capture(
            capture,
            replace(Conditions(Hookup((Clip("CH1", "luma"),)), chosen={"luma": target}), pattern_white_pct=75.0),
        )
        .channels[0]
        .u95_mv
        for target in ("luma-525", "luma-525-setup")
    ]
    assert u95_mv[1] == pytest.approx(u95_mv[0], rel=1e-6)
