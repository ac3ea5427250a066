"""The highest level seen: kept with its age, over links to the scope, until the set-up begins it anew."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.daemon.acquisition.highest import HighestSeen
from peakwhite.daemon.acquisition.session import Session
from peakwhite.daemon.acquisition.watch import ScopeWatch
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.measure.calibration import Calibration, Terminator
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.reading import HighestReading, Measured
from peakwhite.daemon.measure.targets import Conditions
from scripted import Hand, Outlet, a_capture, a_job, a_measured, a_source

HELD = Conditions(BENCH_DEFAULT, hold_since=1)
TERMINATOR = Calibration("terminator", 1, "SN77", "CH1", terminator=Terminator(74.8, 0.27))


def seen(level_mv: float | None) -> Measured:
    """A capture whose sustained level this is; None for one that shows none."""
    measured = a_measured(level_mv)
    highest = None if level_mv is None else HighestReading(level_mv, 100.0, 4, 0.0)
    return replace(measured, channels=tuple(replace(one, highest=highest) for one in measured.channels))


def highest(measured: Measured) -> tuple[float, float] | None:
    """Level and age."""
    found = measured.channels[0].highest
    return None if found is None else (found.level_mv, found.age_s)


def test_the_highest_is_kept_and_grows_old() -> None:
    held = HighestSeen()
    told = [
        highest(held.carried(seen(mv), HELD, now_s))
        for now_s, mv in enumerate((700.0, 650.0, None, 720.0, 720.0, 719.0))
    ]
    assert told == [(700.0, 0.0), (700.0, 1.0), (700.0, 2.0), (720.0, 0.0), (720.0, 0.0), (720.0, 1.0)]


def test_the_level_of_the_capture_stays_what_was_measured() -> None:
    held = HighestSeen()
    held.carried(seen(700.0), HELD, 0.0)
    assert held.carried(seen(650.0), HELD, 1.0).channels[0].peak_white_mv == 650.0


@pytest.mark.parametrize(
    "other",
    [
        replace(HELD, hold_since=2),
        replace(HELD, hookup=Hookup((Clip("CH1", "green"),))),
        replace(HELD, pattern_white_pct=75.0),
        replace(HELD, calibrations=(TERMINATOR,)),
    ],
    ids=["reset", "hookup", "pattern", "calibration"],
)
def test_a_reset_and_another_hookup_pattern_or_calibration_begin_anew(other: Conditions) -> None:
    held = HighestSeen()
    held.carried(seen(700.0), HELD, 0.0)
    assert highest(held.carried(seen(None), other, 1.0)) is None
    assert highest(held.carried(seen(650.0), other, 2.0)) == (650.0, 0.0)


def test_a_reference_taken_meanwhile_begins_nothing_anew() -> None:
    held = HighestSeen()
    held.carried(seen(700.0), HELD, 0.0)
    assert highest(held.carried(seen(650.0), replace(HELD, gain_spec=None, one_probe=()), 1.0)) == (700.0, 1.0)


def test_where_none_is_held_none_is_told() -> None:
    held = HighestSeen()
    held.carried(seen(700.0), HELD, 0.0)
    assert highest(held.carried(a_measured(690.0), replace(HELD, hold_since=None), 1.0)) is None
    assert highest(held.carried(seen(650.0), HELD, 2.0)) == (650.0, 0.0), "what was before is forgotten"


def test_the_highest_outlives_the_link_to_the_scope() -> None:
    hand, outlet = Hand(), Outlet()
    setup = SetupInForce(Setup(conditions=HELD))
    job = a_job(hand, outlet, [seen(700.0), seen(650.0)], setup)
    for _ in range(2):
        Session(a_source(a_capture(hand)), job, ScopeWatch(outlet.announce, hand.time.wall_ns)).step()
        hand.s += 5.0
    assert [highest(reading.measured) for reading in outlet.readings] == [(700.0, 0.0), (700.0, 5.0)]


@given(st.lists(st.one_of(st.none(), st.floats(100.0, 1000.0)), min_size=1, max_size=20))
def test_it_is_the_highest_of_all(levels_mv: list[float | None]) -> None:
    held = HighestSeen()
    told = [held.carried(seen(mv), HELD, float(now_s)) for now_s, mv in enumerate(levels_mv)]
    known = [mv for mv in levels_mv if mv is not None]
    assert highest(told[-1]) is None if not known else (highest(told[-1]) or (0.0, 0.0))[0] == max(known)
