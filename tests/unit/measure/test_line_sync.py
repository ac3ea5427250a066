"""Line sync is found where there is one, placed to a fraction of a sample, and not found where there is none."""

import math

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
    picture_wave,
    rgb_sync,
    steps,
    sync_wave,
    white,
)
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import Clip, Hookup, Role
from peakwhite.daemon.measure.line_sync import find_blanking, find_line_sync
from peakwhite.daemon.measure.sync_train import LineSync
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import ChannelRecord

FULL_BARS = steps([714.3, 639.0, 516.7, 441.4, 326.4, 251.1, 128.9, 53.6])
FULL_CHROMA = steps([0.0, 295.5, 418.0, 390.1, 390.1, 418.0, 295.5, 0.0])


def on_sync_channel(made: Made) -> LineSync:
    record = rgb_sync(made, white(714.3), white(714.3), white(714.3)).channels[3]
    return find_line_sync(record, made.sample_ns * 1e-9, 1.0, alone=True)


def on_picture(made: Made, wave_mv: np.ndarray) -> LineSync:
    return find_line_sync(digitised(made, "CH1", wave_mv), made.sample_ns * 1e-9, 1.0, alone=False)


@pytest.mark.parametrize("seed", range(5))
def test_edges_lie_where_the_syncs_begin(seed: int) -> None:
    made = Made(seed=seed)
    found = on_sync_channel(made)
    off_us = (found.edges_us - made.raster.first_us) / LINE_525_US
    assert found.state == "locked"
    assert np.max(np.abs(off_us - np.round(off_us))) * LINE_525_US < 0.015
    assert found.width_us == pytest.approx(4.7, abs=0.01)
    assert found.depth_mv == pytest.approx(285.7, abs=1.5)


@pytest.mark.parametrize("sample_ns", [200.0, 100.0, 40.0, 8.0, 1.0])
def test_the_line_period_is_right_at_any_sample_rate(sample_ns: float) -> None:
    found = on_sync_channel(Made(sample_ns=sample_ns, samples=int(600_000 / sample_ns)))
    assert found.period_us == pytest.approx(LINE_525_US, abs=0.004)


@pytest.mark.parametrize(
    ("period_us", "name"),
    [
        (LINE_525_US, "525/60"),
        (1e6 / 15_699.76, "525/60"),
        (1e6 / 15_745.80, "525/60"),
        (64.0, "625/50"),
        (1e6 / 15_611.33, "625/50"),
    ],
)
def test_the_line_rate_names_the_family(period_us: float, name: str) -> None:
    found = on_sync_channel(Made(raster=Raster(period_us=period_us)))
    assert found.system is not None
    assert found.system.name == name


def test_31_khz_lines_are_lines_of_an_unknown_family() -> None:
    raster = Raster(
        period_us=1e6 / 31_468.75, sync_us=3.813, blanking_end_us=5.72, front_porch_us=0.636, sync_rise_us=0.05
    )
    found = on_sync_channel(Made(raster=raster, sample_ns=10.0, samples=30_000))
    assert found.state == "locked"
    assert found.period_us == pytest.approx(31.7776, abs=0.003)
    assert found.system is not None
    assert found.system.name is None


def test_sync_that_goes_up_is_found_too() -> None:
    made = Made()
    record = digitised(made, "CH4", 400.0 + 285.7 * sync_wave(made))
    found = find_line_sync(record, made.sample_ns * 1e-9, 1.0, alone=True)
    assert found.state == "locked"
    assert found.inverted
    assert found.depth_mv == pytest.approx(285.7, abs=1.5)


def test_sync_below_a_picture_is_found() -> None:
    made = Made()
    found = on_picture(made, luma(made, steps([714.3, 400.0, 100.0, 0.0])))
    assert found.state == "locked"
    assert found.depth_mv == pytest.approx(285.7, abs=2.0)


def test_sync_below_full_saturation_is_found_though_colour_reaches_almost_as_low() -> None:
    made = Made()
    found = on_picture(made, composite(made, FULL_BARS, FULL_CHROMA))
    assert found.state == "locked"
    assert found.edges_us.size == 8
    assert found.period_us == pytest.approx(LINE_525_US, abs=0.004)


