"""Every suspicion has a case that raises it and one close by that does not."""

from dataclasses import replace

import numpy as np
import pytest

from made_video import (
    LINE_525_US,
    Made,
    Picture,
    Raster,
    capture_of,
    composite,
    digitised,
    luma,
    picture_wave,
    rgb_sync,
    step,
    steps,
    sync_wave,
    times,
    white,
)
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.measure.terminator_test import hints_of, source_ohm_from_open, source_ohm_from_two_loads
from peakwhite.drivers.capture import Capture

BENCH = Conditions(BENCH_DEFAULT)


def raised(capture: Capture, conditions: Conditions = BENCH, channel: str = "CH1") -> set[str]:
    measured = measure_capture(capture, conditions)
    return {one.code for one in next(one for one in measured.channels if one.channel == channel).hints}


def with_red(wave_mv: np.ndarray, made: Made) -> Capture:
    capture = rgb_sync(made, white(700.0), white(700.0), white(700.0))
    return replace(capture, channels=(digitised(made, "CH1", wave_mv), *capture.channels[1:]))


@pytest.mark.parametrize(("lsb_mv", "expected"), [(20.0, True), (8.0, False)])
def test_range_too_coarse(lsb_mv: float, expected: bool) -> None:
    made = Made(lsb_mv=lsb_mv, noise_mv=0.6 * lsb_mv)
    capture = rgb_sync(made, white(700.0), white(700.0), white(700.0))
    assert ("range-too-coarse" in raised(capture)) is expected


@pytest.mark.parametrize(("dc_mv", "expected"), [(400.0, True), (-350.0, True), (200.0, False)])
def test_dc_on_output(dc_mv: float, expected: bool) -> None:
    made = Made(centre_mv=400.0 + dc_mv)
    assert ("dc-on-output" in raised(with_red(picture_wave(made, white(700.0)) + dc_mv, made))) is expected


@pytest.mark.parametrize("coupled", [True, False])
def test_ac_coupled_input(coupled: bool) -> None:
    made = Made(centre_mv=0.0)
    wave = picture_wave(made, white(700.0))
    moved = wave - wave.mean() if coupled else wave
    assert ("ac-coupled-input" in raised(with_red(moved, made))) is coupled


@pytest.mark.parametrize(
    ("picture", "code"),
    [
        (steps([4000.0, 0.0, 4000.0]), "ttl-rgb"),
        (steps([4000.0, 2000.0, 1000.0, 0.0]), "high-impedance-output"),
        (steps([2500.0, 0.0]), "ttl-rgb"),
    ],
)
def test_outputs_not_made_for_75_ohm(picture: Picture, code: str) -> None:
    made = Made(lsb_mv=25.0, centre_mv=2000.0, noise_mv=15.0)
    codes = raised(with_red(picture_wave(made, picture), made))
    assert code in codes
    assert len(codes & {"ttl-rgb", "high-impedance-output"}) == 1


def test_a_75_ohm_output_is_not_taken_for_another_even_without_its_terminator() -> None:
    made = Made(lsb_mv=16.0, centre_mv=800.0)
    capture = rgb_sync(made, white(1428.6), white(1428.6), white(1428.6), 571.0)
    assert not raised(capture) & {"ttl-rgb", "high-impedance-output"}


@pytest.mark.parametrize(
    ("sync_mv", "load", "expected"),
    [(1800.0, "terminator", True), (4000.0, "terminator", True), (4000.0, "none", False), (300.0, "terminator", False)],
)
def test_ttl_sync_into_75_ohm(sync_mv: float, load: str, expected: bool) -> None:
    made = Made(lsb_mv=25.0, centre_mv=0.0, noise_mv=12.0)
    clip = Clip("CH4", "sync", load=load)  # type: ignore[arg-type]
    capture = capture_of(made, digitised(made, "CH4", -sync_mv * sync_wave(made)))
    assert ("ttl-sync-into-75-ohm" in raised(capture, Conditions(Hookup((clip,))), "CH4")) is expected


def uncompensated_white(made: Made, part: float) -> np.ndarray:
    """A white line through a probe whose low-frequency divider is off by `part`, with a time constant of 60 us."""
    _, after_us, _ = times(made)
    rising = step(after_us, 9.2, 0.1) * np.exp(-np.maximum(after_us - 9.2, 0.0) / 60.0)
    return picture_wave(made, white(700.0)) + 700.0 * part * rising * (picture_wave(made, white(1.0)) > 0.5)


@pytest.mark.parametrize(("part", "expected"), [(0.05, True), (-0.05, True), (0.0, False)])
def test_probe_compensation(part: float, expected: bool) -> None:
    made = Made()
    assert ("probe-compensation" in raised(with_red(uncompensated_white(made, part), made))) is expected


