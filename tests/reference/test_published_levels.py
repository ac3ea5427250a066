"""Published levels, made by the tests' own generator, measured by the engine.

Sources beside each table; `[S]`, `[R]` and `[C]` as in the project's fact sheet: read in the standard, read in a
secondary source, computed from such.
"""

import numpy as np
import pytest

from made_video import (
    LINE_525_US,
    LINE_625_US,
    Made,
    Raster,
    capture_of,
    composite,
    digitised,
    luma,
    rgb_sync,
    steps,
    white,
)
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.found_sync import find_sync
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.levels import Probed, measure_levels
from peakwhite.daemon.measure.targets import SHIPPED, Conditions

# White, yellow, cyan, green, magenta, red, blue, black.
# SMPTE 170M-2004 tables A.1 to A.4, luma in IRE with 7.5 IRE setup [S], at 7.142857 mV an IRE [C].
LUMA_525_75_MV = (549.1, 492.6, 400.9, 344.5, 258.2, 201.7, 110.1, 53.6)
LUMA_525_100_MV = (714.3, 639.0, 516.7, 441.4, 326.4, 251.1, 128.9, 53.6)
# Chroma peak to peak of the same tables, in IRE [S].
CHROMA_525_75_IRE = (0.0, 62.0675, 87.7363, 81.9253, 81.9253, 87.7363, 62.0675, 0.0)
CHROMA_525_100_IRE = (0.0, 82.7567, 116.9817, 109.2338, 109.2338, 116.9817, 82.7567, 0.0)
# ITU-R BT.1700 Part B equations [C]; the luma column agrees with a component level table [R].
LUMA_625_75_MV = (700.0, 465.15, 368.02, 308.17, 216.82, 156.97, 59.85, 0.0)
LUMA_625_100_MV = (700.0, 620.20, 490.70, 410.90, 289.10, 209.30, 79.80, 0.0)
CHROMA_625_75_MV = (0.0, 470.50, 663.81, 620.09, 620.09, 663.81, 470.50, 0.0)
CHROMA_625_100_MV = (0.0, 627.33, 885.08, 826.79, 826.79, 885.08, 627.33, 0.0)
# SMPTE 170M-2004 table 1 [S]: sync and burst of 525 lines, 40 IRE each; BT.1700 [S]: 300 mV each in 625 lines.
SYNC_525_MV = 285.7
SYNC_625_MV = 300.0

RASTER_625 = Raster(LINE_625_US, 4.7, 10.5, 1.5, 0.2)
MADE_525 = Made(noise_mv=2.0, lsb_mv=1.0, bits=12)
MADE_625 = Made(raster=RASTER_625, noise_mv=2.0, lsb_mv=1.0, bits=12)


def luma_states(
    made: Made, levels_mv: tuple[float, ...], sync_mv: float, start_us: float, end_us: float
) -> list[float]:
    record = digitised(made, "CH1", luma(made, steps(list(levels_mv), start_us, end_us), sync_mv))
    sync = find_sync(capture_of(made, record), Conditions(Hookup((Clip("CH1", "luma"),))))
    assert sync.grid is not None
    return list(
        measure_levels([Probed(record)], made.sample_ns * 1e-9, sync.grid, subcarrier_hz=None)[0].picture_states
    )


@pytest.mark.parametrize("levels_mv", [LUMA_525_75_MV, LUMA_525_100_MV])
def test_all_eight_luma_bars_of_525_lines(levels_mv: tuple[float, ...]) -> None:
    np.testing.assert_allclose(luma_states(MADE_525, levels_mv, SYNC_525_MV, 9.2, 62.0), levels_mv, atol=1.0)


@pytest.mark.parametrize("levels_mv", [LUMA_625_75_MV, LUMA_625_100_MV])
def test_all_eight_luma_bars_of_625_lines(levels_mv: tuple[float, ...]) -> None:
    np.testing.assert_allclose(luma_states(MADE_625, levels_mv, SYNC_625_MV, 10.5, 62.5), levels_mv, atol=1.0)


