"""The watch notices each fault once, keeps what was around it, and never fills memory or disk."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench_readings import LEVELS, NO_SYNC, a_capture, a_reading, moment
from kept_marks import CONDITIONS
from peakwhite.daemon.book.records import NewEvent
from peakwhite.daemon.keeping.allowance import Allowance
from peakwhite.daemon.keeping.capture_ring import FEWEST, MIB, MOST, CaptureRing
from peakwhite.daemon.keeping.fault_watch import AN_HOUR_BYTES, AT_ONCE_BYTES, EVENT_BYTES, LEAST_BYTES, FaultWatch
from peakwhite.daemon.measure.reading import Reading

RED_LOW = a_reading({**LEVELS, "CH1": 700.0})
RED_DEAD = a_reading(dead=("CH1",))


class Watched:
    """Twenty readings a second go to a watch; `events` is what it gives."""

    def __init__(self, samples: int = 16) -> None:
        self.watch = FaultWatch(10.0)
        self.capture = a_capture(samples)
        self.s = 0.0
        self.events: list[NewEvent] = []
        self.sees(a_reading(), 60)

    def sees(self, reading: Reading, times: int = 1) -> None:
        for _ in range(times):
            self.events += self.watch.take(reading, self.capture, CONDITIONS, moment(self.s), 4)
            self.s += 0.05


@pytest.mark.parametrize(
    ("reading", "kind", "channel", "text"),
    [
        (RED_LOW, "level", "CH1", "red went to 700.0 mV, 50.0 mV below what it was."),
        (a_reading({**LEVELS, "CH2": 726.0}), "level", "CH2", "green went to 726.0 mV, 12.0 mV above what it was."),
        (NO_SYNC, "sync-lost", None, "Sync dropped."),
        (a_reading(sync="blanking-only"), "sync-lost", None, "Sync dropped."),
        (RED_DEAD, "channel-dead", "CH1", "red died while others showed picture."),
    ],
)
def test_a_fault_of_one_reading_is_an_event_with_what_was_before_and_after(
    reading: Reading, kind: str, channel: str | None, text: str
) -> None:
    watched = Watched()
    faulty_s = watched.s
    watched.sees(reading)
    watched.sees(a_reading(), 40)
    (event,) = watched.events
    assert (event.kind, event.channel, event.text, event.stage_id) == (kind, channel, text, 4)
    assert event.moment == moment(faulty_s)
    positions = [one.position for one in event.captures]
    assert positions == list(range(positions[0], positions[-1] + 1))
    assert (positions[0], positions[-1], len(positions)) == (-24, 25, MOST)
    assert next(one.reading for one in event.captures if one.position == 0) is reading


@pytest.mark.parametrize(
    "reading",
    [
        a_reading({**LEVELS, "CH1": 759.0}),
        a_reading({**LEVELS, "CH1": 765.0}, repeat_mv=10.0),
        a_reading({**LEVELS, "CH1": None}),
        a_reading({**LEVELS, "CH1": 700.0}, held=True),
    ],
)
def test_what_stays_within_its_band_or_was_not_measured_is_no_fault(reading: Reading) -> None:
    watched = Watched()
    watched.sees(reading, 100)
    assert not watched.events and not any(watched.watch.counted.seen.values())


def test_a_level_that_warms_up_is_followed() -> None:
    watched = Watched()
    for number in range(4000):
        watched.sees(a_reading({**LEVELS, "CH1": 750.0 + number * 0.004}))
    assert not watched.events


def test_a_fault_that_lasts_is_one_event() -> None:
    watched = Watched()
    watched.sees(RED_LOW, 100)
    assert watched.watch.counted.seen["level"] == 1


def test_a_fault_counts_anew_only_after_all_was_well_for_a_while() -> None:
    watched = Watched()
    for _ in range(10):
        watched.sees(RED_LOW, 2)
        watched.sees(a_reading(), 5)
    assert watched.watch.counted.seen["level"] == 1
    watched.sees(a_reading(), 10)
    watched.sees(RED_LOW)
    assert watched.watch.counted.seen["level"] == 2


@pytest.mark.parametrize("reading", [RED_LOW, NO_SYNC, RED_DEAD])
def test_faults_in_the_rhythm_of_a_hand_that_taps_the_board_count_each(reading: Reading) -> None:
    watched = Watched()
    for _ in range(3):
        watched.sees(reading, 6)
        watched.sees(a_reading(), 9)
    assert sum(watched.watch.counted.seen.values()) == 3


def test_a_level_that_stays_elsewhere_is_the_new_normal() -> None:
    watched = Watched()
    watched.sees(RED_LOW, 20 * 13)
    watched.sees(a_reading(), 1)
    assert watched.watch.counted.seen["level"] == 2


def test_a_channel_that_never_lived_does_not_die() -> None:
    watch = FaultWatch()
    for number in range(100):
        watch.take(RED_DEAD, a_capture(), CONDITIONS, moment(number / 20.0), None)
    assert not any(watch.counted.seen.values())


def test_a_unit_that_never_had_sync_loses_none() -> None:
    watch = FaultWatch()
    for number in range(100):
        watch.take(NO_SYNC, a_capture(), CONDITIONS, moment(number / 20.0), None)
    assert not any(watch.counted.seen.values())


def test_without_even_a_trigger_the_event_holds_what_was_before() -> None:
    watched = Watched()
    event = watched.watch.no_sync(moment(watched.s), 4)
    assert event is not None and event.kind == "sync-lost"
    assert [one.position for one in event.captures][-3:] == [-2, -1, 0]


def test_an_event_never_mixes_two_set_ups() -> None:
    watched = Watched()
    watched.sees(RED_LOW)
    watched.sees(a_reading(setup=2), 100)
    (event,) = watched.events
    assert {one.reading.setup for one in event.captures if one.reading is not None} == {1}


def test_a_fault_that_comes_and_goes_all_night_is_counted_but_not_all_kept() -> None:
    watched = Watched()
    for _ in range(120):
        watched.sees(RED_LOW, 10)
        watched.sees(a_reading(), 50)
    counted = watched.watch.counted
    assert counted.seen["level"] == 120
    assert len(watched.events) <= AT_ONCE_BYTES // LEAST_BYTES + 2
    watched.s += 3600.0
    watched.sees(a_reading(), 60)
    watched.sees(RED_LOW)
    watched.sees(a_reading(), 60)
    told = [re.search(r" (\d+) more since the last that was kept\.$", event.text) for event in watched.events]
    assert sum(int(more[1]) for more in told if more) == 121 - len(watched.events)


@pytest.mark.parametrize("samples", [16, 100_000, 4_000_000, 40_000_000])
def test_an_event_and_the_ring_are_bounded_and_still_hold_before_and_after(samples: int) -> None:
    watched = Watched(samples)
    watched.sees(RED_LOW)
    watched.sees(a_reading(), 60)
    (event,) = watched.events
    positions = [one.position for one in event.captures]
    assert {-1, 0, 1} <= set(positions)
    assert len(positions) * samples <= max(EVENT_BYTES, FEWEST * samples)


@given(st.lists(st.integers(1, 3000), max_size=120), st.integers(0, 119))
@settings(deadline=None)
def test_the_ring_holds_the_newest_that_there_is_room_for(sizes: list[int], asked: int) -> None:
    ring = CaptureRing(most=50, most_bytes=20_000)
    for size in sizes:
        ring.add(a_capture(size), a_reading())
        assert ring.bytes <= 20_000 or len(ring) <= FEWEST
        assert len(ring) <= 50
    assert ring.bytes == sum(sizes[len(sizes) - len(ring) :])
    around = ring.around(asked, 5000)
    positions = [one.position for one in around]
    assert positions == sorted(positions)
    assert sum(one.capture.samples for one in around) <= 5000 or len(around) <= FEWEST


@given(st.lists(st.tuples(st.floats(0.0, 600.0), st.floats(0.0, 80.0)), max_size=80))
def test_no_more_is_allowed_than_at_once_and_an_hour(wanted: list[tuple[float, float]]) -> None:
    allowance, now_s, taken = Allowance(48.0, 24.0), 0.0, 0.0
    for passed_s, amount in wanted:
        now_s += passed_s
        if allowance.take(amount, now_s):
            taken += min(amount, 48.0)
        assert taken <= 48.0 + 24.0 * now_s / 3600.0 + 1e-6


def test_a_day_of_flapping_stays_under_640_mb() -> None:
    assert AT_ONCE_BYTES + 24 * AN_HOUR_BYTES <= 640 * MIB
