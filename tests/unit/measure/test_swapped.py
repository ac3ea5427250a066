"""Exchanged probes: said where bars or sync prove them, and of no picture that could be so by itself."""

from itertools import permutations

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
    steps,
    sync_wave,
    white,
)
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture

BENCH = Conditions(BENCH_DEFAULT)
RED, GREEN, BLUE = (1, 1, 0, 0, 1, 1, 0, 0), (1, 1, 1, 1, 0, 0, 0, 0), (1, 0, 1, 0, 1, 0, 1, 0)


def swapped(capture: Capture) -> set[str]:
    readings = measure_capture(capture, BENCH).channels
    return {one.channel for one in readings if "channels-swapped" in {hint.code for hint in one.hints}}


def bars(colour: tuple[int, ...], top_mv: float = 700.0, end_us: float = 62.0) -> Picture:
    """White at 700 mV, the other bars at `top_mv`; until `end_us`, black after."""
    levels = [(700.0 if place == 0 else top_mv) * bit for place, bit in enumerate(colour)]
    return steps(levels, end_us=end_us)


@pytest.mark.parametrize("order", list(permutations(range(3))))
@pytest.mark.parametrize("top_mv", [700.0, 525.0])
def test_bars_tell_which_colours_are_exchanged(order: tuple[int, int, int], top_mv: float) -> None:
    red, green, blue = ((RED, GREEN, BLUE)[colour] for colour in order)
    capture = rgb_sync(Made(), bars(red, top_mv), bars(green, top_mv), bars(blue, top_mv))
    assert swapped(capture) == {f"CH{n}" for n, colour in enumerate(order, start=1) if colour != n - 1}


def test_bars_within_a_border_tell_it_too() -> None:
    assert swapped(rgb_sync(Made(), bars(GREEN, end_us=55.0), bars(RED, end_us=55.0), bars(BLUE, end_us=55.0))) == {
        "CH1",
        "CH2",
    }


@pytest.mark.parametrize(
    "pictures",
    [
        (white(700.0), white(700.0), white(700.0)),
        (white(0.0), white(700.0), white(0.0)),
        (steps([700.0, 350.0, 0.0]), steps([700.0, 350.0, 0.0]), steps([700.0, 350.0, 0.0])),
        (steps([0.0, 700.0, 0.0, 0.0]), steps([0.0, 0.0, 700.0, 0.0]), steps([0.0, 0.0, 0.0, 700.0])),
        (bars(RED), bars(GREEN), white(0.0)),
    ],
    ids=["white", "green field", "grey steps", "three bars", "no blue"],
)
def test_other_pictures_say_nothing_of_an_exchange(pictures: tuple[Picture, Picture, Picture]) -> None:
    assert swapped(rgb_sync(Made(), *pictures)) == set()


@pytest.mark.parametrize(
    "picture", [white(700.0), bars(RED), steps([0.0, 700.0, 350.0])], ids=["white", "bars", "steps"]
)
@pytest.mark.parametrize("taken", [1, 2, 3])
def test_sync_on_a_colours_channel_and_picture_on_the_sync_channel_are_exchanged(taken: int, picture: Picture) -> None:
    made = Made()
    shown = [picture_wave(made, picture)] * 3 + [-300.0 * sync_wave(made)]
    shown[taken - 1], shown[3] = shown[3], shown[taken - 1]
    capture = capture_of(made, *(digitised(made, f"CH{n}", wave, n) for n, wave in enumerate(shown, start=1)))
    assert swapped(capture) == {f"CH{taken}", "CH4"}


def test_a_dead_sync_beside_a_black_green_with_sync_is_no_exchange() -> None:
    made = Made()
    waves = (
        picture_wave(made, white(700.0)),
        luma(made, white(0.0)),
        picture_wave(made, white(700.0)),
        np.zeros(made.samples),
    )
    capture = capture_of(made, *(digitised(made, f"CH{n}", wave, n) for n, wave in enumerate(waves, start=1)))
    assert swapped(capture) == set()


def test_a_hookup_that_is_right_is_not_suspected_in_a_whole_field() -> None:
    made = Made(Raster(lines_per_field=262), samples=500_000, sample_ns=80.0)
    assert swapped(rgb_sync(made, bars(RED), bars(GREEN), bars(BLUE))) == set()