@pytest.mark.parametrize("amplitude", [75.0, 100.0])
def test_colour_bars_on_red_green_and_blue(amplitude: float) -> None:
    """Red, green and blue are at full amplitude or at blanking (component level table [R]; 100 % = 700 mV)."""
    full_mv = 7.0 * amplitude
    red = steps([full_mv * on for on in (1, 1, 0, 0, 1, 1, 0, 0)], 10.5, 62.5)
    green = steps([full_mv * on for on in (1, 1, 1, 1, 0, 0, 0, 0)], 10.5, 62.5)
    blue = steps([full_mv * on for on in (1, 0, 1, 0, 1, 0, 1, 0)], 10.5, 62.5)
    measured = measure_capture(rgb_sync(MADE_625, red, green, blue, 300.0), Conditions(BENCH_DEFAULT))
    for channel in measured.channels[:3]:
        assert channel.peak_white_mv == pytest.approx(full_mv, abs=1.0)
        assert channel.black_mv == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize(
    ("made", "levels_mv", "chroma_mv_pp", "sync_mv", "burst_us", "subcarrier_hz", "picture_us"),
    [
        (MADE_525, LUMA_525_75_MV, [7.142857 * ire for ire in CHROMA_525_75_IRE], SYNC_525_MV, (5.308, 7.822), 315e6 / 88, (9.2, 62.0)),
        (MADE_525, LUMA_525_100_MV, [7.142857 * ire for ire in CHROMA_525_100_IRE], SYNC_525_MV, (5.308, 7.822), 315e6 / 88, (9.2, 62.0)),
        (MADE_625, LUMA_625_75_MV, list(CHROMA_625_75_MV), SYNC_625_MV, (5.6, 7.856), 4_433_618.75, (10.5, 62.5)),
        (MADE_625, LUMA_625_100_MV, list(CHROMA_625_100_MV), SYNC_625_MV, (5.6, 7.856), 4_433_618.75, (10.5, 62.5)),
    ],
)  # fmt: skip
def test_composite_bars(
    made: Made,
    levels_mv: tuple[float, ...],
    chroma_mv_pp: list[float],
    sync_mv: float,
    burst_us: tuple[float, float],
    subcarrier_hz: float,
    picture_us: tuple[float, float],
) -> None:
    wave = composite(
        made,
        steps(list(levels_mv), *picture_us),
        steps([0.5 * one for one in chroma_mv_pp], *picture_us),
        subcarrier_hz=subcarrier_hz,
        sync_mv=sync_mv,
        burst_mv_pp=sync_mv,
        burst_us=burst_us,
    )
    capture = capture_of(made, digitised(made, "CH1", wave))
    reading = measure_capture(capture, Conditions(Hookup((Clip("CH1", "composite"),)))).channels[0]
    assert reading.peak_white_mv == pytest.approx(levels_mv[0], abs=1.5)
    assert reading.sync_mv == pytest.approx(sync_mv, abs=1.5)
    assert reading.burst_mv_pp == pytest.approx(sync_mv, rel=0.01)
    assert reading.black_mv == pytest.approx(levels_mv[-1], abs=1.5)


@pytest.mark.parametrize(
    ("period_us", "sync_us", "rate_hz", "system"),
    [
        (LINE_525_US, 4.70, 15_734.265, "525/60"),  # SMPTE 170M 11.2 and table 2 [S]
        (LINE_625_US, 4.70, 15_625.0, "625/50"),  # BT.1700 Part B [S]
    ],
)
def test_line_rate_and_sync_width(period_us: float, sync_us: float, rate_hz: float, system: str) -> None:
    made = Made(raster=Raster(period_us=period_us, sync_us=sync_us), samples=50_000)
    sync = measure_capture(rgb_sync(made, white(700.0), white(700.0), white(700.0)), Conditions(BENCH_DEFAULT)).sync
    assert sync.line_rate_hz == pytest.approx(rate_hz, rel=2e-5)
    assert sync.sync_width_us == pytest.approx(sync_us, abs=0.01)
    assert sync.system == system


def test_picture_to_sync_of_both_systems() -> None:
    """10:4 in 525 lines (SMPTE 170M table 1 [S]: 100 and 40 IRE) and 7:3 in 625 (BT.1700 [S]: 700 and 300 mV)."""
    for made, level_mv, sync_mv, ratio in ((MADE_525, 714.3, 285.7, 2.5), (MADE_625, 700.0, 300.0, 7.0 / 3.0)):
        capture = capture_of(made, digitised(made, "CH1", luma(made, white(level_mv), sync_mv)))
        reading = measure_capture(capture, Conditions(Hookup((Clip("CH1", "luma"),)))).channels[0]
        assert reading.picture_to_sync == pytest.approx(ratio, rel=0.005)


def test_shipped_targets_carry_the_published_levels() -> None:
    # SMPTE 170M table 1 [S] at 1000/140 mV an IRE [S/C]; BT.1700 [S].
    ire_mv = 1000.0 / 140.0
    assert SHIPPED["composite-525-setup"].nominal_mv == pytest.approx(100 * ire_mv, abs=0.05)
    assert SHIPPED["composite-525-setup"].setup_mv == pytest.approx(7.5 * ire_mv, abs=0.05)
    assert SHIPPED["composite-525"].sync_mv == pytest.approx(40 * ire_mv, abs=0.05)
    assert SHIPPED["composite-525"].burst_mv_pp == pytest.approx(40 * ire_mv, abs=0.05)
    assert (SHIPPED["composite-625"].nominal_mv, SHIPPED["composite-625"].sync_mv) == (700.0, 300.0)
    assert SHIPPED["composite-625"].burst_mv_pp == 300.0


@pytest.mark.parametrize(
    ("level_mv", "zone"), [(714.0, "on-target"), (750.0, "over"), (720.0, "over"), (601.0, "dim"), (590.0, "too-low")]
)
def test_common_practice_levels_land_in_their_zones(level_mv: float, zone: str) -> None:
    """Common practice, no source: 714 mV is right, 750 mV is too bright, down to about 600 mV is only dimmer."""
    measured = measure_capture(
        rgb_sync(MADE_525, white(level_mv), white(level_mv), white(level_mv)), Conditions(BENCH_DEFAULT)
    )
    assert measured.channels[0].zone == zone
