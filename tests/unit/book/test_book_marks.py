"""What is kept comes back as it was, in order, and what is taken back stays in the book. On SQLite and PostgreSQL."""

from dataclasses import fields, replace
from functools import partial

import numpy as np
import pytest
from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from kept_marks import CONDITIONS, S, a_stage, made_capture, made_reading, moment, new_mark
from peakwhite.daemon.book import BookPlace, BookReader, BookWriter, MarkFilter
from peakwhite.daemon.book.place import reading_engine
from peakwhite.daemon.book.records import JobText, StageText, UnitText, Warmth
from peakwhite.daemon.book.writing import (
    add_document,
    add_job,
    add_run,
    add_stage,
    add_unit,
    change_mark,
    change_text,
    set_removed,
    undo,
)
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.reading import reading_object
from peakwhite.drivers.capture import ChannelRecord
from peakwhite.drivers.errors import NotInBook, UsageError


def numbers(reader: BookReader, wanted: MarkFilter | None = None) -> list[int]:
    return [line.id for line in reader.marks(wanted or MarkFilter())]


def _without_codes(record: ChannelRecord) -> dict[str, object]:
    return {one.name: getattr(record, one.name) for one in fields(record) if one.name != "codes"}


def test_a_mark_comes_back_with_reading_setup_and_budgets(writer: BookWriter, reader: BookReader) -> None:
    shown = reader.show(writer.keep_mark(new_mark(a_stage(writer), note="hot on red", who="M")))
    assert shown.reading == reading_object(made_reading())
    assert shown.conditions == CONDITIONS
    assert repr(shown.budgets) == repr(made_reading().measured.budgets)
    assert (shown.line.note, shown.line.who, shown.line.run, shown.line.bench) == ("hot on red", "M", "9f3c", "left")
    assert (shown.line.moment, shown.line.warmth) == (moment(1.0), Warmth(25.0, 60.0))
    assert (shown.line.job.text.name, shown.line.unit.text.serial) == ("Quayside batch", "TM2-0017")
    assert not shown.damaged


def test_a_capture_comes_back_to_the_last_code_and_measures_the_same(writer: BookWriter, reader: BookReader) -> None:
    number = writer.keep_mark(new_mark(a_stage(writer)))
    kept, given = reader.capture(number), made_capture()
    assert kept is not None
    for one, other in zip(kept.channels, given.channels, strict=True):
        np.testing.assert_array_equal(one.codes, other.codes)
        assert _without_codes(one) == _without_codes(other)
    assert kept.captured_at_ns == given.captured_at_ns
    conditions = reader.show(number).conditions
    assert conditions is not None
    assert repr(measure_capture(kept, conditions)) == repr(measure_capture(given, CONDITIONS))


def test_a_mark_without_a_capture_has_none(writer: BookWriter, reader: BookReader) -> None:
    number = writer.keep_mark(new_mark(a_stage(writer), captured=False))
    assert reader.capture(number) is None
    assert not reader.show(number).line.has_capture


def test_the_same_setup_is_stored_once(writer: BookWriter, book_place: BookPlace) -> None:
    stage = a_stage(writer)
    for conditions in (CONDITIONS, CONDITIONS, replace(CONDITIONS, pattern_white_pct=75.0)):
        writer.keep_mark(replace(new_mark(stage, captured=False), conditions=conditions))
    count = writer.write(lambda connection, _: connection.exec_driver_sql("SELECT count(*) FROM setups").scalar())
    assert count == 2


def test_marks_are_listed_by_run_and_steady_clock_not_by_the_calendar(book_place: BookPlace) -> None:
    """The calendar of a small computer jumps: the second mark of each run bears an earlier time than the first."""
    kept = []
    for run in ("one", "two"):
        with BookWriter(book_place, run) as writer:
            stage = a_stage(writer)
            for second in (100.0, 200.0):
                mark = new_mark(stage, second, captured=False)
                jumped = replace(mark.moment, utc_ns=mark.moment.utc_ns - int(2 * second * S), clock_synced=False)
                kept.append(writer.keep_mark(replace(mark, moment=jumped)))
    with BookReader(book_place) as reader:
        assert numbers(reader) == kept[::-1]
        assert [line.moment.clock_synced for line in reader.marks()] == [False] * 4