def test_sync_below_a_black_picture_is_found() -> None:
    made = Made()
    assert on_picture(made, luma(made, white(0.0))).state == "locked"


def test_625_line_bars_with_burst_are_found() -> None:
    made = Made(raster=Raster(LINE_625_US, 4.7, 10.5, 1.5, 0.2))
    bars = steps([700.0, 620.2, 490.7, 410.9, 289.1, 209.3, 79.8, 0.0], 10.5, 62.5)
    chroma = steps([0.0, 313.7, 442.5, 413.4, 413.4, 442.5, 313.7, 0.0], 10.5, 62.5)
    wave = composite(
        made, bars, chroma, subcarrier_hz=4_433_618.75, sync_mv=300.0, burst_mv_pp=300.0, burst_us=(5.6, 7.85)
    )
    found = on_picture(made, wave)
    assert found.state == "locked"
    assert found.period_us == pytest.approx(64.0, abs=0.004)


def test_a_field_tells_how_many_lines_it_has() -> None:
    found = on_sync_channel(Made(samples=250_000, sample_ns=170.0, raster=Raster(lines_per_field=262)))
    np.testing.assert_allclose(np.diff(found.vertical_us) / found.period_us, 262.0, atol=0.02)


@pytest.mark.parametrize("first_line", [-0.2, -1.2])
def test_three_lines_of_a_vertical_interval_are_recognised(first_line: float) -> None:
    raster = Raster(lines_per_field=262, first_us=first_line * LINE_525_US)
    assert on_sync_channel(Made(samples=4_800, raster=raster)).state == "vertical-interval"


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("noise_mv", [2.0, 14.0])
def test_jitter_is_told_without_what_noise_adds_to_it(seed: int, noise_mv: float) -> None:
    made = Made(Raster(jitter_us=0.02), samples=100_000, noise_mv=noise_mv, centre_mv=-100.0, seed=seed)
    record = digitised(made, "CH4", -285.7 * sync_wave(made))
    found = find_line_sync(record, made.sample_ns * 1e-9, 1.0, alone=True)
    assert found.edges_us.size == 63
    assert found.jitter_ns == pytest.approx(20.0, abs=6.0)


@pytest.mark.parametrize("rise_us", [0.005, 0.14, 0.3])
@pytest.mark.parametrize("sample_ns", [8.0, 40.0, 190.0])
@pytest.mark.parametrize("noise_mv", [1.0, 15.0])
def test_neither_noise_nor_sampling_is_taken_for_jitter(rise_us: float, sample_ns: float, noise_mv: float) -> None:
    for seed in range(3):
        raster = Raster(sync_rise_us=rise_us)
        made = Made(raster, sample_ns, int(1_300_000 / sample_ns), noise_mv, centre_mv=-100.0, seed=seed)
        record = digitised(made, "CH4", -285.7 * sync_wave(made))
        found = find_line_sync(record, sample_ns * 1e-9, 1.0, alone=True)
        assert found.state == "locked"
        assert math.isnan(found.jitter_ns)


@pytest.mark.parametrize("jitter_us", [0.0, 0.03])
@pytest.mark.parametrize("role", ["sync", "luma"])
def test_the_line_period_lies_within_its_uncertainty_and_that_is_no_larger_than_needed(
    role: Role, jitter_us: float
) -> None:
    errors, stated = [], []
    for seed in range(120):
        rng = np.random.default_rng((seed, 20))
        raster = Raster(first_us=rng.uniform(3.0, 60.0), jitter_us=jitter_us)
        made = Made(raster, 40.0, int(rng.integers(12_000, 40_000)), rng.uniform(3.0, 20.0), centre_mv=200.0, seed=seed)
        wave = -285.7 * sync_wave(made) + (0.0 if role == "sync" else picture_wave(made, white(600.0)))
        conditions = Conditions(Hookup((Clip("CH1", role),)), time_base_ppm=0.0)
        sync = measure_capture(capture_of(made, digitised(made, "CH1", wave)), conditions).sync
        assert sync.line_period_us is not None
        assert sync.line_period_u95_us is not None
        errors.append(sync.line_period_us - LINE_525_US)
        stated.append(sync.line_period_u95_us)
    assert np.mean(np.abs(errors) <= stated) >= 0.89
    assert 1.96 * np.sqrt(np.mean(np.square(errors))) >= 0.75 * np.sqrt(np.mean(np.square(stated)))


