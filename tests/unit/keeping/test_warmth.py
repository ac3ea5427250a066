"""How long something has been on, and when levels may be believed."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench_readings import a_reading
from peakwhite.daemon.keeping.drift import Drift
from peakwhite.daemon.keeping.level_drifts import LevelDrifts
from peakwhite.daemon.keeping.warmth import COOLS_S, Conditioned, OnTime

STEADY, CREEPING = Drift(0.0, -0.05, 0.05), Drift(-0.4, -0.5, -0.3)


def test_what_was_never_seen_has_no_minutes() -> None:
    assert OnTime().minutes(100.0) is None


@given(st.lists(st.tuples(st.floats(0.0, 500.0), st.booleans()), max_size=40))
def test_minutes_only_grow_while_nothing_is_away_for_long(steps: list[tuple[float, bool]]) -> None:
    on, now_s = OnTime(), 0.0
    on.here(now_s)
    away_s, before = None, 0.0
    for passed_s, is_here in steps:
        now_s += passed_s
        away_s = None if is_here else now_s if away_s is None else away_s
        was_long = is_here and on._away_s is not None and now_s - on._away_s > COOLS_S
        on.here(now_s) if is_here else on.away(now_s)
        minutes = on.minutes(now_s)
        assert minutes is not None
        assert minutes == 0.0 if was_long else minutes == pytest.approx(before + passed_s / 60.0)
        before = minutes


def test_a_moment_without_it_is_no_switching_on() -> None:
    on = OnTime()
    on.here(0.0)
    on.away(600.0)
    on.here(600.0 + COOLS_S)
    assert on.minutes(1200.0) == 20.0


def test_who_switched_it_on_knows_better() -> None:
    on = OnTime()
    on.here(0.0)
    on.said(0.0, minutes_ago=45.0)
    assert on.minutes(60.0) == 46.0


@pytest.mark.parametrize(
    ("unit_min", "scope_min", "drifts", "why"),
    [
        (25.0, 60.0, {"red": STEADY}, None),
        (19.9, 60.0, {"red": STEADY}, "unit has been seen to be on for 20 min"),
        (25.0, 3.0, {}, "scope has been seen to be on for 3 min"),
        (25.0, 60.0, {"red": STEADY, "blue": CREEPING}, "level of blue drifts by -0.4 mV a minute"),
        (None, 60.0, {}, None),
    ],
)
def test_a_mark_is_cold_before_twenty_minutes_and_while_a_level_drifts(
    unit_min: float | None, scope_min: float, drifts: dict[str, Drift], why: str | None
) -> None:
    found = Conditioned(unit_min, scope_min, drifts)
    assert found.of_mark.cold is (why is not None)
    assert (found.why_cold is None) is (why is None)
    assert why is None or why in (found.why_cold or "")


def test_settled_is_said_only_where_every_level_is() -> None:
    assert Conditioned(1.0, 1.0, {"red": STEADY}).is_settled
    assert not Conditioned(1.0, 1.0, {"red": STEADY, "blue": CREEPING}).is_settled
    assert not Conditioned(1.0, 1.0, {}).is_settled
    assert Conditioned(1.0, 1.0, {"red": STEADY, "blue": CREEPING}).fastest == ("blue", CREEPING)


def followed(mv_per_min: float, *, held: bool = False, rms_mv: float = 0.5, seconds: int = 300) -> LevelDrifts:
    """Four readings a second of a level that creeps."""
    drifts, random = LevelDrifts(), np.random.default_rng(3)
    for number in range(4 * seconds):
        now_s = number / 4.0
        level_mv = 700.0 + mv_per_min / 60.0 * now_s + random.normal(0.0, rms_mv)
        drifts.take(a_reading({"CH1": level_mv}, held=held), now_s)
    return drifts


def test_readings_are_thinned_to_a_drift() -> None:
    drift = followed(0.5).drifts(300.0)["red"]
    assert drift.mv_per_min == pytest.approx(0.5, abs=0.1)
    assert drift.is_drifting


def test_noise_of_readings_is_no_drift() -> None:
    drift = followed(0.0).drifts(300.0)["red"]
    assert drift.is_settled


def test_levels_that_are_held_tell_nothing_of_drift() -> None:
    assert not followed(1.0, held=True).drifts(300.0)


def test_a_drift_is_not_told_for_ever_after_the_level_has_gone() -> None:
    drifts = followed(1.0)
    assert drifts.drifts(305.0) and not drifts.drifts(330.0)


def test_a_drift_that_is_over_is_forgotten_after_the_window() -> None:
    drifts = followed(1.0)
    for number in range(4 * 301):
        drifts.take(a_reading({"CH1": 705.0}), 300.0 + number / 4.0)
    assert not drifts.drifts(601.0)["red"].is_drifting
