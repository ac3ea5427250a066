"""A sync that runs off the scope's range has no depth, whatever is left of it, and says so."""

import pytest

from made_video import Made, capture_of, digitised, luma, rgb_sync, sync_wave, white
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup, Role
from peakwhite.daemon.measure.reading import ChannelReading, Measured
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture

TIPS_OFF = Made(centre_mv=820.0)
"""Its lowest state lies at -204 mV."""


def codes_of(reading: ChannelReading) -> set[str]:
    return {one.code for one in reading.hints}


def one_channel(made: Made, role: Role, white_mv: float = 700.0) -> ChannelReading:
    capture = capture_of(made, digitised(made, "CH1", luma(made, white(white_mv), 290.0)))
    return measure_capture(capture, Conditions(Hookup((Clip("CH1", role),)))).channels[0]


def with_sync_off_the_range(sync_mv: float, lowest_mv: float, made: Made) -> Capture:
    """Red, green and blue of 700 mV, and a sync on a channel that reaches down to `lowest_mv` only."""
    whole = rgb_sync(made, white(700.0), white(700.0), white(700.0))
    off = Made(made.raster, lsb_mv=made.lsb_mv, noise_mv=made.noise_mv, centre_mv=lowest_mv + 128.0 * made.lsb_mv)
    sync = digitised(off, "CH4", -sync_mv * sync_wave(made), 4)
    return capture_of(made, *whole.channels[:3], sync)


@pytest.mark.parametrize("role", ["luma", "green"])
def test_a_sync_below_a_picture_that_runs_off_the_range_has_no_depth(role: Role) -> None:
    reading = one_channel(TIPS_OFF, role)
    assert reading.clipped
    assert reading.peak_white_mv == pytest.approx(700.0, abs=2.0)
    assert reading.sync_mv is None
    assert reading.picture_to_sync is None
    assert "scope-clipping" in codes_of(reading)


def test_a_white_that_runs_off_the_range_leaves_the_sync_below_it_its_depth() -> None:
    reading = one_channel(Made(centre_mv=-400.0), "luma")
    assert reading.clipped
    assert reading.sync_mv == pytest.approx(290.0, abs=2.0)


def sync_reading(measured: Measured) -> ChannelReading:
    return next(one for one in measured.channels if one.role == "sync")


def test_a_sync_channel_that_runs_off_the_range_has_neither_depth_nor_class() -> None:
    measured = measure_capture(with_sync_off_the_range(285.7, -156.0, Made()), Conditions(BENCH_DEFAULT))
    reading = sync_reading(measured)
    assert measured.sync.state == "locked"
    assert reading.clipped
    assert (reading.sync_mv, reading.swing_mv, reading.sync_class) == (None, None, None)
    assert "scope-clipping" in codes_of(reading)


def test_a_sync_channel_within_the_range_has_both() -> None:
    reading = sync_reading(measure_capture(with_sync_off_the_range(285.7, -400.0, Made()), Conditions(BENCH_DEFAULT)))
    assert reading.sync_mv == pytest.approx(285.7, abs=2.0)
    assert reading.sync_class == "75-ohm"
    assert "scope-clipping" not in codes_of(reading)


def test_a_sync_that_runs_off_the_range_is_ttl_where_it_can_be_nothing_else() -> None:
    made = Made(lsb_mv=30.0, noise_mv=15.0)
    reading = sync_reading(measure_capture(with_sync_off_the_range(5000.0, -3000.0, made), Conditions(BENCH_DEFAULT)))
    assert reading.sync_class == "ttl"
    assert reading.swing_mv is None


@pytest.mark.parametrize(("lowest_mv", "told"), [(-260.0, True), (-232.0, False)])
def test_what_is_left_of_a_sync_off_the_range_does_not_tell_a_wrong_load(lowest_mv: float, told: bool) -> None:
    """Sync and white at 0.8 are a 50-ohm load; a sync that the range cuts to about that much is none."""
    depth_mv = 0.8 * 285.7 if told else 285.7
    made = Made(centre_mv=lowest_mv + 1024.0)
    capture = capture_of(made, digitised(made, "CH1", luma(made, white(0.8 * 714.3), depth_mv)))
    hints = measure_capture(capture, Conditions(Hookup((Clip("CH1", "luma"),)))).hints
    assert ("fifty-ohm-load" in {one.code for one in hints}) is told


@pytest.mark.parametrize(("highest_mv", "white_mv", "told"), [(900.0, 535.7, True), (540.0, 714.3, False)])
def test_what_is_left_of_a_white_off_the_range_does_not_tell_a_75_per_cent_pattern(
    highest_mv: float, white_mv: float, told: bool
) -> None:
    made = Made(centre_mv=highest_mv - 127.0 * 8.0)
    capture = capture_of(made, digitised(made, "CH1", luma(made, white(white_mv), 285.7)))
    hints = measure_capture(capture, Conditions(Hookup((Clip("CH1", "luma"),)))).hints
    assert ("pattern-white" in {one.code for one in hints}) is told


@pytest.mark.parametrize("role", ["chroma", "pb", "pr", "sync", "hsync", "vsync", "red", "luma", "composite"])
def test_every_role_is_told_that_it_runs_off_the_range(role: Role) -> None:
    made = Made()
    clips = (Clip("CH1", role), Clip("CH2", "luma"))
    wide = digitised(made, "CH2", luma(made, white(700.0)), 2)
    off = digitised(Made(centre_mv=820.0), "CH1", luma(made, white(700.0)), 1)
    readings = measure_capture(
        capture_of(made, off, wide), Conditions(Hookup(clips[: 1 if role == "luma" else 2]))
    ).channels
    assert "scope-clipping" in codes_of(readings[0])
    assert "scope-clipping" not in codes_of(readings[1])
