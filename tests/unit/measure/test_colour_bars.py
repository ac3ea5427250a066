"""Which colour a channel shows: told by colour bars, whatever the hookup says, and by no other picture."""

from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from made_video import Made, Picture, capture_of, digitised, luma, picture_wave, rgb_sync, steps, sync_wave, white
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.reading import Measured
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture

COLOUR_BITS = {"red": (1, 1, 0, 0, 1, 1, 0, 0), "green": (1, 1, 1, 1, 0, 0, 0, 0), "blue": (1, 0, 1, 0, 1, 0, 1, 0)}
LUMA_MV = [700.0, 620.2, 490.7, 410.9, 289.1, 209.3, 79.8, 0.0]
"""625 without setup, 100 %: 0.299 R + 0.587 G + 0.114 B of 700 mV."""
NO_RED = Hookup((Clip("CH1", "luma"), Clip("CH2", "green"), Clip("CH3", "blue"), Clip("CH4", "sync")))


def bars(role: str, white_mv: float = 700.0, top_mv: float = 700.0) -> Picture:
    levels = [(white_mv if place == 0 else top_mv) * bit for place, bit in enumerate(COLOUR_BITS[role])]
    return steps(levels)


def all_bars(*roles: str, **mv: float) -> Capture:
    first, second, third = (bars(role, **mv) for role in roles)
    return rgb_sync(Made(), first, second, third)


def shown(measured: Measured) -> dict[str, str]:
    return {one.channel: one.role_by_bars for one in measured.channels if one.role_by_bars}


def hinted(measured: Measured) -> list[str]:
    return [hint.text for hint in measured.hints if hint.code == "colour-bars-roles"]


@pytest.mark.parametrize("order", list(permutations(COLOUR_BITS)))
def test_bars_tell_every_channels_colour_under_whatever_hookup(order: tuple[str, str, str]) -> None:
    for hookup in (BENCH_DEFAULT, NO_RED):
        measured = measure_capture(all_bars(*order), Conditions(hookup))
        assert shown(measured) == dict(zip(("CH1", "CH2", "CH3"), order, strict=True))


@settings(max_examples=12, deadline=None)
@given(white_mv=st.floats(400.0, 900.0), part=st.floats(0.7, 1.0))
def test_the_amplitude_of_the_bars_does_not_matter(white_mv: float, part: float) -> None:
    capture = all_bars("blue", "red", "green", white_mv=white_mv, top_mv=part * white_mv)
    assert shown(measure_capture(capture, Conditions(BENCH_DEFAULT))) == {"CH1": "blue", "CH2": "red", "CH3": "green"}


def test_a_hookup_with_another_role_there_is_hinted_with_the_roles_found_and_a_right_one_is_not() -> None:
    capture = all_bars("red", "green", "blue")
    (text,) = hinted(measure_capture(capture, Conditions(NO_RED)))
    assert "CH1 red, CH2 green, CH3 blue" in text
    assert hinted(measure_capture(capture, Conditions(BENCH_DEFAULT))) == []


def test_exchanged_colours_have_their_own_hint_and_not_this_one_too() -> None:
    measured = measure_capture(all_bars("blue", "green", "red"), Conditions(BENCH_DEFAULT))
    assert hinted(measured) == []
    assert {one.channel for one in measured.channels if one.hints and one.role_by_bars != one.role} == {"CH1", "CH3"}


def test_luma_of_the_bars_is_no_colour_beside_the_three() -> None:
    made = Made()
    waves = [*(picture_wave(made, bars(role)) for role in COLOUR_BITS), luma(made, steps(LUMA_MV))]
    capture = capture_of(made, *(digitised(made, f"CH{n}", wave, n) for n, wave in enumerate(waves, start=1)))
    hookup = Hookup((Clip("CH1", "red"), Clip("CH2", "green"), Clip("CH3", "blue"), Clip("CH4", "luma")))
    measured = measure_capture(capture, Conditions(hookup))
    assert shown(measured) == {"CH1": "red", "CH2": "green", "CH3": "blue"}


def test_luma_of_the_bars_is_not_taken_for_green() -> None:
    made = Made()
    waves = [
        picture_wave(made, bars("red")),
        luma(made, steps(LUMA_MV)),
        picture_wave(made, bars("blue")),
        -300.0 * sync_wave(made),
    ]
    capture = capture_of(made, *(digitised(made, f"CH{n}", wave, n) for n, wave in enumerate(waves, start=1)))
    assert shown(measure_capture(capture, Conditions(BENCH_DEFAULT))) == {}


def test_two_probes_on_one_colour_tell_nothing() -> None:
    made = Made()
    waves = [picture_wave(made, bars(role)) for role in ("red", "green", "blue", "blue")]
    waves.append(-300.0 * sync_wave(made))
    capture = capture_of(made, *(digitised(made, f"CH{n}", wave, n) for n, wave in enumerate(waves, start=1)))
    hookup = Hookup((Clip("CH1", "red"), Clip("CH2", "green"), Clip("CH3", "blue"), Clip("CH5", "sync")))
    assert shown(measure_capture(capture, Conditions(hookup))) == {}


@pytest.mark.parametrize("picture", [white(700.0), steps(LUMA_MV), white(0.0)], ids=["white", "grey steps", "black"])
def test_other_pictures_tell_nothing(picture: Picture) -> None:
    measured = measure_capture(rgb_sync(Made(), picture, picture, picture), Conditions(NO_RED))
    assert shown(measured) == {} and hinted(measured) == []
