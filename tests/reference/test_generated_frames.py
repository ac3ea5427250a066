"""Frames of a general-purpose generator, through our encoder, to the engine's levels.

The frames are ffmpeg's colour-bar sources (package imageio-ffmpeg). Codes in the middle of each bar become levels by
ITU-R BT.601-5 [S]: Y = 219 E + 16, Cb = 224 x 0.564 (B - Y) + 128, Cr = 224 x 0.713 (R - Y) + 128, with
Y = 0.299 R + 0.587 G + 0.114 B. The encoder is tests/helpers/made_video.py: 700 mV for white, sync -300 mV, raised-cosine
edges of 0.2 us (ITU-R BT.1700 Part B, BT.470-6 [S]).
"""

import subprocess

import imageio_ffmpeg
import numpy as np
import pytest
from numpy.typing import NDArray

from made_video import LINE_625_US, Made, Raster, capture_of, digitised, luma, picture_wave, steps, sync_wave
from peakwhite.daemon.measure.found_sync import find_sync
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.levels import Probed, measure_levels
from peakwhite.daemon.measure.targets import Conditions

WIDTH, HEIGHT = 720, 576
MADE = Made(Raster(LINE_625_US, 4.7, 10.5, 1.5, 0.2), noise_mv=2.0, lsb_mv=1.0, bits=12)
PICTURE_US = (10.5, 62.5)
HALF_A_CODE_MV = 0.5 * 700.0 / 219.0

# White, yellow, cyan, green, magenta, red, blue, black: luma of 625 lines in mV (ITU-R BT.1700 equations [C]).
PUBLISHED_MV = {
    "pal75bars": (700.0, 465.15, 368.02, 308.17, 216.82, 156.97, 59.85, 0.0),
    "pal100bars": (700.0, 620.20, 490.70, 410.90, 289.10, 209.30, 79.80, 0.0),
}
BARS = [(source, 8) for source in PUBLISHED_MV] + [("smptebars", 7)]


def bar_codes(source: str, bars: int) -> NDArray[np.float64]:
    """Y, Cb and Cr in the middle of every bar, shape (3, bars), a quarter down the frame."""
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-f", "lavfi", "-i", f"{source}=size={WIDTH}x{HEIGHT}"]
    command += ["-frames:v", "1", "-pix_fmt", "yuv444p", "-f", "rawvideo", "-"]
    made = subprocess.run(command, capture_output=True, check=True, timeout=60)
    planes = np.frombuffer(made.stdout, np.uint8).reshape(3, HEIGHT, WIDTH)
    middles = np.round((np.arange(bars) + 0.5) * WIDTH / bars).astype(int)
    return planes[:, HEIGHT // 4, middles].astype(np.float64)


def luma_mv(codes: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(700.0 * (codes[0] - 16.0) / 219.0)


def rgb_mv(codes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Red, green and blue, shape (3, bars)."""
    y = luma_mv(codes)
    red = y + 700.0 * (codes[2] - 128.0) / (224.0 * 0.713)
    blue = y + 700.0 * (codes[1] - 128.0) / (224.0 * 0.564)
    return np.stack((red, (y - 0.299 * red - 0.114 * blue) / 0.587, blue))


@pytest.mark.parametrize(("source", "bars"), BARS)
def test_the_luma_of_every_bar_is_the_frames(source: str, bars: int) -> None:
    levels_mv = luma_mv(bar_codes(source, bars))
    record = digitised(MADE, "CH1", luma(MADE, steps(list(levels_mv), *PICTURE_US), 300.0))
    capture = capture_of(MADE, record)
    grid = find_sync(capture, Conditions(Hookup((Clip("CH1", "luma"),)))).grid
    assert grid is not None
    found = measure_levels([Probed(record)], capture.seconds_per_sample, grid, subcarrier_hz=None)[0]
    np.testing.assert_allclose(found.picture_states, levels_mv, atol=1.0)
    if source in PUBLISHED_MV:
        np.testing.assert_allclose(found.picture_states, PUBLISHED_MV[source], atol=1.0 + HALF_A_CODE_MV)


@pytest.mark.parametrize(("source", "bars"), BARS)
def test_red_green_and_blue_are_the_frames(source: str, bars: int) -> None:
    colours_mv = rgb_mv(bar_codes(source, bars))
    waves = [picture_wave(MADE, steps(list(levels_mv), *PICTURE_US)) for levels_mv in colours_mv]
    pictures = [digitised(MADE, f"CH{n}", wave, n) for n, wave in enumerate(waves, start=1)]
    capture = capture_of(MADE, *pictures, digitised(MADE, "CH4", -300.0 * sync_wave(MADE), 4))
    grid = find_sync(capture, Conditions(BENCH_DEFAULT)).grid
    assert grid is not None
    found = measure_levels([Probed(one) for one in pictures], capture.seconds_per_sample, grid, subcarrier_hz=None)
    for levels, levels_mv in zip(found, colours_mv, strict=True):
        lowest_mv, highest_mv = top_mv(levels_mv)
        assert lowest_mv - 1.5 < levels.white_mv < highest_mv + 1.5
        lowest_mv, highest_mv = top_mv(-levels_mv)
        assert lowest_mv - 1.5 < -levels.black_mv < highest_mv + 1.5


def top_mv(levels_mv: NDArray[np.float64]) -> tuple[float, float]:
    """Mean and highest of the bars that a channel holds at its top: codes are rounded, so those lie within three codes."""
    top = levels_mv[levels_mv > levels_mv.max() - 3.0 * 700.0 / 219.0]
    return float(top.mean()), float(top.max())