def test_a_tilt_on_all_channels_is_not_a_probe() -> None:
    made = Made()
    tilted = [digitised(made, f"CH{n}", uncompensated_white(made, 0.05), n) for n in (1, 2, 3)]
    sync = digitised(made, "CH4", -285.7 * sync_wave(made), 4)
    assert "probe-compensation" not in raised(capture_of(made, *tilted, sync))


@pytest.mark.parametrize(("pedestal_mv", "expected"), [(20.0, True), (0.0, False)])
def test_burst_pedestal(pedestal_mv: float, expected: bool) -> None:
    made = Made(samples=24_000)
    _, after_us, _ = times(made)
    wave = composite(made, white(700.0), white(0.0))
    wave += pedestal_mv * (step(after_us, 5.0, 0.2) - step(after_us, 7.95, 0.2))
    capture = capture_of(made, digitised(made, "CH1", wave))
    assert ("burst-pedestal" in raised(capture, Conditions(Hookup((Clip("CH1", "composite"),))))) is expected


@pytest.mark.parametrize(("lines_at_900", "expected"), [(2, True), (0, False)])
def test_may_be_blanking_line(lines_at_900: int, expected: bool) -> None:
    made = Made(centre_mv=500.0)

    def picture(t_us: np.ndarray, line: np.ndarray) -> np.ndarray:
        return np.where(line < lines_at_900, 900.0, 600.0)

    capture = capture_of(made, digitised(made, "CH1", luma(made, picture)))
    assert ("may-be-blanking-line" in raised(capture, Conditions(Hookup((Clip("CH1", "luma"),))))) is expected


def test_where_the_field_is_known_blanking_lines_are_left_out_instead() -> None:
    made = Made(samples=40_000, centre_mv=500.0, raster=Raster(lines_per_field=262, first_us=2 * LINE_525_US))
    wave = luma(made, white(600.0))
    assert "may-be-blanking-line" not in raised(
        capture_of(made, digitised(made, "CH1", wave)), Conditions(Hookup((Clip("CH1", "luma"),)))
    )


@pytest.mark.parametrize(("red_mv", "expected"), [(1428.0, True), (476.0, True), (640.0, False)])
def test_one_channel_off(red_mv: float, expected: bool) -> None:
    made = Made(lsb_mv=10.0, centre_mv=700.0)
    capture = rgb_sync(made, white(red_mv), white(714.3), white(700.0))
    assert ("one-channel-off" in raised(capture)) is expected
    assert "one-channel-off" not in raised(capture, channel="CH2")


def test_all_channels_off_are_not_one() -> None:
    made = Made(lsb_mv=16.0, centre_mv=800.0)
    assert "one-channel-off" not in raised(rgb_sync(made, white(1428.0), white(1400.0), white(1420.0), 571.0))


@pytest.mark.parametrize("factor", [0.1, 0.097, 10.0, 10.5])
def test_a_probe_ratio_wrong_on_all_probes(factor: float) -> None:
    made = Made(lsb_mv=8.0 * factor, noise_mv=4.0 * factor, centre_mv=300.0 * factor)
    level = white(714.3 * factor)
    measured = measure_capture(rgb_sync(made, level, level, level, 300.0 * factor), BENCH)
    assert "probe-ratio" in {one.code for one in measured.hints}


@pytest.mark.parametrize(
    ("source_ohm", "one_mv", "two_mv", "open_mv"), [(75.0, 700.0, 700.0 * 2 / 3, 1400.0), (0.0, 700.0, 700.0, 700.0), (150.0, 300.0, 180.0, 900.0)]
)  # fmt: skip
def test_two_levels_give_the_source_impedance(source_ohm: float, one_mv: float, two_mv: float, open_mv: float) -> None:
    """V is in proportion to RL/(Rs + RL)."""
    assert source_ohm_from_two_loads(one_mv, two_mv) == pytest.approx(source_ohm, abs=1e-6)
    assert source_ohm_from_open(one_mv, open_mv) == pytest.approx(source_ohm, abs=1e-6)


def test_levels_that_cannot_be_give_no_impedance() -> None:
    assert np.isnan(source_ohm_from_two_loads(700.0, 300.0))
    assert np.isnan(source_ohm_from_two_loads(0.0, 0.0))
    assert np.isnan(source_ohm_from_open(700.0, 600.0))


@pytest.mark.parametrize(("source_ohm", "codes"), [(5.0, ["no-back-termination"]), (75.0, []), (float("nan"), [])])
def test_no_back_termination(source_ohm: float, codes: list[str]) -> None:
    assert [one.code for one in hints_of(source_ohm)] == codes
