"""What stands beside a damaged book, what is copied together with it, and what is not taken for a book."""

import os
import shutil
import sqlite3
import struct
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from kept_marks import a_stage, new_mark
from peakwhite.daemon.book import BookPlace, BookReader, BookWriter, PresentStage, salvage
from peakwhite.daemon.book.check import check_book
from peakwhite.daemon.book.opening import damage_of
from peakwhite.daemon.book.rescue import rescue_book
from peakwhite.drivers.errors import BookError, BookFull, NotInBook, UsageError
from spoilt_books import PAGE, a_book, page_of, spoil


@pytest.fixture(scope="module")
def two_marks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A closed book. Copied, never changed."""
    path = tmp_path_factory.mktemp("two") / "book.sqlite"
    a_book(path, 2)
    return path


@pytest.fixture
def damaged(two_marks: Path, book_file: Path) -> Path:
    """A book whose marks cannot be read, its jobs can."""
    shutil.copy(two_marks, book_file)
    spoil(book_file, page_of(book_file, "marks"))
    return book_file


def first_leaf(path: Path, table: str) -> int:
    """The page with the first rows of a table that has several."""
    root = path.read_bytes()[(page_of(path, table) - 1) * PAGE :]
    assert root[0] == 5, "an inner page of a table"
    (cell,) = struct.unpack_from(">H", root, 12)
    (page,) = struct.unpack_from(">I", root, cell)
    return int(page)


def change(book: Path, statement: str) -> None:
    with closing(sqlite3.connect(book)) as connection, connection:
        connection.execute(statement)


def test_a_disk_that_is_full_while_a_book_is_begun_beside_leaves_none(
    damaged: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        error = sqlite3.OperationalError("database or disk is full")
        error.sqlite_errorcode = sqlite3.SQLITE_FULL
        raise error

    with monkeypatch.context() as patched, BookWriter(BookPlace(damaged), "one") as writer:
        patched.setattr("peakwhite.daemon.book.opening.number_from", full)
        with pytest.raises(BookFull):
            writer.open()
        assert [path.name for path in damaged.parent.iterdir() if "book-2" in path.name] == []
    with BookWriter(BookPlace(damaged), "two") as writer:
        assert writer.keep_mark(new_mark(1, captured=False)) == 100_000_001


def test_a_kill_while_a_book_is_begun_beside_leaves_none(damaged: Path) -> None:
    """Only what is whole has the name of a book: a process that ends before that says so leaves another one."""
    script = (
        "import os, sys; from pathlib import Path; from peakwhite.daemon.book import BookPlace, BookWriter\n"
        "os.rename = lambda *_: os._exit(9)\n"
        "BookWriter(BookPlace(Path(sys.argv[1])), 'one').open()"
    )
    assert subprocess.run((sys.executable, "-c", script, damaged), check=False).returncode == 9
    assert (damaged.parent / ".book-2.sqlite.part").exists()
    with BookWriter(BookPlace(damaged), "two") as writer:
        assert writer.keep_mark(new_mark(1, captured=False)) == 100_000_001
    assert not (damaged.parent / ".book-2.sqlite.part").exists()


def test_the_name_of_a_new_book_and_of_one_beside_is_on_the_disk(
    two_marks: Path, book_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    real = os.fsync

    def fsync(handle: int) -> None:
        synced.append(os.fstat(handle).st_ino)
        real(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    folder = book_file.parent.stat().st_ino
    with BookWriter(BookPlace(book_file), "one") as writer:
        writer.open()
    assert folder in synced
    synced.clear()
    shutil.copy(two_marks, book_file)
    spoil(book_file, page_of(book_file, "marks"))
    with BookWriter(BookPlace(book_file), "two") as writer:
        writer.open()
        assert writer.place.path == book_file.with_name("book-2.sqlite")
    assert folder in synced


def test_the_log_of_a_book_beside_that_is_gone_does_not_come_into_a_new_one(damaged: Path) -> None:
    damaged.with_name("book-2.sqlite-wal").write_bytes(b"what is left of it")
    with BookWriter(BookPlace(damaged), "one") as writer:
        assert writer.keep_mark(new_mark(1, captured=False)) == 200_000_001
    assert damaged.with_name("book-2.sqlite-wal").read_bytes() == b"what is left of it"


def test_beside_a_damaged_book_a_stage_that_is_not_on_the_bench_is_refused(damaged: Path) -> None:
    place = BookPlace(damaged)
    PresentStage(place).choose(77)
    with BookWriter(place, "one") as writer:
        with pytest.raises(NotInBook):
            writer.keep_mark(new_mark(987_654, captured=False))
        number = writer.keep_mark(new_mark(77, captured=False))
        with BookReader(writer.place) as reader:
            assert reader.line(number).stage.id == 77


def test_a_rescue_into_another_book_is_refused_and_changes_nothing(two_marks: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    a_book(other, 1, "job of somebody else")
    before = check_book(BookPlace(other)).counted
    with pytest.raises(UsageError, match=r"another book is there \(run 1 is a different one\)"):
        rescue_book(two_marks, other)
    assert check_book(BookPlace(other)).counted == before


def test_a_row_that_a_rescue_finds_already_there_and_different_is_named(two_marks: Path, tmp_path: Path) -> None:
    target, changed = tmp_path / "out.sqlite", tmp_path / "changed.sqlite"
    assert rescue_book(two_marks, target).lost == ()
    assert rescue_book(two_marks, target).lost == ()
    shutil.copy(two_marks, changed)
    change(changed, "UPDATE marks SET note = 'said later' WHERE id = 2")
    assert rescue_book(changed, target).lost == ("mark 2: another one of that number is there, and is kept",)


def test_what_stands_in_makes_room_for_what_is_rescued_later(two_marks: Path, damaged: Path, tmp_path: Path) -> None:
    target = tmp_path / "out.sqlite"
    rescue_book(damaged, target)
    assert rescue_book(two_marks, target).lost == ()
    with BookReader(BookPlace(target)) as reader:
        assert [line.stage.text.name for line in reader.marks()] == ["as found", "as found"]
        assert reader.line(1).note == ""


@pytest.mark.parametrize("how", ["page", "row"])
def test_a_book_whose_version_is_lost_is_damaged_and_measuring_goes_on(
    how: str, two_marks: Path, book_file: Path
) -> None:
    shutil.copy(two_marks, book_file)
    if how == "page":
        spoil(book_file, page_of(book_file, "alembic_version"))
    else:
        change(book_file, "DELETE FROM alembic_version")
    with BookWriter(BookPlace(book_file), "now") as writer:
        assert writer.keep_mark(new_mark(1, captured=False)) == 100_000_001
        assert [fault.where for fault in writer.set_aside] == [str(book_file)]


@pytest.mark.parametrize("tables", ["CREATE TABLE people (name)", "CREATE TABLE jobs (title)"])
def test_a_database_with_versions_of_something_else_is_no_book(tables: str, book_file: Path) -> None:
    with closing(sqlite3.connect(book_file)) as connection, connection:
        connection.execute("CREATE TABLE alembic_version (version_num)")
        connection.execute("INSERT INTO alembic_version VALUES ('0001')")
        connection.execute(tables)
    with BookWriter(BookPlace(book_file), "now") as writer, pytest.raises(BookError, match="no bench book"):
        writer.open()
    with BookReader(BookPlace(book_file)) as reader, pytest.raises(BookError, match="no bench book"):
        reader.jobs()


def test_a_book_that_was_made_anew_of_a_dump_is_still_one(two_marks: Path, book_file: Path) -> None:
    shutil.copy(two_marks, book_file)
    change(book_file, "PRAGMA application_id = 0")
    assert damage_of(book_file) is None


def test_beside_a_book_that_is_spoilt_too_what_can_be_read_is_found_at_once(
    damaged: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its numbers begin at 100,000,001, and those before are not tried one by one."""
    with BookWriter(BookPlace(damaged), "one") as writer:
        stage = a_stage(writer)
        for second in range(60):
            writer.keep_mark(new_mark(stage, float(second), captured=False, note="n" * 200))
        beside = writer.place.path
    assert beside is not None
    spoil(beside, first_leaf(beside, "marks"))
    tried: list[int] = []
    real = salvage._row_from

    def counted(source: sqlite3.Connection, wanted: str, number: int) -> salvage.Row | None:
        tried.append(number)
        return real(source, wanted, number)

    monkeypatch.setattr(salvage, "_row_from", counted)
    checked = check_book(BookPlace(beside))
    assert any(clause.startswith("marks after 0") for clause in checked.damage)
    assert 0 < len(tried) < 50_000
    assert 30 < checked.counted["marks"] < 60
    rescue_book(beside, tmp_path / "out.sqlite")
    with BookReader(BookPlace(tmp_path / "out.sqlite")) as reader:
        assert len({line.id for line in reader.marks()} & set(range(100_000_001, 100_000_061))) >= 30