def test_the_time_base_counts_in_the_uncertainty_of_the_line_period() -> None:
    made = Made(samples=100_000, noise_mv=1.0, centre_mv=-100.0)
    capture = capture_of(made, digitised(made, "CH1", -285.7 * sync_wave(made)))
    clip = Hookup((Clip("CH1", "sync"),))
    assumed, said = (
        measure_capture(capture, conditions).sync.line_period_u95_us
        for conditions in (Conditions(clip), Conditions(clip, time_base_ppm=1000.0))
    )
    assert assumed == pytest.approx(0.95 * 100e-6 * LINE_525_US, rel=0.02)
    assert said == pytest.approx(0.95 * 1000e-6 * LINE_525_US, rel=0.01)


@pytest.mark.parametrize(("lines", "told"), [(7, False), (8, True)])
def test_jitter_takes_eight_lines(lines: int, told: bool) -> None:
    made = Made(Raster(jitter_us=0.05), samples=int((lines * LINE_525_US + 10.0) / 0.040), noise_mv=1.0)
    record = digitised(made, "CH4", 300.0 - 285.7 * sync_wave(made))
    found = find_line_sync(record, made.sample_ns * 1e-9, 1.0, alone=True)
    assert found.edges_us.size == lines + 1
    assert math.isfinite(found.jitter_ns) is told


PICTURE = steps([500.0, 300.0, 100.0, 400.0])


def spoilt(spoil_mv: np.ndarray, made: Made, *, alone: bool) -> LineSync:
    """Sync of its own, or luma, to which something was added."""
    wave = spoil_mv - 285.7 * sync_wave(made) + (0.0 if alone else picture_wave(made, PICTURE))
    return find_line_sync(digitised(made, "CH4", wave), made.sample_ns * 1e-9, 1.0, alone=alone)


def unharmed(found: LineSync, edges: int = 8) -> bool:
    """So many edges and all where they belong, and the period with them."""
    lines = (found.edges_us - Raster().first_us) / LINE_525_US
    return (
        found.state == "locked"
        and found.edges_us.size == edges
        and float(np.max(np.abs(lines - np.rint(lines)))) * LINE_525_US < 0.25
        and abs(found.period_us / LINE_525_US - 1.0) < 60e-6
    )


def since_line(made: Made, line: int | None = None) -> np.ndarray:
    """Time after the 0H of that line at every sample, of every line where none is named."""
    after_us = np.arange(made.samples) * made.sample_ns * 1e-3 - made.raster.first_us
    return np.mod(after_us, LINE_525_US) if line is None else after_us - line * LINE_525_US


@pytest.mark.parametrize("alone", [True, False])
@pytest.mark.parametrize("at_us", [-3.0, 5.3, 12.0, 30.0, 57.0])
@pytest.mark.parametrize("length_us", [0.1, 0.5, 0.95])
def test_a_glitch_down_to_the_tip_breaks_nothing(alone: bool, at_us: float, length_us: float) -> None:
    made = Made(centre_mv=200.0)
    x = since_line(made, 4) - at_us
    spoil = np.where((x >= 0.0) & (x < length_us), -(285.7 if alone or not 9.0 < at_us else 600.0), 0.0)
    assert unharmed(spoilt(spoil, made, alone=alone))


@pytest.mark.parametrize("alone", [True, False])
@pytest.mark.parametrize("length_us", [0.5, 0.95])
def test_a_glitch_that_runs_into_a_sync_costs_that_sync_at_most(alone: bool, length_us: float) -> None:
    made = Made(centre_mv=200.0)
    x = since_line(made, 4) + 1.3
    found = spoilt(np.where((x >= 0.0) & (x < length_us), -285.7, 0.0), made, alone=alone)
    assert found.edges_us.size >= 7
    assert unharmed(found, found.edges_us.size)


