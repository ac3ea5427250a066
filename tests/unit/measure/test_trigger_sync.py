"""A sync that only triggers: believed where blanking agrees with it, let go where it does not."""

from dataclasses import replace

import numpy as np
import pytest

from made_video import (
    LINE_525_US,
    LINE_625_US,
    Made,
    Raster,
    capture_of,
    digitised,
    luma,
    picture_wave,
    rgb_sync,
    steps,
    white,
)
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import Clip, Hookup
from peakwhite.daemon.measure.reading import Measured
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture
from peakwhite.drivers.errors import UsageError

COLOURS = (Clip("CH1", "red"), Clip("CH2", "green"), Clip("CH3", "blue"))
ON_EXT = Conditions(Hookup((*COLOURS, Clip("EXT", "sync"))))
RASTERS = {
    "525/60": Raster(period_us=LINE_525_US, blanking_end_us=9.4),
    "625/50": Raster(period_us=LINE_625_US, blanking_end_us=10.4),
    "unknown": Raster(period_us=31.778, sync_us=3.8, blanking_end_us=5.7, front_porch_us=0.64),
}


def without_sync(made: Made, late_us: float = 0.0, triggered_by: str | None = None) -> Capture:
    """Three pictures; the trigger came `late_us` after the second line's 0H."""
    capture = rgb_sync(made, white(710.0), white(690.0), white(650.0))
    zero_us = made.raster.first_us + made.raster.period_us + late_us
    first_s = -zero_us * 1e-6
    return replace(capture, channels=capture.channels[:3], first_sample_s=first_s, triggered_by=triggered_by)


@pytest.mark.parametrize("system", list(RASTERS))
@pytest.mark.parametrize("late_us", [0.0, 0.3, -0.3])
def test_the_trigger_places_the_lines_and_blanking_says_how_far_apart_they_are(system: str, late_us: float) -> None:
    made = Made(raster=RASTERS[system])
    measured = measure_capture(without_sync(made, late_us), ON_EXT)
    sync = measured.sync
    assert (sync.state, sync.channel, sync.system) == ("locked", "EXT", system)
    assert sync.line_period_us == pytest.approx(made.raster.period_us, rel=1e-4)
    assert (sync.sync_width_us, sync.jitter_ns) == (None, None)
    assert sync.lines >= 5
    assert levels(measured) == pytest.approx([710.0, 690.0, 650.0], abs=2.0)
    assert not {"no-sync", "sync-not-found"} & {hint.code for hint in measured.hints}


PICTURES = {
    "black borders": steps([0.0, 700.0, 700.0, 0.0]),
    "one box": steps([0.0, 0.0, 700.0, 0.0, 0.0, 0.0]),
    "bars": steps([700.0, 0.0, 700.0, 0.0, 700.0, 0.0, 700.0, 0.0]),
    "two boxes half a line apart": steps([0.0, 700.0, 0.0, 700.0, 0.0], start_us=9.2, end_us=62.8),
    "falling staircase": steps([700.0, 560.0, 420.0, 280.0, 140.0, 0.0]),
}


@pytest.mark.parametrize("name", list(PICTURES))
def test_a_picture_with_black_in_it_has_the_right_line_period(name: str) -> None:
    made = Made(Raster(first_us=4.0))
    shown = [digitised(made, f"CH{n}", picture_wave(made, PICTURES[name]), n) for n in (1, 2, 3)]
    capture = replace(capture_of(made, *shown), first_sample_s=-(4.0 + LINE_525_US) * 1e-6)
    measured = measure_capture(capture, ON_EXT)
    assert (measured.sync.state, measured.sync.channel) == ("locked", "EXT")
    assert measured.sync.line_period_us == pytest.approx(LINE_525_US, rel=3e-4)
    assert measured.channels[0].peak_white_mv == pytest.approx(700.0, abs=2.0)


def levels(measured: Measured) -> list[float | None]:
    return [one.peak_white_mv for one in measured.channels]


@pytest.mark.parametrize("late_us", [20.0, -15.0, LINE_525_US / 2])
def test_a_trigger_within_the_picture_is_no_line_sync(late_us: float) -> None:
    measured = measure_capture(without_sync(Made(), late_us), ON_EXT)
    assert (measured.sync.state, measured.sync.channel) == ("blanking-only", "CH1")
    tests = {hint.code: hint.test for hint in measured.hints}
    assert tests["sync-not-found"].endswith(" With sync on EXT, time 0 of the record has to be its trigger.")


