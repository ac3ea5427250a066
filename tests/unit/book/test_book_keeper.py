"""The writing thread: nobody waits for it, and it goes on whatever happens."""

import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Connection

from kept_marks import CONDITIONS, a_stage, made_capture, made_reading, moment, new_mark
from peakwhite.daemon.book import BookKeeper, BookPlace, BookReader, BookWriter, keeper, place
from peakwhite.daemon.book.keeper import MOST_WAITING
from peakwhite.daemon.book.records import ChannelLog, EventCapture, JobText, LogBatch, NewEvent, StageText, UnitText
from peakwhite.drivers.errors import BookBusy, BookFull, NotInBook
from told import SOON_S, Told


@pytest.fixture
def told() -> Told:
    return Told()


@pytest.fixture
def book_keeper(book_place: BookPlace, told: Told) -> Iterator[BookKeeper]:
    kept = BookKeeper(book_place, "9f3c", bench="left", tell=told)
    kept.start()
    yield kept
    kept.stop()


@pytest.fixture
def stage(book_keeper: BookKeeper) -> int:
    """Job, unit and stage, given one after the other."""
    job = book_keeper.add_job(JobText("Quayside batch")).result(SOON_S)
    unit = book_keeper.add_unit(job, UnitText("Tamarisk", "TM-2", "TM2-0017")).result(SOON_S)
    return book_keeper.add_stage(unit, StageText("as found")).result(SOON_S)


def a_batch(second: float, stage_id: int | None = None) -> LogBatch:
    levels_mv = np.array([[749.0, 750.0, 751.0], [np.nan] * 3], np.float32)
    return LogBatch(moment(second), 1000, (ChannelLog("CH1", "red", levels_mv),), stage_id)


def logged(book_place: BookPlace) -> list[int]:
    """Times of what the log holds."""
    engine = place.reading_engine(book_place)
    with engine.begin() as connection:
        found = [row[0] for row in connection.exec_driver_sql("SELECT monotonic_ns FROM log ORDER BY id")]
    engine.dispose()
    return found


def test_a_mark_that_is_acknowledged_is_there_for_others(book_keeper: BookKeeper, stage: int) -> None:
    number = book_keeper.keep(new_mark(stage)).result(SOON_S)
    with book_keeper.reader() as reader:
        assert [line.id for line in reader.marks()] == [number]


def test_all_that_can_be_done_to_a_mark_goes_through_the_thread(book_keeper: BookKeeper, stage: int) -> None:
    number = book_keeper.keep(new_mark(stage, captured=False)).result(SOON_S)
    book_keeper.change_mark(number, note="hot on red").result(SOON_S)
    book_keeper.add_document(number, "inspect", '{"rise_ns": 80}').result(SOON_S)
    book_keeper.change_text(stage, StageText("as left")).result(SOON_S)
    with book_keeper.reader() as reader:
        shown = reader.show(number)
        assert (shown.line.note, shown.inspect, shown.line.stage.text.name) == (
            "hot on red",
            {"rise_ns": 80},
            "as left",
        )
        assert book_keeper.undo().result(SOON_S) == number
        assert reader.marks() == ()
        book_keeper.restore(number).result(SOON_S)
        book_keeper.remove(number).result(SOON_S)
        assert reader.show(number).line.removed_utc_ns is not None


def test_an_event_is_kept_with_the_captures_around_it(book_keeper: BookKeeper, stage: int) -> None:
    around = tuple(EventCapture(at, made_capture(), made_reading()) for at in (-1, 0, 1))
    event = NewEvent(moment(9.0), "level", "red left its band", CONDITIONS, around, "CH1", stage)
    number = book_keeper.keep_event(event).result(SOON_S)
    with book_keeper.reader() as reader:
        assert [one.text for one in reader.events()] == ["red left its band"]
        assert [one.position for one in reader.event_captures(number)] == [-1, 0, 1]
        np.testing.assert_array_equal(
            reader.event_captures(number)[0].capture.channels[0].codes, made_capture().channels[0].codes
        )


