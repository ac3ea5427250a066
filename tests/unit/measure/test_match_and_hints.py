"""Match of the colours, and what the ratio table says."""

import math

import pytest

from peakwhite.daemon.measure.burst import limiter_droop
from peakwhite.daemon.measure.hints import HINTS, RATIO_TABLE, hint, ratio_hint
from peakwhite.daemon.measure.level_budget import LevelBudget
from peakwhite.daemon.measure.match import match
from peakwhite.daemon.measure.uncertainty import Item

NAN = math.nan


def colours(red: float, green: float, blue: float, *items: Item) -> list[LevelBudget]:
    return [LevelBudget("red", red, items), LevelBudget("green", green, items), LevelBudget("blue", blue, items)]


def gain(pct: float) -> Item:
    return Item("gain", "per-channel", "rectangular", 7.0 * pct)


def test_the_spread_is_from_the_highest_to_the_lowest() -> None:
    found = match(colours(750.0, 714.0, 700.0, gain(3.0)))
    assert found is not None
    assert (found.highest, found.lowest, found.method) == ("red", "blue", "untied")
    assert found.spread_mv == pytest.approx(50.0)


def test_untied_channels_of_three_per_cent_differ_by_up_to_33_mv() -> None:
    """measuring.md: untied 3 % channels differ by up to 33 mV (95 %)."""
    found = match(colours(700.0, 700.0, 700.0, gain(3.0)))
    assert found is not None
    assert found.u95_mv == pytest.approx(33.0, abs=0.5)
    assert found.ok is None


@pytest.mark.parametrize(("blue_mv", "ok"), [(699.0, True), (686.5, None), (660.0, False)])
def test_a_sharp_scope_can_say_whether_the_colours_match(blue_mv: float, ok: bool | None) -> None:
    found = match(colours(700.0, 699.0, blue_mv, gain(0.3)))
    assert found is not None
    assert found.ok is ok


def test_what_is_common_to_all_channels_drops_out() -> None:
    common = Item("pattern", "common", "rectangular", 50.0)
    found = match(colours(700.0, 699.0, 698.0, gain(0.3), common))
    assert found is not None
    assert found.u95_mv is not None
    assert found.u95_mv < 5.0


def test_two_colours_are_no_match() -> None:
    assert match(colours(700.0, 700.0, 700.0)[:2]) is None


@pytest.mark.parametrize(
    ("blue_us", "matched"),
    [(((30.0, 40.0),), True), (((41.0, 50.0), (12.0, 14.0)), True), (((41.0, 50.0),), False), ((), True)],
)
def test_colours_are_matched_where_they_are_white_at_once(
    blue_us: tuple[tuple[float, float], ...], matched: bool
) -> None:
    items = (gain(3.0),)
    levels = [
        LevelBudget("red", 700.0, items, ((10.0, 36.0),)),
        LevelBudget("green", 700.0, items, ((10.0, 20.0), (30.0, 60.0))),
        LevelBudget("blue", 700.0, items, blue_us),
    ]
    assert (match(levels) is not None) is matched


@pytest.mark.parametrize(
    ("factor", "code"),
    [
        (2.0, "termination-missing"),
        (0.80, "fifty-ohm-load"),
        (0.667, "terminated-twice"),
        (0.571, "loads-75-and-50"),
        (10.0, "probe-ratio"),
        (0.1, "probe-ratio"),
    ],
)
def test_sync_and_white_off_by_one_factor_name_the_hookup(factor: float, code: str) -> None:
    for whites in ([factor], [factor * 0.75], [factor * 1.05, factor, factor * 0.98]):
        found = ratio_hint([factor], NAN, whites)
        assert found is not None
        assert found.code == code
        assert "likely" in found.text


def test_white_high_with_sync_right_is_the_unit() -> None:
    assert ratio_hint([1.0], NAN, [1.5]) is None
    assert ratio_hint([1.0], NAN, [2.0]) is None


def test_a_burst_that_disagrees_with_sync_speaks_against_the_hookup() -> None:
    assert ratio_hint([0.8], 1.0, [0.8]) is None
    found = ratio_hint([0.8], 0.8, [0.8])
    assert found is not None
    assert found.code == "fifty-ohm-load"


def test_a_burst_low_by_a_limiter_does_not_speak_against_the_hookup() -> None:
    """One pole at 20 MHz takes 1.6 % from 3.58 MHz and 2.4 % from 4.43 MHz."""
    for factor, code in ((0.8, "fifty-ohm-load"), (2.0 / 3.0, "terminated-twice"), (4.0 / 7.0, "loads-75-and-50")):
        found = ratio_hint([factor], factor * 0.98, [factor])
        assert found is not None
        assert found.code == code
        low = factor * 0.976 * 0.98
        allowed = ratio_hint([factor], low, [factor], burst_droop=0.024)
        assert allowed is not None
        assert allowed.code == code
        assert ratio_hint([factor], low, [factor]) is None


@pytest.mark.parametrize(("hz", "pct"), [(315e6 / 88.0, 1.56), (4_433_618.75, 2.37)])
def test_a_limiters_droop_is_that_of_one_pole(hz: float, pct: float) -> None:
    assert 100.0 * limiter_droop(hz, 20.0) == pytest.approx(pct, abs=0.01)
    assert limiter_droop(hz, None) == limiter_droop(hz, 100.0) == 0.0


def test_a_sync_may_show_the_factor_on_either_of_its_nominal_depths() -> None:
    found = ratio_hint([200.0 / 300.0, 200.0 / 285.7], NAN, [0.7, 0.667, 0.65])
    assert found is not None
    assert found.code == "terminated-twice"


def test_white_at_three_quarters_with_sync_right_is_the_pattern() -> None:
    found = ratio_hint([1.0], NAN, [0.75])
    assert found is not None
    assert found.code == "pattern-white"


@pytest.mark.parametrize("whites", [[1.0, 1.0, 1.0], [0.95, 1.05, 1.0], [0.9, 0.9, 0.9]])
def test_a_unit_near_nominal_gets_no_hint(whites: list[float]) -> None:
    assert ratio_hint([1.0], NAN, whites) is None
    assert ratio_hint([], NAN, whites) is None


def test_without_sync_all_three_colours_must_show_the_factor() -> None:
    found = ratio_hint([], NAN, [2.0, 1.95, 2.05])
    assert found is not None
    assert found.code == "termination-missing"
    assert ratio_hint([], NAN, [2.0, 1.0, 1.0]) is None


def test_every_factor_has_a_sentence_and_a_test() -> None:
    for factor in RATIO_TABLE:
        assert factor.code in HINTS
    for code in HINTS:
        said = hint(code)
        assert said.text.endswith(".")
        assert said.test
