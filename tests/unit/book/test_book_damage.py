"""What is damaged is named, and everything else is copied out."""

import json
import os
import shutil
import sqlite3
import zlib
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import Connection

from kept_marks import CONDITIONS, S, a_stage, made_capture, made_reading, new_mark
from peakwhite.daemon.book import BookPlace, BookReader, BookWriter, PresentStage
from peakwhite.daemon.book.backup import back_up
from peakwhite.daemon.book.check import check_book
from peakwhite.daemon.book.place import connect_sqlite
from peakwhite.daemon.book.rescue import rescue_book
from peakwhite.daemon.measure.reading import iso_utc, reading_object
from peakwhite.drivers.errors import BookDamaged, BookFull, BookUnreachable, UsageError

MARKS = 12
PAGE = 4096


@pytest.fixture(scope="module")
def sound_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A closed book with marks under three stages. Copied, never changed."""
    path = tmp_path_factory.mktemp("sound") / "book.sqlite"
    with BookWriter(BookPlace(path), "first") as writer:
        stages = [a_stage(writer, f"job {number}") for number in range(3)]
        for number in range(MARKS):
            writer.keep_mark(new_mark(stages[number % 3], float(number), note=f"note {number}"))
    return path


@pytest.fixture
def book(sound_book: Path, book_file: Path) -> Path:
    """A copy of it that may be spoilt."""
    shutil.copy(sound_book, book_file)
    return book_file


def change(book: Path, statement: str, *values: object) -> None:
    with closing(sqlite3.connect(book)) as connection, connection:
        assert connection.execute(statement, values).rowcount == 1


def intact(path: Path) -> set[int]:
    """Numbers of the marks that are wholly what was kept; any that is there and says something else fails."""
    whole = set()
    with BookReader(BookPlace(path)) as reader:
        for line in reader.marks():
            shown = reader.show(line.id)
            assert shown.reading in (reading_object(made_reading()), None)
            try:
                capture = reader.capture(line.id)
            except BookDamaged:
                continue
            if capture is None or shown.reading is None or len(capture.channels) < 4 or line.unit.text.serial == "":
                continue
            for one, other in zip(capture.channels, made_capture().channels, strict=True):
                assert one.codes.tobytes() == other.codes.tobytes()
            assert line.note == f"note {line.moment.monotonic_ns // S}"
            whole.add(line.id)
    return whole


def test_a_sound_book_is_said_to_be_sound(writer: BookWriter, book_place: BookPlace) -> None:
    writer.keep_mark(new_mark(a_stage(writer)))
    checked = check_book(book_place)
    assert checked.sound
    assert (checked.counted["marks"], checked.counted["codes"], checked.counted["documents"]) == (1, 4, 2)


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE codes SET crc32 = crc32 + 1 WHERE capture_id = 3 AND position = 1", "capture 3: the codes of CH2"),
        ("UPDATE codes SET packed = x'00' WHERE capture_id = 3 AND position = 0", "capture 3: the codes of CH1"),
        ("UPDATE codes SET samples = 5 WHERE capture_id = 3 AND position = 0", "capture 3: the codes of CH1"),
        ("UPDATE documents SET text = text || ' ' WHERE mark_id = 5 AND kind = 'reading'", "mark 5: the reading"),
        ("UPDATE captures SET meta = '{}' WHERE id = 2", "capture 2: what scales its codes"),
        ("UPDATE setups SET document = '{}' WHERE id = 1", "setup 1: it does not agree"),
        (
            "UPDATE levels SET peak_white_mv = 1234.5 WHERE mark_id = 6 AND position = 1",
            "mark 6: its levels are not those",
        ),
        ("DELETE FROM levels WHERE mark_id = 6 AND position = 1", "mark 6: its levels are not those of its reading"),
        ("DELETE FROM alembic_version", "the version of its tables cannot be read"),
        ("UPDATE marks SET stage_id = 99 WHERE id = 4", "marks row 4 refers to one of stages that is not there"),
    ],
)
def test_check_names_what_is_damaged_and_nothing_else(book: Path, statement: str, said: str) -> None:
    change(book, statement)
    (damage,) = check_book(BookPlace(book)).damage
    assert said in damage


def test_check_on_a_server_names_what_is_damaged(writer: BookWriter, book_place: BookPlace) -> None:
    def spoil(connection: Connection, _: int) -> None:
        connection.exec_driver_sql("UPDATE documents SET text = '{}' WHERE kind = 'reading'")

    writer.keep_mark(new_mark(a_stage(writer)))
    writer.write(spoil)
    assert check_book(book_place).damage == ("mark 1: the reading does not agree with its checksum",)


def test_a_capture_that_is_damaged_is_not_shown_as_if_it_were_sound(book: Path) -> None:
    change(book, "UPDATE codes SET crc32 = crc32 + 1 WHERE capture_id = 3 AND position = 1")
    with BookReader(BookPlace(book)) as reader:
        with pytest.raises(BookDamaged, match="the capture of mark 3 is damaged: the codes of CH2"):
            reader.capture(3)
        assert reader.show(3).reading is not None


def test_a_reading_that_is_damaged_is_named_and_the_rest_of_the_mark_is_shown(book: Path) -> None:
    change(book, "UPDATE documents SET text = '{}' WHERE mark_id = 5 AND kind = 'reading'")
    with BookReader(BookPlace(book)) as reader:
        shown = reader.show(5)
    assert shown.reading is None and shown.conditions is not None
    assert shown.damaged == ("the reading does not agree with its checksum",)


def test_codes_that_claim_a_little_and_inflate_to_gigabytes_are_refused_unread(book: Path) -> None:
    bomb = zlib.compress(bytes(1 << 24), 9)
    change(book, "UPDATE codes SET packed = ? WHERE capture_id = 1 AND position = 0", bomb)
    with BookReader(BookPlace(book)) as reader, pytest.raises(BookDamaged):
        reader.capture(1)


def test_rescuing_a_sound_book_copies_it_whole(book: Path, tmp_path: Path) -> None:
    rescued = rescue_book(book, tmp_path / "rescued.sqlite")
    assert rescued.lost == ()
    assert rescued.copied == check_book(BookPlace(book)).counted
    assert intact(tmp_path / "rescued.sqlite") == set(range(1, MARKS + 1))
    assert check_book(BookPlace(tmp_path / "rescued.sqlite")).damage == ()


def test_whatever_page_is_spoilt_the_rest_is_rescued(sound_book: Path, tmp_path: Path) -> None:
    """Pages all over the book, one at a time: what comes out is sound, and most of it comes."""
    whole = sound_book.read_bytes()
    pages = len(whole) // PAGE
    counts = []
    for page in [*range(2, 60, 6), *range(60, pages + 1, 40)]:
        spoilt, out = tmp_path / f"spoilt-{page}.sqlite", tmp_path / f"out-{page}.sqlite"
        spoilt.write_bytes(whole[: (page - 1) * PAGE] + b"\xa5" * PAGE + whole[page * PAGE :])
        if not check_book(BookPlace(spoilt)).damage:
            continue
        rescue_book(spoilt, out)
        assert check_book(BookPlace(out)).damage == (), page
        counts.append(len(intact(out)))
        for path in (spoilt, out):
            path.unlink()
    assert len(counts) > 8
    assert sorted(counts)[len(counts) // 2] >= MARKS - 1


def test_marks_whose_own_rows_are_lost_keep_their_readings_captures_and_stages(book: Path, tmp_path: Path) -> None:
    """One page holds the heads of all twelve. All were captured at times of their own."""
    for number in range(1, MARKS + 1):
        at_ns = 1_767_323_045_000_000_000 + number * S
        change(book, "UPDATE captures SET captured_at_ns = ? WHERE id = ?", at_ns, number)
        with closing(sqlite3.connect(book)) as connection, connection:
            (text,) = connection.execute(
                "SELECT text FROM documents WHERE mark_id = ? AND kind = 'reading'", (number,)
            ).fetchone()
            text = json.dumps(json.loads(text) | {"captured_at": iso_utc(at_ns)})
            connection.execute(
                "UPDATE documents SET text = ?, crc32 = ? WHERE mark_id = ? AND kind = 'reading'",
                (text, zlib.crc32(text.encode()), number),
            )
    with closing(connect_sqlite(book, "ro")) as connection:
        (page,) = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'marks'").fetchone()
    with book.open("r+b") as file:
        file.seek((page - 1) * PAGE)
        file.write(b"\xa5" * PAGE)
    assert rescue_book(book, tmp_path / "out.sqlite").copied["marks"] == 0
    assert check_book(BookPlace(tmp_path / "out.sqlite")).damage == ()
    with BookReader(BookPlace(tmp_path / "out.sqlite")) as reader:
        lines = reader.marks()
        assert sorted(line.id for line in lines) == list(range(1, MARKS + 1))
        assert {line.job.text.name for line in lines} == {"job 0", "job 1", "job 2"}
        assert all(line.has_capture and line.levels for line in lines)
        shown = reader.show(5)
        assert shown.reading is not None and shown.reading["captured_at"] == "2026-01-02T03:04:10.000Z"
        assert shown.conditions is None and shown.damaged == ("the set-up cannot be read",)
        capture = reader.capture(5)
        assert capture is not None and capture.channels[0].codes.tobytes() == made_capture().channels[0].codes.tobytes()


def test_a_torn_book_gives_what_lies_before_the_tear(book: Path, tmp_path: Path) -> None:
    os.truncate(book, book.stat().st_size * 2 // 3)
    assert not check_book(BookPlace(book)).sound
    rescue_book(book, tmp_path / "out.sqlite")
    assert check_book(BookPlace(tmp_path / "out.sqlite")).damage == ()
    assert len(intact(tmp_path / "out.sqlite")) >= MARKS // 2


def test_what_was_kept_beside_a_damaged_book_comes_into_one_with_what_is_rescued(book: Path, tmp_path: Path) -> None:
    with book.open("r+b") as file:
        file.write(b"\xa5" * 16)
    damaged = tmp_path / "damaged.sqlite"
    PresentStage(BookPlace(book)).choose(2)
    with BookWriter(BookPlace(book), "now") as writer:
        beside = writer.keep_mark(new_mark(2, 99.0, note="note 99"))
        place = writer.place
    with book.open("r+b") as file:
        file.write(b"SQLite format 3\0")
    book.rename(damaged)
    assert place.path is not None
    rescue_book(damaged, tmp_path / "one.sqlite")
    rescued = rescue_book(place.path, tmp_path / "one.sqlite")
    assert (rescued.copied["marks"], rescued.lost) == (1, ())
    with BookReader(BookPlace(tmp_path / "one.sqlite")) as reader:
        assert len(reader.marks()) == MARKS + 1
        shown = reader.show(beside)
        assert shown.line.unit.text.serial == "TM2-0017"
        assert shown.conditions == CONDITIONS and not shown.damaged


def test_a_book_is_not_rescued_to_itself(book: Path) -> None:
    with pytest.raises(UsageError):
        rescue_book(book, book)


def test_a_backup_taken_while_marks_are_kept_is_whole(book: Path, tmp_path: Path) -> None:
    """Between any two marks, with the log of the book not yet taken into its file."""
    with BookWriter(BookPlace(book), "now") as writer:
        for number in range(3):
            writer.keep_mark(new_mark(1, 100.0 + number, note=f"note {100 + number}"))
            copy = tmp_path / f"copy-{number}.sqlite"
            back_up(BookPlace(book), copy)
            assert check_book(BookPlace(copy)).sound
            assert len(intact(copy)) == MARKS + 1 + number
    assert {path.name for path in tmp_path.iterdir()} >= {"copy-0.sqlite", "copy-1.sqlite", "copy-2.sqlite"}


def test_a_backup_is_one_file_that_can_be_carried_away(book: Path, tmp_path: Path) -> None:
    (tmp_path / "stick").mkdir()
    back_up(BookPlace(book), tmp_path / "stick" / "copy.sqlite")
    assert [path.name for path in (tmp_path / "stick").iterdir()] == ["copy.sqlite"]


def test_a_backup_does_not_overwrite(book: Path, tmp_path: Path) -> None:
    (tmp_path / "there").write_text("mine")
    with pytest.raises(UsageError):
        back_up(BookPlace(book), tmp_path / "there")
    assert (tmp_path / "there").read_text() == "mine"


def test_a_backup_of_a_book_that_is_not_there_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(BookUnreachable):
        back_up(BookPlace(tmp_path / "none.sqlite"), tmp_path / "copy.sqlite")
    assert list(tmp_path.iterdir()) == []


def test_a_server_is_backed_up_by_its_own_means(writer: BookWriter, book_place: BookPlace, tmp_path: Path) -> None:
    if book_place.path is not None:
        pytest.skip("of servers")
    with pytest.raises(UsageError, match="pg_dump"):
        back_up(book_place, tmp_path / "copy")


def counted(path: Path) -> dict[str, int]:
    return check_book(BookPlace(path)).counted


def test_a_disk_that_is_full_at_any_page_of_a_mark_leaves_nothing_of_it(
    book: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The book may not grow beyond so many pages: from none to all that the mark needs."""
    with closing(connect_sqlite(book, "rw")) as connection:
        pages = int(connection.execute("PRAGMA page_count").fetchone()[0])
    before = counted(book)
    durable = ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON")
    refused = 0
    for more in range(200):
        monkeypatch.setattr("peakwhite.daemon.book.place.DURABLE", (*durable, f"max_page_count = {pages + more}"))
        with BookWriter(BookPlace(book), "now") as writer:
            try:
                writer.keep_mark(new_mark(1, 99.0))
                break
            except BookFull:
                refused += 1
        assert counted(book) == before
    assert refused > 5
    assert counted(book)["marks"] == before["marks"] + 1
    assert check_book(BookPlace(book)).sound
