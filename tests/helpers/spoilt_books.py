"""Books to be spoilt, and the ways in which their files are."""

from contextlib import closing
from pathlib import Path

from kept_marks import a_stage, new_mark
from peakwhite.daemon.book import BookPlace, BookWriter
from peakwhite.daemon.book.place import connect_sqlite

PAGE = 4096


def a_book(path: Path, marks: int = 3, job: str = "Quayside batch") -> list[int]:
    """A closed book with so many marks; gives their numbers."""
    with BookWriter(BookPlace(path), "first") as writer:
        stage = a_stage(writer, job)
        return [writer.keep_mark(new_mark(stage, second)) for second in range(1, marks + 1)]


def page_of(path: Path, table: str) -> int:
    """The first page of a table."""
    with closing(connect_sqlite(path, "ro")) as connection:
        return int(connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()[0])


def spoil(path: Path, page: int) -> None:
    """Overwrite a page, counted from 1, as a failing card does."""
    with path.open("r+b") as file:
        file.seek((page - 1) * PAGE)
        file.write(b"\xa5" * PAGE)