@pytest.mark.parametrize("alone", [True, False])
@pytest.mark.parametrize("length_us", [0.1, 0.5, 0.95])
@pytest.mark.parametrize("at_us", [1.0, 2.0, 3.0])
def test_a_glitch_up_from_the_tip_breaks_nothing(alone: bool, length_us: float, at_us: float) -> None:
    made = Made(centre_mv=200.0)
    x = since_line(made, 4) - at_us
    assert unharmed(spoilt(np.where((x >= 0.0) & (x < length_us), 285.7, 0.0), made, alone=alone))


@pytest.mark.parametrize("alone", [True, False])
def test_glitches_in_every_tip_break_nothing(alone: bool) -> None:
    made = Made(centre_mv=200.0)
    x = since_line(made) - 2.0
    assert unharmed(spoilt(np.where((x >= 0.0) & (x < 0.3), 285.7, 0.0), made, alone=alone))


@pytest.mark.parametrize("alone", [True, False])
def test_glitches_on_every_line_break_nothing(alone: bool) -> None:
    made = Made(centre_mv=200.0)
    x = since_line(made) - 30.0
    assert unharmed(spoilt(np.where((x >= 0.0) & (x < 0.95), -285.7 - 300.0 * (not alone), 0.0), made, alone=alone))


@pytest.mark.parametrize("alone", [True, False])
@pytest.mark.parametrize("at_us", [7.5, 27.0])
def test_a_doubled_pulse_breaks_nothing(alone: bool, at_us: float) -> None:
    made = Made(centre_mv=200.0)
    x = since_line(made, 4) - at_us
    doubled = np.where((x >= 0.0) & (x < 4.7), -(285.7 if alone or at_us < 9.0 else 585.7), 0.0)
    assert unharmed(spoilt(doubled, made, alone=alone))


@pytest.mark.parametrize("seed", range(8))
def test_a_burst_behind_the_sync_does_not_bend_the_period(seed: int) -> None:
    made = Made(Raster(first_us=3.0 + 7.0 * seed), samples=20_000, noise_mv=1.0, seed=seed)
    found = on_picture(made, composite(made, FULL_BARS, FULL_CHROMA, burst_mv_pp=400.0))
    assert found.period_us == pytest.approx(LINE_525_US, rel=15e-6)


@pytest.mark.parametrize("seed", range(10))
def test_sync_below_a_dark_picture_is_found_in_noise_at_few_samples(seed: int) -> None:
    made = Made(sample_ns=180.0, samples=7_400, noise_mv=285.7 / 10.0 ** (15.0 / 20.0), seed=seed)
    found = on_picture(made, luma(made, white(0.0)))
    assert found.state == "locked"
    assert found.period_us == pytest.approx(LINE_525_US, rel=1e-3)


def test_a_missing_sync_costs_its_lines_only() -> None:
    made = Made()
    t_us = np.arange(made.samples) * made.sample_ns * 1e-3
    wave = -285.7 * sync_wave(made)
    third_us = made.raster.first_us + 3 * LINE_525_US
    wave[(t_us > third_us - 2.0) & (t_us < third_us + 8.0)] = 0.0
    found = find_line_sync(digitised(made, "CH4", wave), made.sample_ns * 1e-9, 1.0, alone=True)
    assert found.state == "locked"
    assert found.line_starts.size == 5
    assert found.period_us == pytest.approx(LINE_525_US, abs=0.004)


def test_blanking_alone_is_recognised_and_said_to_be_that() -> None:
    made = Made()
    record = digitised(made, "CH1", picture_wave(made, white(700.0)))
    found = find_blanking(record, made.sample_ns * 1e-9, 1.0)
    assert found.state == "blanking-only"
    assert found.period_us == pytest.approx(LINE_525_US, abs=0.05)


def _sine(t_us: np.ndarray) -> np.ndarray:
    return 350.0 * np.sin(2.0 * np.pi * t_us / 63.5)


