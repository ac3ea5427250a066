"""Another unit is never taken for the one that is named."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench_readings import a_reading
from peakwhite.daemon.keeping.traits import Traits, difference, joined, traits_of
from peakwhite.daemon.keeping.unit_on_bench import AWAY_S, COMPARED_S, UNSEEN_S, UnitOnBench

THIS = traits_of(a_reading())
LIKE_IT = traits_of(a_reading({"CH1": 750.4, "CH2": 713.8, "CH3": 700.2}))
OTHERS = {
    "level": traits_of(a_reading({"CH1": 742.0, "CH2": 714.0, "CH3": 700.0})),
    "line rate": traits_of(a_reading(period_us=63.7)),
    "blanking": traits_of(a_reading(blanking_mv=25.0)),
}


class Bench:
    """Ten readings a second."""

    def __init__(self) -> None:
        self.unit = UnitOnBench()
        self.s = 0.0
        self.shows(THIS, 1.0)

    def shows(self, traits: Traits, for_s: float) -> None:
        self._for(for_s, lambda: self.unit.synced(traits, self.s))

    def no_sync(self, for_s: float) -> None:
        self._for(for_s, lambda: self.unit.unsynced(self.s))

    def no_scope(self, for_s: float) -> None:
        self.unit.unseen(self.s)
        self.s += for_s

    @property
    def asks(self) -> str | None:
        question = self.unit.question(self.s)
        return None if question is None else question.text

    def _for(self, for_s: float, step: Callable[[], None]) -> None:
        for _ in range(round(for_s * 10)):
            step()
            self.s += 0.1


def test_nothing_is_asked_of_a_unit_that_stays() -> None:
    bench = Bench()
    bench.shows(OTHERS["level"], 5.0)
    assert bench.asks is None


def test_sync_that_was_away_for_long_asks_even_where_the_same_is_back() -> None:
    bench = Bench()
    bench.no_sync(AWAY_S + 1.0)
    bench.shows(THIS, 0.1)
    assert bench.asks == "sync was away for 4 s and is back"


def test_while_sync_is_away_for_long_it_is_asked_too() -> None:
    bench = Bench()
    bench.no_sync(AWAY_S - 0.5)
    assert bench.asks is None
    bench.no_sync(2.0)
    question = bench.unit.question(bench.s)
    assert question is not None and not question.is_back


def test_a_contact_that_fails_for_a_moment_asks_nothing() -> None:
    bench = Bench()
    for _ in range(20):
        bench.no_sync(0.5)
        bench.shows(LIKE_IT, 3.0)
    assert bench.asks is None


def test_another_unit_is_noticed_through_a_slow_scope_too() -> None:
    unit = UnitOnBench()
    for second in range(3):
        unit.synced(THIS, 2.1 * second)
    unit.unsynced(6.3)
    for second in range(3):
        unit.synced(OTHERS["level"], 8.3 + 2.1 * second)
    assert unit.question(13.0) is not None


@pytest.mark.parametrize("what", OTHERS)
def test_another_unit_that_is_back_within_a_moment_is_noticed(what: str) -> None:
    bench = Bench()
    bench.no_sync(1.5)
    bench.shows(OTHERS[what], COMPARED_S)
    assert bench.asks is not None and "for a moment" in bench.asks


def test_one_odd_reading_while_contact_is_being_made_asks_nothing() -> None:
    bench = Bench()
    bench.no_sync(0.5)
    bench.shows(OTHERS["level"], 0.1)
    bench.shows(THIS, 3.0)
    assert bench.asks is None


@pytest.mark.parametrize("answer", ["same", "other"])
def test_an_answer_ends_the_question(answer: str) -> None:
    bench = Bench()
    bench.no_sync(10.0)
    bench.shows(OTHERS["level"], 1.0)
    getattr(bench.unit, answer)()
    bench.shows(OTHERS["level"], 10.0)
    assert bench.asks is None


def test_a_question_stays_open_whatever_sync_does() -> None:
    bench = Bench()
    bench.no_sync(10.0)
    bench.shows(THIS, 1.0)
    bench.no_sync(0.5)
    bench.shows(THIS, 100.0)
    assert bench.asks is not None


def test_the_next_unit_named_before_it_is_plugged_in_asks_nothing() -> None:
    bench = Bench()
    bench.no_sync(10.0)
    bench.unit.other()
    bench.no_sync(10.0)
    bench.shows(OTHERS["level"], 5.0)
    assert bench.asks is None


def test_a_dead_unit_that_is_said_to_be_the_same_is_asked_about_once_it_lives() -> None:
    bench = Bench()
    bench.no_sync(10.0)
    bench.unit.same()
    bench.no_sync(100.0)
    assert bench.asks is None
    bench.shows(THIS, 0.1)
    assert bench.asks is not None


def test_a_scope_that_was_gone_for_a_moment_asks_nothing() -> None:
    bench = Bench()
    bench.no_scope(UNSEEN_S - 1.0)
    bench.no_sync(0.3)
    bench.shows(THIS, 3.0)
    assert bench.asks is None


def test_a_scope_that_was_gone_for_long_or_shows_another_unit_asks() -> None:
    for gone_s, back in ((UNSEEN_S + 1.0, THIS), (5.0, OTHERS["level"])):
        bench = Bench()
        bench.no_scope(gone_s)
        bench.shows(back, 1.0)
        assert bench.asks is not None


def test_a_bench_on_which_no_unit_was_yet_asks_nothing() -> None:
    unit = UnitOnBench()
    unit.unsynced(0.0)
    unit.synced(THIS, 100.0)
    assert unit.question(100.0) is None


@given(st.lists(st.tuples(st.booleans(), st.floats(0.01, 10.0)), max_size=60))
def test_however_sync_comes_and_goes_a_long_absence_never_goes_unasked(steps: list[tuple[bool, float]]) -> None:
    unit, now_s, away_s, longest_s = UnitOnBench(), 0.0, None, 0.0
    unit.synced(THIS, now_s)
    for is_synced, passed_s in steps:
        now_s += passed_s
        if is_synced:
            longest_s = max(longest_s, 0.0 if away_s is None else now_s - away_s)
            away_s = None
            unit.synced(THIS, now_s)
        else:
            away_s = now_s if away_s is None else away_s
            unit.unsynced(now_s)
        away_for_s = 0.0 if away_s is None else now_s - away_s
        assert (unit.question(now_s) is not None) is (max(longest_s, away_for_s) > AWAY_S)


@given(st.dictionaries(st.sampled_from(["CH1", "CH2"]), st.floats(0.0, 2000.0)), st.floats(0.0, 5.0))
def test_what_is_the_same_never_differs_and_differing_is_mutual(levels: dict[str, float], repeat_mv: float) -> None:
    one = traits_of(a_reading(dict(levels), repeat_mv=repeat_mv))
    assert difference(one, one) is None
    assert (difference(one, THIS) is None) is (difference(THIS, one) is None)


def test_levels_that_are_held_are_no_trait_and_old_ones_stand_in() -> None:
    held = traits_of(a_reading(held=True))
    assert not held.levels
    assert joined(THIS, held).levels == THIS.levels