def test_a_mark_of_a_stage_that_is_not_there_is_refused_and_the_next_is_kept(
    book_keeper: BookKeeper, stage: int, told: Told
) -> None:
    with pytest.raises(NotInBook):
        book_keeper.keep(new_mark(99)).result(SOON_S)
    assert book_keeper.keep(new_mark(stage)).result(SOON_S)
    assert told.history == []


def test_a_defect_reaches_who_waits_for_it_and_the_thread_goes_on(book_keeper: BookKeeper, stage: int) -> None:
    with pytest.raises(ZeroDivisionError):
        book_keeper.submit(lambda connection, run: 1 // 0).result(SOON_S)
    assert book_keeper.keep(new_mark(stage)).result(SOON_S)


def test_a_full_queue_is_a_problem_and_not_a_wait(book_keeper: BookKeeper, stage: int, told: Told) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def hold(connection: Connection, run: int) -> bool:
        begun.set()
        return go_on.wait(SOON_S)

    held = book_keeper.submit(hold)
    assert begun.wait(SOON_S)
    waiting = [book_keeper.keep(new_mark(stage, second, captured=False)) for second in range(MOST_WAITING)]
    with pytest.raises(BookBusy, match="more waits to be kept than can be held"):
        book_keeper.keep(new_mark(stage))
    assert told.codes() == ["book-busy"]
    go_on.set()
    assert held.result(SOON_S)
    assert len({one.result(SOON_S) for one in waiting}) == MOST_WAITING
    told.wait_for()


def test_stopping_writes_what_waits(book_place: BookPlace) -> None:
    with BookWriter(book_place, "first") as writer:
        stage = a_stage(writer)
    kept = BookKeeper(book_place, "9f3c")
    waiting = [kept.keep(new_mark(stage, second, captured=False)) for second in (1, 2, 3)]
    kept.keep_log(a_batch(4.0, stage))
    kept.start()
    assert kept.stop()
    with BookReader(book_place) as reader:
        assert {line.id for line in reader.marks()} == {one.result(0.0) for one in waiting}
    assert logged(book_place) == [moment(4.0).monotonic_ns]


def test_what_waits_of_the_same_stretch_is_written_once(book_place: BookPlace) -> None:
    kept = BookKeeper(book_place, "9f3c")
    for _ in range(3):
        kept.keep_log(a_batch(4.0))
    kept.keep_log(a_batch(5.0))
    assert kept.waiting["log"] == 2
    kept.start()
    assert kept.stop()
    assert logged(book_place) == [moment(4.0).monotonic_ns, moment(5.0).monotonic_ns]


def test_what_comes_after_stopping_is_refused(book_place: BookPlace) -> None:
    kept = BookKeeper(book_place, "9f3c")
    kept.start()
    kept.stop()
    with pytest.raises(BookBusy, match="is being closed"):
        kept.keep(new_mark(1))


def test_a_full_disk_stops_the_log_with_a_problem_and_it_goes_on_by_itself(
    book_file: Path, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While it is full a mark is refused and nothing of it is written; afterwards the log lacks nothing."""
    monkeypatch.setattr(keeper, "RETRY_S", 0.05)
    with BookWriter(BookPlace(book_file), "first") as writer:
        stage = a_stage(writer)
        pages = writer.write(lambda connection, _: connection.exec_driver_sql("PRAGMA page_count").scalar())
    whole = place.DURABLE
    monkeypatch.setattr(place, "DURABLE", (*whole, f"max_page_count = {pages}"))
    kept = BookKeeper(BookPlace(book_file), "9f3c", tell=told)
    kept.start()
    try:
        with pytest.raises(BookFull, match="it is full; free some space"):
            kept.keep(new_mark(stage)).result(SOON_S)
        assert told.codes() == ["book-full"]
        assert "logging has stopped" in told.history[-1][0].text
        assert told.history[-1][0].do == "free some space; keeping goes on by itself"
        for second in range(40):
            kept.keep_log(a_batch(second))
        told.wait_for("book-full")
        monkeypatch.setattr(place, "DURABLE", whole)
        told.wait_for()
        assert kept.keep(new_mark(stage)).result(SOON_S)
    finally:
        assert kept.stop()
    assert logged(BookPlace(book_file)) == [moment(second).monotonic_ns for second in range(40)]