def _square(t_us: np.ndarray) -> np.ndarray:
    return np.where(np.mod(t_us, 63.5) < 31.75, 350.0, -350.0)


def _flat(t_us: np.ndarray) -> np.ndarray:
    return np.zeros(t_us.size)


def _logic(t_us: np.ndarray) -> np.ndarray:
    bits = np.random.default_rng(8).integers(0, 2, 200)
    return np.asarray(350.0 * bits[(t_us / 8.68).astype(int) % 200])


@pytest.mark.parametrize("alone", [True, False])
@pytest.mark.parametrize("wave", [_sine, _square, _flat, _logic])
def test_what_is_not_video_is_not_locked_on(wave: object, alone: bool) -> None:
    assert callable(wave)
    for seed in range(10):
        made = Made(seed=seed)
        record = digitised(made, "CH1", wave(np.arange(made.samples) * made.sample_ns * 1e-3))
        assert find_line_sync(record, made.sample_ns * 1e-9, 1.0, alone=alone).state == "none"


def _sine_25_khz(t_us: np.ndarray) -> np.ndarray:
    return np.asarray(350.0 * np.sin(2.0 * np.pi * t_us / 33.1))


def _switching_ripple(t_us: np.ndarray) -> np.ndarray:
    return np.asarray(300.0 * (2.0 * np.mod(t_us / 40.0, 1.0) - 1.0))


def _wide_square(t_us: np.ndarray) -> np.ndarray:
    return np.where(np.mod(t_us, 63.4) < 26.3, -350.0, 350.0)


@pytest.mark.parametrize("wave", [_sine_25_khz, _switching_ripple, _wide_square, _sine, _square, _logic])
def test_what_is_not_video_is_not_taken_for_blanking_either(wave: object) -> None:
    assert callable(wave)
    made = Made()
    record = digitised(made, "CH1", wave(np.arange(made.samples) * made.sample_ns * 1e-3))
    assert find_blanking(record, made.sample_ns * 1e-9, 1.0).state == "none"
    for alone in (False, True):
        assert find_line_sync(record, made.sample_ns * 1e-9, 1.0, alone=alone).state == "none"


def _vertical_interval_of_625_lines(t_us: np.ndarray) -> np.ndarray:
    """BT.470: 2.5 lines of equalising, 2.5 of broad and 2.5 of equalising pulses, one a half line."""
    half, into_us = np.divmod(t_us - 5.0, 32.0)
    width_us = np.where(np.mod(half, 15) < 5, 2.35, np.where(np.mod(half, 15) < 10, 27.3, 2.35))
    return np.where(into_us < width_us, -300.0, 0.0)


@pytest.mark.parametrize("seed", [2639, 29449, 75428, 90904])
def test_dips_of_noise_that_happen_to_lie_half_lines_apart_are_no_vertical_interval(seed: int) -> None:
    noise = np.rint(np.random.default_rng(seed).normal(100.0, 0.62, 10_000)).astype(np.uint8)
    assert find_line_sync(ChannelRecord("CH1", noise, 0.004, -0.4), 50e-9, 1.0, alone=False).state == "none"


@pytest.mark.parametrize("alone", [True, False])
@pytest.mark.parametrize("samples", [4_000, 8_000, 11_900])
def test_a_record_of_equalising_and_broad_pulses_is_no_31_khz_line(samples: int, alone: bool) -> None:
    made = Made(samples=samples)
    wave = _vertical_interval_of_625_lines(np.arange(made.samples) * made.sample_ns * 1e-3)
    found = find_line_sync(digitised(made, "CH1", wave), made.sample_ns * 1e-9, 1.0, alone=alone)
    assert found.state == "vertical-interval"
    assert found.period_us == pytest.approx(64.0, abs=0.1)


def test_an_empty_and_a_tiny_record_have_no_sync() -> None:
    for size in (0, 1, 5):
        record = ChannelRecord("CH1", np.zeros(size, dtype=np.uint8), 0.008, 0.0)
        found = find_line_sync(record, 40e-9, 1.0, alone=True)
        assert found.state == "none"
        assert math.isnan(found.period_us)