def test_a_list_says_each_channels_level_and_verdict(writer: BookWriter, reader: BookReader) -> None:
    writer.keep_mark(new_mark(a_stage(writer)))
    (line,) = reader.marks()
    red, *_, sync = line.levels
    assert (red.channel, red.role, red.zone, red.verdict, red.target) == ("CH1", "red", "over", "over", "rgb-525")
    assert red.peak_white_mv == pytest.approx(750.0, abs=1.0)
    assert (sync.role, sync.peak_white_mv) == ("sync", None)


def test_pages_of_a_list_follow_each_other(writer: BookWriter, reader: BookReader) -> None:
    stage = a_stage(writer)
    kept = [writer.keep_mark(new_mark(stage, second, captured=False)) for second in range(1, 8)]
    pages = [numbers(reader, MarkFilter(most=3))]
    while pages[-1]:
        pages.append(numbers(reader, MarkFilter(most=3, before=pages[-1][-1])))
    assert [len(page) for page in pages] == [3, 3, 1, 0]
    assert [number for page in pages for number in page] == kept[::-1]


def test_marks_are_listed_of_a_job_a_unit_or_a_stage(writer: BookWriter, reader: BookReader) -> None:
    first = a_stage(writer)
    unit = reader.units(reader.jobs()[0].id)[0].id
    second = writer.write(lambda connection, _: add_stage(connection, unit, StageText("after first change"), 5))
    other = a_stage(writer, "Another job")
    of = {stage: writer.keep_mark(new_mark(stage, captured=False)) for stage in (first, second, other)}
    assert numbers(reader, MarkFilter(stage_id=first)) == [of[first]]
    assert set(numbers(reader, MarkFilter(unit_id=unit))) == {of[first], of[second]}
    assert set(numbers(reader, MarkFilter(job_id=reader.jobs()[1].id))) == {of[first], of[second]}
    assert [stage.text.name for stage in reader.stages(unit)] == ["as found", "after first change"]


def test_search_finds_parts_of_words_in_any_case(writer: BookWriter, reader: BookReader) -> None:
    wanted = writer.keep_mark(new_mark(a_stage(writer), captured=False, note="Hot on red, Größe 50% a_b"))
    for words in ("TM2-0017", "m2-00 HOT", "quayside found", "größe", "GRÖSSE", "50%", "a_b"):
        assert [line.id for line in reader.search(words)] == [wanted], words


def test_search_finds_nothing_else(writer: BookWriter, reader: BookReader) -> None:
    writer.keep_mark(new_mark(a_stage(writer), captured=False, note="Hot on red 500 axxb"))
    for words in ("TM2-0018", "hot elsewhere", "5%0", "a_b", "' OR 1=1 --"):
        assert reader.search(words) == (), words


def test_search_finds_what_a_unit_was_corrected_to(writer: BookWriter, reader: BookReader) -> None:
    number = writer.keep_mark(new_mark(a_stage(writer), captured=False))
    unit = reader.show(number).line.unit
    writer.write(lambda connection, _: change_text(connection, unit.id, replace(unit.text, serial="TM2-0099")))
    assert reader.search("0017") == ()
    assert [line.id for line in reader.search("0099")] == [number]


def test_search_finds_another_note(writer: BookWriter, reader: BookReader) -> None:
    number = writer.keep_mark(new_mark(a_stage(writer), captured=False, note="dim", who="Mia"))
    writer.write(lambda connection, _: change_mark(connection, number, note="striped"))
    assert [line.note for line in reader.search("striped mia")] == ["striped"]
    assert reader.search("dim") == ()


