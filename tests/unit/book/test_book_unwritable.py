"""A book that can only be read: on a full disk, on one that may not be written to, in somebody else's folder."""

import os
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from kept_marks import a_stage, new_mark
from peakwhite.daemon.book import BookPlace, BookReader, BookWriter
from peakwhite.daemon.book.backup import back_up
from peakwhite.daemon.book.check import check_book
from peakwhite.daemon.book.place import connect_sqlite
from peakwhite.daemon.book.rescue import rescue_book
from peakwhite.drivers.errors import BookDamaged, BookFull, BookUnreachable
from spoilt_books import a_book, page_of, spoil


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book of two marks, all in its file. Copied, never changed."""
    path = tmp_path_factory.mktemp("closed") / "book.sqlite"
    a_book(path, 2)
    return path


@pytest.fixture(scope="module")
def cut_off(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same as a power cut leaves it, with a log beside the file. Copied, never changed."""
    path = tmp_path_factory.mktemp("cut") / "book.sqlite"
    with BookWriter(BookPlace(path.with_name("running.sqlite")), "first") as writer:
        stage = a_stage(writer)
        for second in (1, 2):
            writer.keep_mark(new_mark(stage, second))
        for ending in ("", "-wal"):
            shutil.copy(path.with_name(f"running.sqlite{ending}"), path.with_name(f"{path.name}{ending}"))
    return path


@pytest.fixture(params=["closed", "cut off"])
def readable(request: pytest.FixtureRequest, closed: Path, cut_off: Path, book_file: Path) -> Path:
    """Such a book where SQLite cannot make its file of shared memory, as on a disk that may not be written to."""
    source = closed if request.param == "closed" else cut_off
    for path in source.parent.glob("book.sqlite*"):
        if not path.name.endswith(".lock"):
            shutil.copy(path, book_file.parent)
    book_file.with_name("book.sqlite-shm").symlink_to("nowhere")  # which SQLite does not follow
    return book_file


@contextmanager
def small_disk(folder: Path, options: str) -> Iterator[None]:
    """A disk of 2 MiB at the folder; skips where not root."""
    if os.name != "posix" or os.geteuid() != 0:
        pytest.skip("only root mounts")
    if subprocess.run(("mount", "-t", "tmpfs", "-o", options, "tmpfs", folder), check=False).returncode:
        pytest.skip("nothing can be mounted here")
    try:
        yield
    finally:
        subprocess.run(("umount", folder), check=True)


def held(folder: Path) -> dict[str, bytes]:
    """Files that hold anything: SQLite leaves an empty log where it has looked for one."""
    contents = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    return {name: content for name, content in contents.items() if content}


def told(book: Path, out: Path) -> None:
    """All ways of reading a book of two marks find both."""
    with BookReader(BookPlace(book)) as reader:
        assert [line.id for line in reader.marks()] == [2, 1]
        assert reader.capture(2) is not None
    checked = check_book(BookPlace(book))
    assert checked.sound and checked.counted["marks"] == 2
    rescued = rescue_book(book, out / "rescued.sqlite")
    assert (rescued.copied["marks"], rescued.lost) == (2, ())
    back_up(BookPlace(book), out / "backup.sqlite")
    assert check_book(BookPlace(out / "backup.sqlite")).counted == checked.counted


def test_a_book_that_can_only_be_read_is_read_and_left_as_it_is(
    readable: Path, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = held(tmp_path)
    copies = tmp_path_factory.mktemp("copies")
    monkeypatch.setattr("tempfile.tempdir", str(copies))
    out = tmp_path / "out"
    out.mkdir()
    told(readable, out)
    assert held(tmp_path) == before
    assert list(copies.iterdir()) == []


@pytest.mark.parametrize("source", ["closed", "cut_off"])
def test_a_book_on_a_disk_that_may_not_be_written_to_is_read(
    source: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    with small_disk(disk, "size=4m"):
        for path in request.getfixturevalue(source).parent.glob("book.sqlite*"):
            shutil.copy(path, disk)
        subprocess.run(("mount", "-o", "remount,ro", disk), check=True)
        told(disk / "book.sqlite", tmp_path)


@pytest.mark.parametrize("source", ["closed", "cut_off"])
def test_a_book_on_a_full_disk_is_read_and_a_backup_to_that_disk_says_that_it_is_full(
    source: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    with small_disk(disk, "size=4m"):
        for path in request.getfixturevalue(source).parent.glob("book.sqlite*"):
            shutil.copy(path, disk)
        with pytest.raises(OSError, match="No space"), (disk / "filler").open("wb", buffering=0) as filler:
            while True:
                filler.write(bytes(4096))
        told(disk / "book.sqlite", tmp_path)
        copy = disk / "copy.sqlite"
        with pytest.raises(BookFull) as full:
            back_up(BookPlace(disk / "book.sqlite"), copy)
        assert full.value.where == str(copy)
        assert not copy.exists()


def test_a_book_that_another_program_holds_is_not_called_damaged(closed: Path, book_file: Path, tmp_path: Path) -> None:
    shutil.copy(closed, book_file)
    with closing(connect_sqlite(book_file, "rw", ("locking_mode = EXCLUSIVE",))) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr("peakwhite.daemon.book.place.BUSY_MS", 0)
            with pytest.raises(BookUnreachable, match="another program holds it"):
                check_book(BookPlace(book_file))
            with pytest.raises(BookUnreachable, match="another program holds it"):
                rescue_book(book_file, tmp_path / "out.sqlite")
    assert not (tmp_path / "out.sqlite").exists()


def test_a_sector_that_cannot_be_read_is_damage_and_is_read_past() -> None:
    """A failing card tells the system so; that is not the same as a disk that is gone."""
    from peakwhite.daemon.book.salvage import see_that_it_is_damage

    error = sqlite3.OperationalError("disk I/O error")
    error.sqlite_errorcode = sqlite3.SQLITE_IOERR_READ
    see_that_it_is_damage(error)
    error.sqlite_errorcode = sqlite3.SQLITE_IOERR_SHMOPEN
    with pytest.raises(sqlite3.OperationalError):
        see_that_it_is_damage(error)


def test_a_damaged_book_is_not_backed_up_as_if_it_were_sound(closed: Path, book_file: Path, tmp_path: Path) -> None:
    shutil.copy(closed, book_file)
    spoil(book_file, page_of(book_file, "documents"))
    with pytest.raises(BookDamaged, match="it is not copied: the file is damaged") as damaged:
        back_up(BookPlace(book_file), tmp_path / "copy.sqlite")
    assert damaged.value.where == str(book_file)
    assert [path.name for path in tmp_path.iterdir() if "copy" in path.name] == []


def test_what_is_wrong_with_the_book_is_not_said_of_its_backup(tmp_path: Path) -> None:
    with pytest.raises(BookUnreachable) as missing:
        back_up(BookPlace(tmp_path / "nothere.sqlite"), tmp_path / "copy.sqlite")
    assert missing.value.where == str(tmp_path / "nothere.sqlite")
    (tmp_path / "list.txt").write_text("shopping list " * 100)
    with pytest.raises(BookDamaged) as wrong:
        back_up(BookPlace(tmp_path / "list.txt"), tmp_path / "copy.sqlite")
    assert wrong.value.where == str(tmp_path / "list.txt")
