"""The log beside a book: what of it SQLite leaves out silently is noticed, and a torn end is not called damage."""

import os
import shutil
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from kept_marks import a_stage, new_mark
from peakwhite.daemon.book import BookPlace, BookReader, BookWriter
from peakwhite.daemon.book.check import check_book
from peakwhite.daemon.book.opening import damage_of
from peakwhite.daemon.book.records import NewMark
from peakwhite.daemon.book.rescue import rescue_book
from peakwhite.daemon.book.wal import log_damage, log_of
from peakwhite.drivers.errors import BookDamaged

FRAME = 24 + 4096


@pytest.fixture(scope="module")
def cut_off(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book of six marks as a power cut leaves it: all in its log. Copied, never changed."""
    path = tmp_path_factory.mktemp("cut") / "book.sqlite"
    with BookWriter(BookPlace(path.with_name("running.sqlite")), "first") as writer:
        stage = a_stage(writer)
        for second in range(6):
            writer.keep_mark(new_mark(stage, second, captured=False))
        for ending in ("", "-wal"):
            shutil.copy(path.with_name(f"running.sqlite{ending}"), path.with_name(f"{path.name}{ending}"))
    return path


@pytest.fixture
def book(cut_off: Path, book_file: Path) -> Path:
    """A copy of it that may be spoilt."""
    shutil.copy(cut_off, book_file)
    shutil.copy(log_of(cut_off), log_of(book_file))
    return book_file


def flip(log: Path, at: int) -> None:
    """Another bit where a card forgot one."""
    content = bytearray(log.read_bytes())
    content[at] ^= 4
    log.write_bytes(content)


def loose_mark() -> NewMark:
    """One that needs no stage of the book."""
    return replace(new_mark(1, captured=False), stage_id=None)


def ends_of_transactions(log: Path) -> list[int]:
    """Where in the log each transaction ends."""
    content = log.read_bytes()
    starts = range(32, len(content), FRAME)
    return [start + FRAME for start in starts if any(content[start + 4 : start + 8])]


def test_a_sound_log_is_sound_and_what_is_in_it_is_found(book: Path) -> None:
    assert log_of(book).stat().st_size > 32
    assert log_damage(book) is None
    assert damage_of(book) is None
    assert check_book(BookPlace(book)).counted["marks"] == 6


@pytest.mark.parametrize("places", [0, 1, 2])
def test_a_flipped_bit_amid_the_log_is_damage_and_the_book_is_set_aside(places: int, book: Path) -> None:
    log = log_of(book)
    ends = ends_of_transactions(log)
    flip(log, (40, ends[len(ends) // 2] + 500, ends[-2] - 100)[places])
    before = log.read_bytes()
    checked = check_book(BookPlace(book))
    assert any("its log book.sqlite-wal is damaged at frame" in clause for clause in checked.damage)
    with BookWriter(BookPlace(book), "now") as writer:
        assert writer.keep_mark(loose_mark()) == 100_000_001
        assert "is damaged at frame" in writer.set_aside[0].what
    assert log.read_bytes() == before


def test_a_rescue_names_what_a_damaged_log_loses_and_copies_what_lies_before(book: Path, tmp_path: Path) -> None:
    log = log_of(book)
    flip(log, ends_of_transactions(log)[-3] + 200)
    rescued = rescue_book(book, tmp_path / "out.sqlite")
    assert rescued.copied["marks"] == 4
    assert rescued.lost and "what was kept from there on cannot be read" in rescued.lost[0]


def test_wherever_the_log_is_torn_it_is_not_damaged(book: Path) -> None:
    """A transaction that was not on the disk whole was not acknowledged, however much of it arrived."""
    log = log_of(book)
    whole = log.read_bytes()
    last = ends_of_transactions(log)[-2]
    for size in (*range(0, len(whole), len(whole) // 25), 31, 32, 33):
        log.write_bytes(whole[:size])
        assert log_damage(book) is None
    for frame in range(last, len(whole), FRAME):
        log.write_bytes(whole[:frame] + bytes(FRAME) + whole[frame + FRAME :])
        assert log_damage(book) is None
        assert damage_of(book) is None


def test_frames_of_an_earlier_round_behind_the_end_are_no_damage(book_file: Path) -> None:
    """A log is written from its beginning again, over what was taken into the book."""
    with BookWriter(BookPlace(book_file), "first") as writer:
        stage = a_stage(writer)
        for second in range(4):
            writer.keep_mark(new_mark(stage, second))
        writer.write(lambda connection, _: None)
        size = log_of(book_file).stat().st_size
        raw = writer.write(lambda connection, _: connection.connection.driver_connection)
        assert isinstance(raw, sqlite3.Connection)
        raw.execute("PRAGMA wal_checkpoint(RESTART)")
        writer.keep_mark(new_mark(stage, 9.0, captured=False))
        assert log_of(book_file).stat().st_size == size
        assert log_damage(book_file) is None


@pytest.mark.parametrize("main", ["empty", "gone"])
def test_a_log_without_its_book_is_left_as_it_is_and_not_written_over(main: str, book: Path, tmp_path: Path) -> None:
    log = log_of(book)
    before = log.read_bytes()
    if main == "empty":
        os.truncate(book, 0)
    else:
        book.unlink()
    with BookReader(BookPlace(book)) as reader, pytest.raises(BookDamaged, match="its log book.sqlite-wal is left"):
        reader.marks()
    assert not check_book(BookPlace(book)).sound
    with BookWriter(BookPlace(book), "now") as writer:
        assert writer.keep_mark(loose_mark()) == 100_000_001
        assert "its log book.sqlite-wal is left" in writer.set_aside[0].what
    assert log.read_bytes() == before