def test_without_blanking_the_trigger_alone_is_none() -> None:
    made = Made()
    flat = [digitised(made, name, np.full(made.samples, 500.0)) for name in ("CH1", "CH2", "CH3")]
    assert measure_capture(capture_of(made, *flat), ON_EXT).sync.state == "none"


@pytest.mark.parametrize("picture_lines", [0, 3])
@pytest.mark.parametrize(("triggered_by", "state"), [("EXT", "vertical-interval"), ("forced", "none"), (None, "none")])
def test_two_lines_without_picture_are_the_vertical_interval_where_ext_surely_triggered(
    picture_lines: int, triggered_by: str | None, state: str
) -> None:
    made = Made()
    wave = picture_wave(made, PICTURES["bars"])
    wave[round((picture_lines * made.raster.period_us + made.raster.first_us) * 1e3 / made.sample_ns) :] = 0.0
    shown = [digitised(made, name, wave, number) for number, name in enumerate(("CH1", "CH2", "CH3"), 1)]
    capture = replace(capture_of(made, *shown), first_sample_s=-250e-6, triggered_by=triggered_by)
    measured = measure_capture(capture, ON_EXT)
    assert measured.sync.state == state
    assert ("no-sync" in {hint.code for hint in measured.hints}) is (state == "none")
    assert measured.sync.channel == ("EXT" if state == "vertical-interval" else None)
    assert (measured.sync.line_period_us, measured.sync.system) == (None, None)
    assert [one.peak_white_mv for one in measured.channels] == [None, None, None]


def test_a_picture_channel_without_a_stretch_of_blanking_is_not_in_the_vertical_interval() -> None:
    made = Made()
    shown = [digitised(made, name, np.full(made.samples, 300.0), n) for n, name in enumerate(("CH1", "CH2", "CH3"), 1)]
    square = digitised(made, "CH1", 700.0 * (np.arange(made.samples, dtype=np.float64) // 400 % 2), 1)
    capture = replace(capture_of(made, square, *shown[1:]), first_sample_s=-250e-6, triggered_by="EXT")
    assert measure_capture(capture, ON_EXT).sync.state == "none"


@pytest.mark.parametrize(
    ("clip", "triggered_by", "believed"),
    [
        ("EXT", None, True),
        ("EXT", "EXT", True),
        ("EXT", "CH1", False),
        ("CH4", "CH4", True),
        ("CH4", None, False),
        ("CH4", "EXT", False),
    ],
)
def test_only_what_triggered_is_taken_for_the_trigger(clip: str, triggered_by: str | None, believed: bool) -> None:
    conditions = Conditions(Hookup((*COLOURS, Clip(clip, "hsync"))))
    measured = measure_capture(without_sync(Made(), triggered_by=triggered_by), conditions)
    assert measured.sync.state == ("locked" if believed else "blanking-only")


def test_a_recorded_sync_goes_before_one_that_triggers() -> None:
    made = Made()
    capture = rgb_sync(made, white(710.0), white(690.0), white(650.0))
    conditions = Conditions(Hookup((*COLOURS, Clip("CH4", "sync"), Clip("EXT", "hsync"))))
    assert measure_capture(capture, conditions).sync.channel == "CH4"


def test_a_trigger_that_does_not_fit_leaves_sync_on_luma() -> None:
    made = Made()
    capture = capture_of(made, digitised(made, "CH1", luma(made, steps([700.0, 350.0, 0.0, 350.0]))))
    conditions = Conditions(Hookup((Clip("CH1", "luma"), Clip("EXT", "sync"))))
    assert measure_capture(replace(capture, first_sample_s=-25e-6), conditions).sync.channel == "CH1"


def test_lines_before_and_after_a_trigger_outside_the_record_are_placed_too() -> None:
    made = Made()
    capture = without_sync(made)
    far = replace(capture, first_sample_s=capture.first_sample_s + 4 * made.raster.period_us * 1e-6)
    measured = measure_capture(far, ON_EXT)
    assert measured.sync.state == "locked"
    assert levels(measured) == pytest.approx([710.0, 690.0, 650.0], abs=2.0)


def test_ext_carries_line_sync_and_nothing_else() -> None:
    with pytest.raises(UsageError, match="EXT cannot be red"):
        Hookup((Clip("EXT", "red"),))
    assert ON_EXT.hookup.recorded.channels == ("CH1", "CH2", "CH3")
