"""Colour-bar tables beside those of test_published_levels.py, each bar of each channel through the engine.

Red, green and blue of 525 lines at 7.142857 mV an IRE: 75 % is 535.7 mV of 714.3 [C]; luma of 525 lines without setup,
from Y = 0.299 R + 0.587 G + 0.114 B (SMPTE 170M-2004 6.1 [S]): [C]; colour difference at 75 %, from a component level
table [R], reproduced from the equations [C].
"""

import numpy as np
import pytest

from made_video import LINE_625_US, Made, Raster, capture_of, digitised, luma, picture_wave, rgb_sync, steps, sync_wave
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.found_sync import find_sync
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup, Role
from peakwhite.daemon.measure.levels import Probed, measure_levels
from peakwhite.daemon.measure.targets import Conditions

MADE_525 = Made(noise_mv=2.0, lsb_mv=1.0, bits=12)
MADE_625 = Made(raster=Raster(LINE_625_US, 4.7, 10.5, 1.5, 0.2), noise_mv=2.0, lsb_mv=1.0, bits=12)
BARS_525_US, BARS_625_US = (9.2, 62.0), (10.5, 62.5)
ON = {"red": (1, 1, 0, 0, 1, 1, 0, 0), "green": (1, 1, 1, 1, 0, 0, 0, 0), "blue": (1, 0, 1, 0, 1, 0, 1, 0)}
LUMA_525_NO_SETUP_75_MV = (535.7, 474.6, 375.5, 314.5, 221.3, 160.2, 61.1, 0.0)
PB_75_MV = {"N10": (0.0, -262.5, 88.6, -173.9, 173.9, -88.6, 262.5, 0.0), "Beta-type": (0.0, -350.0, 118.1, -231.9, 231.9, -118.1, 350.0, 0.0)}  # fmt: skip
PR_75_MV = {"N10": (0.0, 42.7, -262.5, -219.8, 219.8, 262.5, -42.7, 0.0), "Beta-type": (0.0, 56.9, -350.0, -293.1, 293.1, 350.0, -56.9, 0.0)}  # fmt: skip


@pytest.mark.parametrize("full_mv", [535.7, 714.3])
def test_every_bar_of_red_green_and_blue_of_525_lines(full_mv: float) -> None:
    red, green, blue = (steps([full_mv * on for on in bars], *BARS_525_US) for bars in ON.values())
    capture = rgb_sync(MADE_525, red, green, blue)
    grid = find_sync(capture, Conditions(BENCH_DEFAULT)).grid
    assert grid is not None
    probed = [Probed(record) for record in capture.channels[:3]]
    for levels in measure_levels(probed, capture.seconds_per_sample, grid, subcarrier_hz=None):
        np.testing.assert_allclose(levels.picture_states, (full_mv, 0.0), atol=1.0)


def test_all_eight_luma_bars_of_525_lines_without_setup() -> None:
    wave = luma(MADE_525, steps(list(LUMA_525_NO_SETUP_75_MV), *BARS_525_US))
    capture = capture_of(MADE_525, digitised(MADE_525, "CH1", wave))
    grid = find_sync(capture, Conditions(Hookup((Clip("CH1", "luma"),)))).grid
    assert grid is not None
    found = measure_levels([Probed(capture.channels[0])], capture.seconds_per_sample, grid, subcarrier_hz=None)[0]
    np.testing.assert_allclose(found.picture_states, LUMA_525_NO_SETUP_75_MV, atol=1.0)


@pytest.mark.parametrize("scale", ["N10", "Beta-type"])
@pytest.mark.parametrize("role", ["pb", "pr"])
def test_the_peaks_of_colour_difference_bars(role: Role, scale: str) -> None:
    bars_mv = (PB_75_MV if role == "pb" else PR_75_MV)[scale]
    made = Made(raster=MADE_625.raster, noise_mv=0.5, lsb_mv=1.0, bits=12, centre_mv=0.0)
    wave = picture_wave(made, steps(list(bars_mv), *BARS_625_US))
    capture = capture_of(made, digitised(made, "CH1", wave), digitised(made, "CH2", -300.0 * sync_wave(made), 2))
    reading = measure_capture(capture, Conditions(Hookup((Clip("CH1", role), Clip("CH2", "sync"))))).channels[0]
    assert reading.peak_white_mv is None
    assert reading.positive_peak_mv == pytest.approx(max(bars_mv), abs=3.0)
    assert reading.negative_peak_mv == pytest.approx(min(bars_mv), abs=3.0)
    assert reading.swing_mv == pytest.approx(max(bars_mv) - min(bars_mv), abs=4.0)
