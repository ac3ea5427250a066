"""Two marks against each other."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kept_marks import a_stage, made_reading, new_mark
from peakwhite.daemon.book import BookReader, BookWriter
from peakwhite.daemon.book.comparison import Comparison, Side, compare
from peakwhite.daemon.measure.level_budget import LevelBudget
from peakwhite.daemon.measure.reading import reading_object
from peakwhite.daemon.measure.uncertainty import Item

SCOPE = "PEAKWHITE,SIM,SN1,0"
OTHER_SCOPE = "PEAKWHITE,SIM,SN2,0"


def side(red_mv: float, identity: str = SCOPE, **channel: Any) -> Side:
    """A mark of a real reading, from a scope of that identity; what is said of its first channel may be changed."""
    reading = reading_object(made_reading(red_mv))
    first, *rest = reading["channels"]
    reading = reading | {"scope": {"identity": identity, "resource": None}, "channels": [first | channel, *rest]}
    return Side(reading, made_reading(red_mv).measured.budgets)


def red_of(comparison: Comparison) -> Any:
    return next(one for one in comparison.levels if one.role == "red")


def with_items(given: Side, items: Sequence[Item]) -> Side:
    budgets = tuple(replace(one, items=tuple(items)) if one.role == "red" else one for one in given.budgets)
    return replace(given, budgets=budgets)


def budget(given: Side) -> LevelBudget:
    return next(one for one in given.budgets if one.role == "red")


def test_every_role_has_both_levels_their_change_and_ratio() -> None:
    compared = compare(side(750.0), side(700.0))
    assert [one.role for one in compared.levels] == ["red", "green", "blue"]
    red = red_of(compared)
    assert (red.before_mv, red.after_mv) == (pytest.approx(750.0, abs=1.0), pytest.approx(700.0, abs=1.0))
    assert red.change_mv == pytest.approx(-50.0, abs=1.0)
    assert red.percent == pytest.approx(100.0 * 700.0 / 750.0, abs=0.2)


def test_on_the_same_scope_channel_and_range_the_gain_drops_out() -> None:
    """A level on a 3 % scope is known to 3 %, the ratio of two to what noise, linearity and terminators leave."""
    same, other = red_of(compare(side(750.0), side(700.0))), red_of(compare(side(750.0), side(700.0, OTHER_SCOPE)))
    assert (same.same_way, other.same_way) == (True, False)
    assert same.u95_percent < 1.5
    assert 3.0 < other.u95_percent < 6.0


def test_the_uncertainty_of_a_ratio_is_that_of_its_parts_by_hand() -> None:
    """Two normals of 3 and 4 mV on 800 and 1000 mV, and a gain that both share: root((3/800)^2 + (4/1000)^2) times 1.96."""
    gain = Item("scope gain ±3 %", "per-channel", "rectangular", 30.0, "gain")
    noise = Item("noise", "random", "normal", 3.0, "noise")
    before = with_items(side(750.0), [noise, gain])
    after = with_items(side(700.0), [replace(noise, size_mv=4.0), gain])
    budgets = [replace(budget(before), level_mv=800.0), replace(budget(after), level_mv=1000.0)]
    red = red_of(compare(replace(before, budgets=budgets[:1]), replace(after, budgets=budgets[1:])))
    assert red.percent == pytest.approx(125.0)
    expected = 125.0 * 1.959964 * ((3.0 / 800.0) ** 2 + (4.0 / 1000.0) ** 2) ** 0.5
    assert red.u95_percent == pytest.approx(expected, rel=1e-4)


def test_what_is_common_to_both_drops_out_even_from_another_scope() -> None:
    common = Item("meter", "common", "rectangular", 20.0)
    noise = Item("noise", "random", "normal", 1.0, "noise")
    before, after = side(750.0), side(750.0, OTHER_SCOPE)
    without = red_of(compare(with_items(before, [noise]), with_items(after, [noise])))
    both = red_of(compare(with_items(before, [noise, common]), with_items(after, [noise, common])))
    one = red_of(compare(with_items(before, [noise, common]), with_items(after, [noise])))
    assert both.u95_percent == pytest.approx(without.u95_percent, rel=1e-6)
    assert one.u95_percent > 2.0


def test_another_range_or_correction_is_another_way() -> None:
    before = side(750.0)
    path = budget(before).path
    assert path is not None
    for changed in (
        replace(budget(before), path=replace(path, volts_per_state=2.0 * path.volts_per_state)),
        replace(budget(before), calibration=1.01),
        replace(budget(before), channel="CH2"),
        replace(budget(before), path=None),
    ):
        assert not red_of(compare(before, replace(before, budgets=(changed,)))).same_way


def test_scopes_without_a_serial_number_are_not_taken_for_the_same() -> None:
    unnamed = "PEAKWHITE,SIM,0,0"
    assert not red_of(compare(side(750.0, unnamed), side(700.0, unnamed))).same_way


def test_a_clipped_level_is_a_bound_and_has_no_ratio() -> None:
    red = red_of(compare(side(750.0), side(700.0, clipped=True)))
    assert (red.percent, red.u95_percent) == (None, None)
    assert red.change_mv == pytest.approx(-50.0, abs=1.0)


def test_a_held_level_goes_with_the_uncertainty_that_was_told_of_it() -> None:
    red = red_of(compare(side(750.0), side(700.0, held=True)))
    assert red.held and not red.same_way
    assert red.u95_percent == pytest.approx(2**0.5 * 3.0, abs=0.8)


def test_a_role_that_only_one_has_is_told_without_a_ratio() -> None:
    after = side(700.0, peak_white_mv=None)
    red = red_of(compare(side(750.0), after))
    assert (red.after_mv, red.percent, red.change_mv) == (None, None, None)
    assert red.before_mv == pytest.approx(750.0, abs=1.0)


@pytest.mark.parametrize("level_mv", [0.0, -3.0])
def test_no_ratio_is_told_of_a_level_that_is_none(level_mv: float) -> None:
    assert red_of(compare(side(750.0, peak_white_mv=level_mv, held=True), side(700.0))).percent is None


def test_the_match_of_both_is_told() -> None:
    compared = compare(side(750.0), side(700.0))
    assert compared.match_before is not None and compared.match_after is not None
    assert compared.match_before["highest"] == "red"
    assert compared.match_before["spread_mv"] == pytest.approx(50.0, abs=2.0)
    assert compared.match_after["spread_mv"] == pytest.approx(14.0, abs=2.0)


@given(st.floats(100.0, 1500.0), st.floats(100.0, 1500.0))
def test_a_ratio_and_its_inverse_are_equally_sure(before_mv: float, after_mv: float) -> None:
    one, other = side(750.0), side(700.0)
    ends = [
        replace(one, budgets=(replace(budget(one), level_mv=before_mv),)),
        replace(other, budgets=(replace(budget(other), level_mv=after_mv),)),
    ]
    forth, back = red_of(compare(*ends)), red_of(compare(*ends[::-1]))
    assert forth.percent * back.percent == pytest.approx(1e4)
    assert forth.u95_percent / forth.percent == pytest.approx(back.u95_percent / back.percent, rel=1e-3)


def test_marks_of_a_book_are_compared_from_what_it_holds(writer: BookWriter, reader: BookReader) -> None:
    stage = a_stage(writer)
    numbers = [
        writer.keep_mark(new_mark(stage, float(n), red_mv=level, captured=False))
        for n, level in enumerate((750.0, 700.0))
    ]
    kept = reader.compare(*numbers)
    measured = [
        Side(reading_object(made_reading(level)), made_reading(level).measured.budgets) for level in (750.0, 700.0)
    ]
    assert kept == compare(*measured)
