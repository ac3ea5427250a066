"""Keeping as the daemon uses it: fed with readings, asked before marks, giving log and events to the book."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from bench_readings import LEVELS, NO_SYNC, STARTED_NS, RememberingBook, S, TurnedClock, a_capture, a_reading
from kept_marks import TM_2, a_stage, made_capture, made_reading
from peakwhite.daemon.book import BookPlace, BookReader, BookWriter
from peakwhite.daemon.book.records import NewMark, UnitText
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.keeping import Keeping, KeepingSettings
from peakwhite.daemon.live.status import Problem, ScopeState, ScopeStatus
from peakwhite.daemon.measure.reading import Reading
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.errors import BookBusy, BookFull, UnitInQuestion, outcome_of

RED_LOW = a_reading({**LEVELS, "CH1": 700.0})
AS_FOUND, OF_THE_NEXT = 4, 9


class Bench:
    """Ten readings a second."""

    def __init__(self, settings: KeepingSettings | None = None) -> None:
        self.clock = TurnedClock()
        self.book = RememberingBook()
        self.told: list[tuple[Problem, ...]] = []
        self.setup = SetupInForce(Setup())
        self.keeping = Keeping(self.book, self.setup, settings, tell=self.told.append, clock=self.clock.clock)
        self.keeping.next_unit(AS_FOUND)

    def sees(self, reading: Reading, for_s: float = 0.1) -> None:
        for _ in range(round(for_s * 10)):
            self.keeping.on_reading(reading, a_capture())
            self.clock.s += 0.1

    def scope(self, state: ScopeState) -> None:
        self.keeping.on_scope(ScopeStatus(state, 0, "as it is"))

    @property
    def unit_min(self) -> float | None:
        return self.keeping.warmth(self.keeping.now()).unit_on_min

    @property
    def scope_min(self) -> float | None:
        return self.keeping.warmth(self.keeping.now()).scope_on_min


@pytest.fixture
def bench() -> Bench:
    """A bench with a unit that has been on for some seconds."""
    made = Bench()
    made.sees(a_reading(), 3.0)
    return made


@pytest.fixture
def watched() -> Bench:
    """The same with the watch on."""
    made = Bench(KeepingSettings(watch=True))
    made.sees(a_reading(), 3.0)
    return made


def test_after_another_unit_may_have_come_nothing_is_kept_before_that_is_answered(bench: Bench) -> None:
    bench.sees(NO_SYNC, 10.0)
    bench.sees(a_reading())
    with pytest.raises(UnitInQuestion, match="it may be another unit: sync was away for 10 s and is back") as refused:
        bench.keeping.may_keep()
    assert outcome_of(refused.value).http_status == 409
    bench.keeping.same_unit()
    bench.keeping.may_keep()
    assert bench.keeping.stage_id == AS_FOUND


def test_the_question_is_told_once_and_its_answer_too(bench: Bench) -> None:
    bench.sees(NO_SYNC, 10.0)
    bench.sees(a_reading(), 10.0)
    bench.keeping.same_unit()
    assert [[problem.code for problem in problems] for problems in bench.told] == [
        ["unit-in-question"],
        ["unit-in-question"],
        [],
    ]
    away, back = bench.told[0][0], bench.told[1][0]
    assert "sync has been away" in away.text and "is back" in back.text
    assert away.since_ns == pytest.approx(STARTED_NS + 5003 * S, abs=S / 5)


def test_without_a_name_there_is_nothing_to_ask() -> None:
    bench = Bench()
    bench.keeping = Keeping(bench.book, bench.setup, tell=bench.told.append, clock=bench.clock.clock)
    bench.sees(a_reading(), 3.0)
    bench.sees(NO_SYNC, 10.0)
    bench.sees(a_reading(), 3.0)
    bench.keeping.may_keep()
    assert not bench.told


def test_the_log_of_a_unit_in_question_is_under_no_name(bench: Bench) -> None:
    bench.sees(NO_SYNC, 10.0)
    bench.sees(a_reading(), 10.0)
    bench.keeping.next_unit(OF_THE_NEXT)
    bench.sees(a_reading(), 10.0)
    bench.keeping.stop()
    stages = dict.fromkeys(batch.stage_id for batch in bench.book.batches)
    assert list(stages) == [AS_FOUND, None, OF_THE_NEXT]


def test_another_stage_of_the_unit_answers_nothing(bench: Bench) -> None:
    bench.sees(NO_SYNC, 10.0)
    bench.sees(a_reading())
    bench.keeping.use_stage(5)
    assert bench.keeping.stage_id == 5
    with pytest.raises(UnitInQuestion):
        bench.keeping.may_keep()


def test_a_stage_that_was_chosen_answers_only_where_it_is_of_another_unit(bench: Bench) -> None:
    bench.keeping.put_on_bench(7, 1)
    bench.sees(a_reading(), 3.0)
    bench.sees(NO_SYNC, 10.0)
    bench.sees(a_reading())
    bench.keeping.put_on_bench(8, 1)
    assert bench.keeping.question is not None
    bench.keeping.put_on_bench(OF_THE_NEXT, 2)
    assert bench.keeping.question is None
    assert bench.keeping.stage_id == OF_THE_NEXT


def test_a_stage_of_an_earlier_run_is_asked_about_before_anything_is_kept_in_it(bench: Bench) -> None:
    bench.keeping.put_on_bench(7, 1, is_of_before=True)
    with pytest.raises(UnitInQuestion, match="Peakwhite was started anew"):
        bench.keeping.may_keep()
    bench.keeping.same_unit()
    bench.keeping.may_keep()


def test_without_a_stage_on_the_bench_marks_are_loose_ones_and_nothing_is_asked(bench: Bench) -> None:
    bench.sees(NO_SYNC, 10.0)
    bench.keeping.put_on_bench(None, None)
    bench.keeping.may_keep()
    assert bench.told[-1] == ()


def test_minutes_count_from_sync_and_from_the_first_reading(bench: Bench) -> None:
    bench.clock.s += 600.0
    assert bench.unit_min == pytest.approx(10.05)
    assert bench.scope_min == pytest.approx(10.05)


def test_naming_the_first_unit_does_not_say_that_it_just_came_on() -> None:
    bench = Bench()
    bench.keeping = Keeping(bench.book, bench.setup, clock=bench.clock.clock)
    bench.sees(a_reading())
    bench.clock.s += 600.0
    bench.keeping.next_unit(AS_FOUND)
    assert bench.unit_min == pytest.approx(10.0, abs=0.1)


def test_the_next_unit_came_on_when_its_sync_appeared(bench: Bench) -> None:
    bench.clock.s += 3000.0
    bench.sees(a_reading(), 1.0)
    bench.sees(NO_SYNC, 10.0)
    bench.sees(a_reading(), 60.0)
    bench.keeping.next_unit(OF_THE_NEXT)
    assert bench.unit_min == pytest.approx(1.0, abs=0.01)
    assert bench.scope_min == pytest.approx(51.2, abs=0.1)


def test_a_unit_that_was_off_for_long_comes_on_anew_and_one_whose_probe_was_off_does_not(bench: Bench) -> None:
    bench.clock.s += 3000.0
    bench.sees(a_reading(), 1.0)
    bench.sees(NO_SYNC, 60.0)
    bench.sees(a_reading())
    assert bench.unit_min == pytest.approx(51.1, abs=0.1)
    bench.sees(NO_SYNC, 180.0)
    bench.sees(a_reading())
    assert bench.unit_min == pytest.approx(0.0, abs=0.01)


def test_the_user_knows_better_since_when_both_are_on(bench: Bench) -> None:
    bench.keeping.unit_on(30.0)
    bench.keeping.scope_on(45.0)
    assert bench.unit_min == pytest.approx(30.0)
    assert bench.scope_min == pytest.approx(45.0)
    bench.keeping.unit_on()
    assert bench.unit_min == 0.0


def test_another_scope_has_only_come_on(bench: Bench) -> None:
    bench.clock.s += 3000.0
    bench.sees(a_reading(identity="PEAKWHITE,SIM,2,0"))
    assert bench.scope_min == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize(("gone_s", "minutes"), [(30.0, 50.6), (300.0, 0.0)])
def test_a_scope_that_was_gone_for_long_came_on_anew(bench: Bench, gone_s: float, minutes: float) -> None:
    bench.clock.s += 3000.0
    bench.scope("lost")
    bench.clock.s += gone_s
    bench.scope("ready")
    assert bench.scope_min == pytest.approx(minutes, abs=0.1)


def test_a_scope_that_only_waits_for_a_trigger_is_on_but_the_unit_is_not(bench: Bench) -> None:
    bench.scope("waiting-for-trigger")
    bench.clock.s += 600.0
    bench.scope("ready")
    bench.sees(a_reading())
    assert bench.scope_min == pytest.approx(10.0, abs=0.1)
    assert bench.unit_min == pytest.approx(0.0, abs=0.01)
    with pytest.raises(UnitInQuestion):
        bench.keeping.may_keep()


def test_the_log_is_written_once_the_scope_is_gone(bench: Bench) -> None:
    bench.scope("lost")
    assert len(bench.book.batches) == 1


def test_the_log_is_written_every_ten_seconds_the_stretch_so_far_each_time(bench: Bench) -> None:
    bench.sees(a_reading(), 27.5)
    assert [len(batch.channels) for batch in bench.book.batches] == [3, 3, 3]
    assert [batch.moment.monotonic_ns // S for batch in bench.book.batches] == [5000, 5000, 5000]
    periods = [np.isfinite(batch.channels[0].levels_mv[:, 1]).sum() for batch in bench.book.batches]
    assert periods == [10, 20, 30]


def test_without_a_log_none_is_written() -> None:
    bench = Bench(KeepingSettings(log=False))
    bench.sees(a_reading(), 30.0)
    bench.keeping.stop()
    assert not bench.book.batches


def test_viewers_hear_at_once_what_the_watch_has_counted() -> None:
    bench, told = Bench(), list[int]()
    bench.keeping = Keeping(
        bench.book,
        bench.setup,
        KeepingSettings(watch=True),
        changed=lambda: told.append(bench.keeping.watch.counted.seen["level"]),
        clock=bench.clock.clock,
    )
    bench.sees(a_reading(), 3.0)
    assert told == []
    bench.sees(RED_LOW, 0.5)
    assert told == [1]


def test_the_watch_is_off_until_it_is_switched_on(bench: Bench) -> None:
    bench.sees(RED_LOW, 10.0)
    assert not bench.book.events
    bench.keeping.set_watch(True, band_mv=60.0)
    bench.sees(a_reading(), 3.0)
    bench.sees(RED_LOW, 10.0)
    assert not bench.book.events
    bench.sees(a_reading({**LEVELS, "CH1": 600.0}), 10.0)
    assert [event.kind for event in bench.book.events] == ["level"]
    assert (bench.keeping.watch.on, bench.keeping.watch.band_mv) == (True, 60.0)
    bench.keeping.set_watch(False)
    bench.sees(a_reading(), 20.0)
    assert len(bench.book.events) == 1


def test_an_event_belongs_to_the_unit_that_had_it(watched: Bench) -> None:
    watched.sees(NO_SYNC, 10.0)
    watched.sees(a_reading(), 10.0)
    watched.keeping.next_unit(OF_THE_NEXT)
    assert [(event.kind, event.stage_id) for event in watched.book.events] == [("sync-lost", AS_FOUND)]
    assert watched.keeping.watch.counted.kept == 1


def test_the_next_units_level_is_no_fault(watched: Bench) -> None:
    watched.keeping.next_unit(OF_THE_NEXT)
    watched.sees(RED_LOW, 10.0)
    assert not watched.book.events


def test_an_event_is_handed_over_at_the_end_and_when_the_scope_is_gone(watched: Bench) -> None:
    watched.sees(RED_LOW, 0.2)
    watched.keeping.stop()
    watched.sees(a_reading(), 5.0)
    watched.sees(RED_LOW, 0.2)
    watched.scope("lost")
    assert len(watched.book.events) == 2


def test_a_reading_of_a_set_up_that_is_no_longer_in_force_is_not_watched(watched: Bench) -> None:
    watched.setup.swap(Conditions())
    watched.sees(RED_LOW, 10.0)
    assert not any(watched.keeping.watch.counted.seen.values())


@pytest.mark.parametrize("how", ["failure", "refusal"])
def test_an_event_that_cannot_be_kept_is_counted_and_told_with_the_next(watched: Bench, how: str) -> None:
    error = (BookFull if how == "failure" else BookBusy)("no room", where="book", do="make some")
    setattr(watched.book, how, error)
    watched.sees(RED_LOW, 1.0)
    watched.sees(a_reading(), 10.0)
    assert (watched.keeping.watch.counted.kept, watched.keeping.watch.counted.not_kept) == (0, 1)
    setattr(watched.book, how, None)
    watched.sees(RED_LOW, 1.0)
    watched.sees(a_reading(), 10.0)
    assert watched.keeping.watch.counted.kept == 1
    assert watched.book.events[-1].text.endswith("1 more since the last that was kept.")


def test_no_second_event_is_held_in_memory_while_the_first_is_being_written(watched: Bench) -> None:
    watched.book.slow = True
    for _ in range(3):
        watched.sees(RED_LOW, 1.0)
        watched.sees(a_reading(), 10.0)
    assert len(watched.book.events) == 1
    assert watched.keeping.watch.counted.seen["level"] == 3


@pytest.fixture
def book_file(tmp_path: Path) -> Iterator[Path]:
    """Where a new book may be."""
    yield tmp_path / "book.sqlite"


def test_marks_stay_in_order_when_the_calendar_jumps(book_file: Path) -> None:
    """A small computer without a clock: its calendar is set back by a year, then hears the right time."""
    clock, numbers = TurnedClock(), []
    with BookWriter(BookPlace(book_file), "9f3c") as writer:
        stage_id = a_stage(writer, unit=UnitText("Tamarisk", "TM-2", TM_2.serial))
        for ahead_s, synced in ((-3e7, False), (-6e7, False), (0.0, True)):
            clock.s += 60.0
            clock.wall_ahead_s, clock.synced = ahead_s, synced
            mark = NewMark(stage_id, clock.clock.now(), made_reading(), Conditions(), made_capture())
            numbers.append(writer.keep_mark(mark))
        with BookReader(writer.place) as reader:
            lines = reader.marks()
    assert [line.id for line in lines] == numbers[::-1]
    assert [line.moment.clock_synced for line in lines] == [True, False, False]
    assert [line.moment.utc_ns for line in lines] != sorted(line.moment.utc_ns for line in lines)[::-1]
