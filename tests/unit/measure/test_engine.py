"""Readings: levels, what they are made of, and what is said when they cannot be had."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from made_video import (
    LINE_525_US,
    Made,
    Raster,
    capture_of,
    composite,
    digitised,
    luma,
    picture_wave,
    ramp,
    rgb_sync,
    steps,
    white,
)
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup, Role
from peakwhite.daemon.measure.reading import ChannelReading, Measured
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture, ChannelRecord, GainSpec

BENCH = Conditions(BENCH_DEFAULT)


def on(role: Role, **more: object) -> Conditions:
    return Conditions(Hookup((Clip("CH1", role),)), **more)  # type: ignore[arg-type]


def channel(measured: Measured, name: str) -> ChannelReading:
    return next(one for one in measured.channels if one.channel == name)


def white_mv(measured: Measured, name: str = "CH1") -> float:
    level = channel(measured, name).peak_white_mv
    assert level is not None
    return level


def codes_of(hints: tuple[object, ...]) -> set[str]:
    return {one.code for one in hints}  # type: ignore[attr-defined]


@pytest.mark.parametrize("seed", range(4))
def test_white_on_each_colour_is_measured_above_blanking(seed: int) -> None:
    measured = measure_capture(rgb_sync(Made(seed=seed), white(750.0), white(714.3), white(700.0)), BENCH)
    for name, level_mv in (("CH1", 750.0), ("CH2", 714.3), ("CH3", 700.0)):
        assert white_mv(measured, name) == pytest.approx(level_mv, abs=1.2)
    assert measured.sync.state == "locked"
    assert measured.sync.channel == "CH4"
    assert measured.sync.system == "525/60"


def test_a_dc_offset_moves_blanking_and_not_the_level() -> None:
    made = Made(centre_mv=500.0)
    wave = picture_wave(made, white(700.0)) + 120.0
    capture = rgb_sync(made, white(0.0), white(0.0), white(0.0))
    moved = replace(capture, channels=(digitised(made, "CH1", wave), *capture.channels[1:]))
    measured = measure_capture(moved, BENCH)
    assert white_mv(measured) == pytest.approx(700.0, abs=1.5)
    assert channel(measured, "CH1").blanking_mv == pytest.approx(120.0, abs=1.5)


def test_the_highest_step_counts_and_not_a_percentile() -> None:
    staircase = steps([714.3 * step / 10 for step in range(11)])
    measured = measure_capture(rgb_sync(Made(), staircase, staircase, staircase), BENCH)
    assert white_mv(measured) == pytest.approx(714.3, abs=1.5)
    assert channel(measured, "CH1").black_mv == pytest.approx(0.0, abs=1.5)


def test_overshoot_and_a_stray_spike_do_not_move_the_level() -> None:
    made = Made()
    wave = picture_wave(made, steps([0.0, 650.0, 0.0]))
    rise = np.flatnonzero(np.diff(wave) > 50.0)
    wave[rise + 2] += 90.0
    wave[6_000] = 1100.0
    capture = rgb_sync(made, white(0.0), white(0.0), white(0.0))
    measured = measure_capture(replace(capture, channels=(digitised(made, "CH1", wave), *capture.channels[1:])), BENCH)
    assert white_mv(measured) == pytest.approx(650.0, abs=1.5)


def test_droop_of_a_coupling_capacitor_is_taken_out() -> None:
    made = Made(samples=24_000)
    wave = picture_wave(made, white(700.0))
    decay = made.sample_ns * 1e-6 / 7.05
    level, drooped = 0.0, np.empty_like(wave)
    for index, value in enumerate(wave):
        level += (value - level) * decay
        drooped[index] = value - level
    capture = rgb_sync(made, white(0.0), white(0.0), white(0.0))
    measured = measure_capture(
        replace(capture, channels=(digitised(made, "CH1", drooped), *capture.channels[1:])), BENCH
    )
    assert white_mv(measured) == pytest.approx(700.0, abs=3.0)


def test_a_ramp_has_no_white() -> None:
    measured = measure_capture(rgb_sync(Made(), ramp(714.3), white(700.0), white(700.0)), BENCH)
    assert channel(measured, "CH1").peak_white_mv is None
    assert "white-not-in-record" in codes_of(channel(measured, "CH1").hints)


def test_a_black_picture_has_no_white_and_is_not_called_dead() -> None:
    measured = measure_capture(rgb_sync(Made(), white(0.0), white(0.0), white(0.0)), BENCH)
    for name in ("CH1", "CH2", "CH3"):
        assert channel(measured, name).peak_white_mv is None
        assert codes_of(channel(measured, name).hints) == {"white-not-in-record"}


def test_a_colour_at_blanking_beside_white_ones_is_called_dead() -> None:
    measured = measure_capture(rgb_sync(Made(), white(0.0), white(700.0), white(700.0)), BENCH)
    assert "channel-dead" in codes_of(channel(measured, "CH1").hints)
    assert "channel-dead" not in codes_of(channel(measured, "CH2").hints)
    assert measured.match is None


def test_a_code_at_the_rail_makes_the_level_a_lower_bound() -> None:
    measured = measure_capture(rgb_sync(Made(centre_mv=-400.0), white(700.0), white(300.0), white(300.0)), BENCH)
    red = channel(measured, "CH1")
    assert red.clipped
    assert "scope-clipping" in codes_of(red.hints)
    assert red.verdict in ("unsure", "over")
    assert red.decidable is False
    assert not channel(measured, "CH2").clipped


def test_without_sync_there_is_a_reading_without_levels() -> None:
    made = Made()
    silence = [digitised(made, f"CH{index}", np.zeros(made.samples), index) for index in range(1, 5)]
    measured = measure_capture(capture_of(made, *silence), BENCH)
    assert measured.sync.state == "none"
    assert "no-sync" in codes_of(measured.hints)
    assert all(one.peak_white_mv is None for one in measured.channels)


def test_luma_carries_its_own_sync() -> None:
    made = Made()
    wave = luma(made, steps([714.3, 400.0, 53.6]))
    measured = measure_capture(capture_of(made, digitised(made, "CH1", wave)), on("luma"))
    reading = channel(measured, "CH1")
    assert white_mv(measured) == pytest.approx(714.3, abs=1.5)
    assert reading.sync_mv == pytest.approx(285.7, abs=2.0)
    assert reading.picture_to_sync == pytest.approx(2.5, abs=0.03)
    assert reading.target == "luma-525"


def test_composite_is_measured_through_full_saturation() -> None:
    made = Made()
    bars = steps([714.3, 639.0, 516.7, 441.4, 326.4, 251.1, 128.9, 53.6])
    chroma = steps([0.0, 295.5, 418.0, 390.1, 390.1, 418.0, 295.5, 0.0])
    measured = measure_capture(capture_of(made, digitised(made, "CH1", composite(made, bars, chroma))), on("composite"))
    reading = channel(measured, "CH1")
    assert white_mv(measured) == pytest.approx(714.3, abs=2.0)
    assert reading.burst_mv_pp == pytest.approx(285.7, abs=6.0)
    assert reading.sync_mv == pytest.approx(285.7, abs=3.0)


def test_a_saturated_field_on_composite_shows_its_luma() -> None:
    made = Made()
    wave = composite(made, white(441.4), white(390.1))
    measured = measure_capture(capture_of(made, digitised(made, "CH1", wave)), on("composite"))
    assert white_mv(measured) == pytest.approx(441.4, abs=2.5)


def test_composite_with_too_few_samples_a_cycle_gets_no_level() -> None:
    made = Made(sample_ns=100.0)
    wave = composite(made, white(700.0), white(0.0))
    measured = measure_capture(capture_of(made, digitised(made, "CH1", wave)), on("composite"))
    assert channel(measured, "CH1").peak_white_mv is None
    assert codes_of(channel(measured, "CH1").hints) == {"sample-rate-too-low"}


def test_sync_on_green_serves_all_colours() -> None:
    made = Made()
    waves = (picture_wave(made, white(700.0)), luma(made, white(714.3)), picture_wave(made, white(690.0)))
    capture = capture_of(made, *(digitised(made, f"CH{n}", wave, n) for n, wave in enumerate(waves, start=1)))
    hookup = Hookup((Clip("CH1", "red"), Clip("CH2", "green"), Clip("CH3", "blue")))
    measured = measure_capture(capture, Conditions(hookup))
    assert measured.sync.channel == "CH2"
    assert [round(white_mv(measured, f"CH{n}")) for n in (1, 2, 3)] == pytest.approx([700, 714, 690], abs=2)
    assert channel(measured, "CH2").sync_mv == pytest.approx(285.7, abs=2.0)
    assert channel(measured, "CH1").sync_mv is None


def test_blanking_alone_gives_levels_and_says_so() -> None:
    made = Made()
    capture = capture_of(made, digitised(made, "CH1", picture_wave(made, white(700.0))))
    measured = measure_capture(capture, on("red"))
    assert measured.sync.state == "blanking-only"
    assert white_mv(measured) == pytest.approx(700.0, abs=2.0)


def test_a_small_patch_is_found_in_a_field() -> None:
    made = Made(samples=250_000, sample_ns=170.0, raster=Raster(lines_per_field=262))

    def patch(t_us: np.ndarray, line: np.ndarray) -> np.ndarray:
        return 700.0 * ((line % 262 > 100) & (line % 262 < 120) & (t_us > 30.0) & (t_us < 36.0))

    measured = measure_capture(rgb_sync(made, patch, patch, patch), BENCH)
    assert white_mv(measured) == pytest.approx(700.0, abs=2.0)
    assert measured.sync.field is not None
    assert measured.sync.field.lines_per_field == 262.0
    assert measured.sync.field.scan == "progressive"


def test_a_white_on_a_minority_of_many_lines_is_not_mixed_with_the_rest() -> None:
    def picture(t_us: np.ndarray, line: np.ndarray) -> np.ndarray:
        return np.where(line < 9, 900.0, 700.0)

    measured = measure_capture(rgb_sync(Made(samples=95_000, centre_mv=500.0), picture, picture, picture), BENCH)
    assert [one.peak_white_mv for one in measured.channels[:3]] == pytest.approx([900.0] * 3, abs=2.0)


def test_lines_of_the_vertical_interval_are_not_picture() -> None:
    made = Made(samples=40_000, raster=Raster(lines_per_field=262, first_us=2 * LINE_525_US))

    def data_line(t_us: np.ndarray, line: np.ndarray) -> np.ndarray:
        return np.where((line % 262 < 17) & (line % 262 > 10), 900.0, 700.0)

    made_wave = picture_wave(replace(made, raster=replace(made.raster, lines_per_field=0)), data_line)
    capture = rgb_sync(made, white(0.0), white(0.0), white(0.0))
    measured = measure_capture(
        replace(capture, channels=(digitised(made, "CH1", made_wave), *capture.channels[1:])), BENCH
    )
    assert white_mv(measured) == pytest.approx(700.0, abs=2.0)


def test_a_75_per_cent_pattern_is_carried_to_full_white() -> None:
    conditions = Conditions(BENCH_DEFAULT, pattern_white_pct=75.0)
    bars = white(0.75 * 714.3)
    at_75 = measure_capture(rgb_sync(Made(), bars, bars, bars), conditions)
    plain = measure_capture(rgb_sync(Made(), bars, bars, bars), BENCH)
    assert white_mv(at_75) == pytest.approx(714.3, abs=2.0)
    assert channel(at_75, "CH1").u95_repeat_mv == pytest.approx(
        4.0 / 3.0 * (channel(plain, "CH1").u95_repeat_mv or 0.0), rel=1e-2
    )
    assert "pattern-white" in codes_of(plain.hints)


def test_setup_is_not_part_of_the_pattern() -> None:
    conditions = on("luma", pattern_white_pct=75.0, chosen={"luma": "luma-525-setup"})
    made = Made()
    wave = luma(made, white(53.6 + 0.75 * (714.3 - 53.6)))
    measured = measure_capture(capture_of(made, digitised(made, "CH1", wave)), conditions)
    assert white_mv(measured) == pytest.approx(714.3, abs=2.0)


def test_the_probe_ratio_multiplies_levels() -> None:
    made = Made(lsb_mv=0.8, centre_mv=40.0, noise_mv=0.4)
    capture = capture_of(made, digitised(made, "CH1", luma(made, white(71.43), 28.57)))
    conditions = Conditions(Hookup((Clip("CH1", "luma", link="probe-10x", probe_ratio=10.0),)))
    assert white_mv(measure_capture(capture, conditions)) == pytest.approx(714.3, abs=2.0)


@pytest.mark.parametrize(
    ("factor", "code"),
    [(2.0, "termination-missing"), (0.8, "fifty-ohm-load"), (0.6667, "terminated-twice")],
)
def test_a_wrong_hookup_is_suspected_first(factor: float, code: str) -> None:
    made = Made(lsb_mv=8.0 * factor, centre_mv=400.0 * factor, noise_mv=4.0 * factor)
    level = white(714.3 * factor)
    measured = measure_capture(rgb_sync(made, level, level, level, 285.7 * factor), BENCH)
    assert code in codes_of(measured.hints)


def test_the_gain_specification_given_replaces_the_assumed_one() -> None:
    capture = rgb_sync(Made(), white(700.0), white(700.0), white(700.0))
    assumed = measure_capture(capture, BENCH)
    given_ = measure_capture(capture, Conditions(BENCH_DEFAULT, gain_spec=GainSpec(1.0)))
    known = measure_capture(replace(capture, gain_spec=GainSpec(1.0)), BENCH)
    remembered = measure_capture(replace(capture, gain_spec=GainSpec(1.0, from_data_sheet=False)), BENCH)
    assert "accuracy-assumed" in codes_of(assumed.hints) & codes_of(remembered.hints)
    assert remembered.channels[0].u95_mv == known.channels[0].u95_mv
    assert "accuracy-assumed" not in codes_of(given_.hints) | codes_of(known.hints)
    assert channel(given_, "CH1").u95_mv == channel(known, "CH1").u95_mv
    assert (channel(given_, "CH1").u95_mv or 99.0) < 0.5 * (channel(assumed, "CH1").u95_mv or 0.0)


def test_three_per_cent_of_full_scale_is_more_than_of_the_reading() -> None:
    capture = rgb_sync(Made(), white(700.0), white(700.0), white(700.0))
    full_scale = measure_capture(capture, Conditions(BENCH_DEFAULT, gain_spec=GainSpec(3.0, "full-scale")))
    assert (channel(full_scale, "CH1").u95_mv or 0.0) == pytest.approx(0.95 * 0.03 * 1600.0, rel=0.03)


def _shifted(record: ChannelRecord, samples: int) -> ChannelRecord:
    return replace(record, codes=record.codes[samples:])


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 1700))
def test_shifting_time_does_not_change_a_level(samples: int) -> None:
    capture = rgb_sync(Made(), white(750.0), white(714.3), white(700.0))
    shifted = replace(capture, channels=tuple(_shifted(one, samples) for one in capture.channels))
    assert white_mv(measure_capture(shifted, BENCH)) == pytest.approx(
        white_mv(measure_capture(capture, BENCH)), abs=1.5
    )


@settings(deadline=None, max_examples=25)
@given(st.floats(0.2, 5.0))
def test_scaling_a_capture_scales_its_levels(factor: float) -> None:
    capture = rgb_sync(Made(), white(750.0), white(714.3), white(700.0))
    scaled = replace(
        capture,
        channels=tuple(
            replace(one, volts_per_code=one.volts_per_code * factor, volts_at_code_zero=one.volts_at_code_zero * factor)
            for one in capture.channels
        ),
    )
    assert white_mv(measure_capture(scaled, BENCH)) == pytest.approx(
        factor * white_mv(measure_capture(capture, BENCH)), rel=1e-3
    )


@settings(deadline=None, max_examples=10)
@given(st.permutations(range(4)))
def test_the_order_of_channels_does_not_matter(order: list[int]) -> None:
    capture = rgb_sync(Made(), white(750.0), white(714.3), white(700.0))
    turned = replace(capture, channels=tuple(capture.channels[index] for index in order))
    before, after = measure_capture(capture, BENCH), measure_capture(turned, BENCH)
    assert {one.channel: one for one in before.channels} == {one.channel: one for one in after.channels}


def test_a_channel_without_a_role_is_listed_without_levels() -> None:
    capture: Capture = rgb_sync(Made(), white(700.0), white(700.0), white(700.0))
    measured = measure_capture(capture, Conditions(Hookup((Clip("CH1", "red"), Clip("CH4", "sync")))))
    assert channel(measured, "CH2").role is None
    assert channel(measured, "CH2").peak_white_mv is None


def test_a_record_within_the_vertical_interval_says_that_no_white_was_in_it() -> None:
    made = Made(samples=4_800, raster=Raster(lines_per_field=262, first_us=-0.2 * LINE_525_US))
    measured = measure_capture(rgb_sync(made, white(700.0), white(700.0), white(700.0)), BENCH)
    assert measured.sync.state == "vertical-interval"
    assert codes_of(channel(measured, "CH1").hints) == {"white-not-in-record"}


@pytest.mark.parametrize("blanking_end_us", [5.4, 5.6, 5.8, 6.0, 6.3, 9.2])
def test_a_picture_that_begins_on_the_back_porch_is_measured_from_blanking_during_sync(blanking_end_us: float) -> None:
    made = Made(raster=Raster(period_us=63.6, blanking_end_us=blanking_end_us, front_porch_us=1.0))
    measured = measure_capture(rgb_sync(made, white(700.0), white(690.0), white(650.0)), BENCH)
    levels = [white_mv(measured, name) for name in ("CH1", "CH2", "CH3")]
    assert levels == pytest.approx([700.0, 690.0, 650.0], abs=1.5)


def test_a_31_khz_computer_has_levels() -> None:
    raster = Raster(1e6 / 31_468.75, sync_us=3.813, blanking_end_us=5.72, front_porch_us=0.636, sync_rise_us=0.05)
    made = Made(raster=raster, sample_ns=16.0)
    measured = measure_capture(rgb_sync(made, white(700.0), white(690.0), white(650.0)), BENCH)
    levels = [white_mv(measured, name) for name in ("CH1", "CH2", "CH3")]
    assert levels == pytest.approx([700.0, 690.0, 650.0], abs=1.5)
    assert measured.sync.system == "unknown"


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("frequency_mhz", [0.51, 1.013, 1.5, 3.3])
def test_an_interferer_of_20_mv_does_not_move_the_level(frequency_mhz: float, seed: int) -> None:
    made = Made(seed=seed, samples=24_000)
    t_us = np.arange(made.samples) * made.sample_ns * 1e-3
    wave = picture_wave(made, white(700.0)) + 10.0 * np.sin(2.0 * np.pi * frequency_mhz * t_us + seed)
    capture = rgb_sync(made, white(700.0), white(700.0), white(700.0))
    measured = measure_capture(replace(capture, channels=(digitised(made, "CH1", wave), *capture.channels[1:])), BENCH)
    assert white_mv(measured) == pytest.approx(700.0, abs=2.0)


def test_clipped_colours_are_not_matched() -> None:
    measured = measure_capture(rgb_sync(Made(centre_mv=-400.0), white(700.0), white(300.0), white(300.0)), BENCH)
    assert measured.match is None


def test_a_named_sync_that_is_missing_is_said_though_blanking_tells_the_lines() -> None:
    made = Made()
    capture = capture_of(made, digitised(made, "CH1", picture_wave(made, white(700.0))))
    assert "sync-not-found" in codes_of(measure_capture(capture, on("luma")).hints)
    assert "sync-not-found" not in codes_of(measure_capture(capture, on("red")).hints)
