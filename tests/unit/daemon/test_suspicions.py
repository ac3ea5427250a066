"""What the hookup was suspected of is kept in the readings until the load is another, whatever trimming does to the level."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.daemon.acquisition import Suspicions
from peakwhite.daemon.acquisition.session import Session
from peakwhite.daemon.acquisition.watch import ScopeWatch
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.measure.hints import hint
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.reading import ChannelReading, Hint, Measured, SyncReading
from peakwhite.daemon.measure.targets import Conditions
from scripted import Hand, Outlet, a_capture, a_job, a_source

AT_THE_BENCH = Conditions(BENCH_DEFAULT)
LOAD, ONE_OFF = hint("fifty-ohm-load"), hint("one-channel-off")
EVERY_S = 0.05
COLOURS = ("red", "green", "blue")


def a_reading(
    *white_mv: float | None,
    hints: tuple[Hint, ...] = (),
    red: tuple[Hint, ...] = (),
    sync_mv: float | None = None,
    **fields: Any,
) -> Measured:
    """Levels of red, green, blue, the hints of the reading and of red, the depth of a sync channel; `fields` are of all."""
    channels = [
        replace(
            ChannelReading(f"CH{n + 1}", role, peak_white_mv=mv, target="rgb-525", hints=red if role == "red" else ()),
            **fields,
        )
        for n, (role, mv) in enumerate(zip(COLOURS, white_mv, strict=False))
    ]
    clip = ChannelReading("CH4", "sync", sync_mv=sync_mv)
    return Measured(SyncReading("locked"), (*channels, clip), None, hints)


class Bench:
    """Suspicions under readings that come every 50 ms."""

    def __init__(self, conditions: Conditions = AT_THE_BENCH) -> None:
        self.suspicions = Suspicions()
        self.conditions = conditions
        self.now_s = 0.0

    def told(self, measured: Iterable[Measured]) -> list[list[str]]:
        """The hints of each channel with a white after these readings."""
        found: Measured | None = None
        for one in measured:
            found = self.suspicions.carried(one, self.conditions, self.now_s)
            self.now_s += EVERY_S
        assert found is not None
        return [[one.code for one in channel.hints] for channel in found.channels if channel.role != "sync"]

    def told_for(self, seconds: float, measured: Measured) -> list[list[str]]:
        """Likewise, the same reading again and again."""
        return self.told([measured] * round(seconds / EVERY_S))


def trimmed(start_mv: float, end_mv: float, **more: Sequence[Hint]) -> list[Measured]:
    """Red trimmed from one level to the other, 2 mV a reading, beside colours at nominal."""
    steps = int(abs(end_mv - start_mv) / 2)
    return [a_reading(start_mv + (end_mv - start_mv) * n / steps, 714.0, 714.0, **more) for n in range(steps + 1)]  # type: ignore[arg-type]


def test_it_stays_when_the_level_is_trimmed_out_of_what_it_was_seen_by() -> None:
    bench = Bench()
    bench.told_for(2.0, a_reading(571.0, hints=(LOAD,)))
    assert bench.told(a_reading(571.0 + n) for n in range(144)) == [["fifty-ohm-load"]]


def test_a_hint_of_a_moment_is_not_kept() -> None:
    bench = Bench()
    bench.told_for(1.4, a_reading(571.0, hints=(LOAD,)))
    assert bench.told([a_reading(571.0)]) == [[]]
    bench.told_for(1.4, a_reading(571.0, hints=(LOAD,)))
    assert bench.told([a_reading(571.0)]) == [[]]


def test_it_goes_when_the_level_jumps_as_by_another_load_on_that_channel_alone() -> None:
    bench = Bench()
    bench.told_for(2.0, a_reading(571.0, 571.0, 571.0, hints=(LOAD,)))
    assert bench.told([a_reading(714.0, 600.0, 571.0)]) == [[], ["fifty-ohm-load"], ["fifty-ohm-load"]]


def test_where_the_sync_shows_the_load_too_a_white_that_jumps_alone_is_no_other_load() -> None:
    bench = Bench()
    bench.told_for(2.0, a_reading(571.0, hints=(LOAD,), sync_mv=240.0))
    assert bench.told([a_reading(714.0, sync_mv=240.0)]) == [["fifty-ohm-load"]]
    assert bench.told([a_reading(714.0, sync_mv=300.0)]) == [[]]


@pytest.mark.parametrize("fields", [{"held": True}, {"clipped": True}])
def test_a_level_that_is_held_or_clipped_proves_no_other_load(fields: dict[str, bool]) -> None:
    bench = Bench()
    bench.told_for(2.0, a_reading(571.0, hints=(LOAD,)))
    assert bench.told([a_reading(714.0, **fields), a_reading(571.0)]) == [["fifty-ohm-load"]]  # type: ignore[arg-type]


def test_it_goes_when_the_loads_were_tested_but_not_while_readings_show_it() -> None:
    bench = Bench()
    bench.told_for(2.0, a_reading(571.0, hints=(LOAD,)))
    bench.suspicions.forget()
    assert bench.told([a_reading(600.0)]) == [[]]
    bench.told_for(2.0, a_reading(571.0, red=(LOAD,)))
    bench.suspicions.forget()
    assert bench.told([a_reading(571.0, red=(LOAD,))]) == [["fifty-ohm-load"]]


@pytest.mark.parametrize(
    ("other", "stands"),
    [
        (replace(AT_THE_BENCH, hookup=Hookup((Clip("CH1", "red"),))), []),
        (replace(AT_THE_BENCH, pattern_white_pct=75.0), []),
        (replace(AT_THE_BENCH, headroom=1.86), ["fifty-ohm-load"]),
    ],
    ids=["hookup", "pattern", "room-for-a-test"],
)
def test_another_hookup_or_pattern_begins_anew_and_room_for_a_test_does_not(
    other: Conditions, stands: list[str]
) -> None:
    bench = Bench()
    bench.told_for(2.0, a_reading(571.0, hints=(LOAD,)))
    bench.conditions = other
    assert bench.told([a_reading(571.0)]) == [stands]


def test_a_colour_that_was_off_alone_is_so_no_longer_when_all_three_are_near_nominal_though_it_is_dim() -> None:
    bench = Bench()
    bench.told_for(2.0, a_reading(571.0, 714.0, 700.0, red=(ONE_OFF,)))
    assert bench.told(trimmed(571.0, 600.0))[0] == ["one-channel-off"]
    assert bench.told(trimmed(600.0, 640.0))[0] == []


def test_a_load_that_sync_and_white_have_shown_stands_though_all_three_are_near_nominal() -> None:
    bench = Bench()
    bench.told_for(2.0, a_reading(571.0, 714.0, 700.0, red=(LOAD,)))
    assert bench.told(trimmed(571.0, 700.0))[0] == ["fifty-ohm-load"]


def test_what_the_reading_shows_itself_is_told_once() -> None:
    assert Bench().told_for(2.0, a_reading(571.0, 714.0, 700.0, red=(ONE_OFF,)))[0] == ["one-channel-off"]


def test_hints_on_anything_but_the_hookup_are_not_kept() -> None:
    bench = Bench()
    bench.told_for(2.0, a_reading(571.0, hints=(hint("accuracy-assumed"),)))
    assert bench.told([a_reading(571.0)]) == [[]]


def test_it_is_in_what_acquisition_publishes_and_outlives_the_link_to_the_scope() -> None:
    hand, outlet = Hand(), Outlet()
    script = [a_reading(571.0, hints=(LOAD,)), a_reading(571.0, hints=(LOAD,)), a_reading(600.0)]
    job = a_job(hand, outlet, script, SetupInForce(Setup(conditions=AT_THE_BENCH)))
    for _ in script:
        Session(a_source(a_capture(hand)), job, ScopeWatch(outlet.announce, hand.time.wall_ns)).step()
        hand.s += 2.0
    told = [[one.code for one in reading.measured.channels[0].hints] for reading in outlet.readings]
    assert told == [[], ["fifty-ohm-load"], ["fifty-ohm-load"]]


@given(st.lists(st.floats(1.0, 1.17), min_size=1, max_size=30))
def test_no_trimming_in_steps_smaller_than_a_load_takes_it_away(steps: list[float]) -> None:
    bench = Bench()
    bench.told_for(2.0, a_reading(571.0, hints=(LOAD,)))
    mv = 571.0
    for step in steps:
        mv *= step
        assert bench.told([a_reading(mv)]) == [["fifty-ohm-load"]]