def test_undo_takes_the_last_mark_of_this_bench_and_it_stays_in_the_book(book_place: BookPlace) -> None:
    with BookWriter(book_place, "one", bench="left") as writer:
        stage = a_stage(writer)
        kept = [writer.keep_mark(new_mark(stage, second, captured=False)) for second in (1, 2)]
    with BookWriter(book_place, "two", bench="right") as writer, BookReader(book_place) as reader:
        others = writer.keep_mark(new_mark(stage, 3, captured=False))
        undone = [writer.write(lambda connection, _: undo(connection, "left", 77)) for _ in range(3)]
        assert undone == [kept[1], kept[0], None]
        assert numbers(reader) == [others]
        assert numbers(reader, MarkFilter(removed=True)) == [others, *kept[::-1]]
        assert reader.show(kept[0]).line.removed_utc_ns == 77
        writer.write(lambda connection, _: set_removed(connection, kept[0], None))
        assert numbers(reader) == [others, kept[0]]


def test_undo_takes_what_was_kept_last_whatever_the_clocks_and_the_runs_say(
    writer: BookWriter, reader: BookReader
) -> None:
    """A command's run begins after the daemon's, whose later mark has earlier times: of another computer's clocks."""
    stage = a_stage(writer)

    def keep(run: str | None, second: float) -> int:
        def work(connection: Connection, run_id: int) -> int:
            run_id = run_id if run is None else add_run(connection, run, "left", 1)
            return writer.keep_in(connection, run_id, new_mark(stage, second, captured=False))

        return writer.write(work)

    kept = [keep(None, 200.0), keep("command", 300.0), keep(None, 100.0)]
    undone = [writer.write(lambda connection, _: undo(connection, "left", 77)) for _ in kept]
    assert undone == kept[::-1]


def test_a_change_of_a_mark_that_is_refused_changes_nothing_of_it(writer: BookWriter, reader: BookReader) -> None:
    number = writer.keep_mark(new_mark(a_stage(writer), captured=False, note="before"))
    with pytest.raises(NotInBook, match="there is no stage 77"):
        writer.write(lambda connection, _: change_mark(connection, number, note="after", stage_id=77))
    assert reader.line(number).note == "before"


def test_inspect_results_and_a_remedy_come_later_and_may_be_replaced(writer: BookWriter, reader: BookReader) -> None:
    number = writer.keep_mark(new_mark(a_stage(writer), captured=False))
    assert reader.show(number).remedy is None
    for ohm in (68, 75):
        writer.write(partial(_add_remedy, number, f'{{"series_ohm": {ohm}}}'))
    assert reader.show(number).remedy == {"series_ohm": 75}


def _add_remedy(mark_id: int, text: str, connection: Connection, _: int) -> None:
    add_document(connection, mark_id, "remedy", text)


def test_what_is_not_there_is_said(writer: BookWriter, reader: BookReader) -> None:
    with pytest.raises(NotInBook, match="there is no stage 7"):
        writer.keep_mark(new_mark(7))
    with pytest.raises(NotInBook, match="there is no mark 7"):
        reader.show(7)
    with pytest.raises(NotInBook, match="there is no mark 7"):
        reader.capture(7)
    with pytest.raises(NotInBook, match="there is no job 7"):
        writer.write(lambda connection, _: add_unit(connection, 7, UnitText("Tamarisk"), 1))


def test_a_refused_mark_leaves_nothing_behind(writer: BookWriter, reader: BookReader) -> None:
    with pytest.raises(NotInBook):
        writer.write(
            lambda connection, run: (
                add_job(connection, JobText("half"), 1),
                writer.keep_in(connection, run, new_mark(7)),
            )
        )
    assert reader.jobs() == ()


@pytest.mark.parametrize("name", ["", "  ", "a\0b", "x" * 201, "\ud800"])
def test_a_name_that_no_book_takes_is_refused(name: str) -> None:
    with pytest.raises(UsageError):
        JobText(name)


def test_nothing_can_be_written_through_a_reader(writer: BookWriter, reader: BookReader) -> None:
    a_stage(writer)
    engine = reading_engine(reader.place)
    with engine.connect() as connection, pytest.raises(DBAPIError, match=r"(?i)read-?only"):
        connection.exec_driver_sql("DELETE FROM jobs")
    engine.dispose()
    assert len(reader.jobs()) == 1
