"""Books to test with: a file, or tables of their own on a server."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from peakwhite.daemon.book import BookPlace, BookReader, BookWriter
from postgres import tables_of_their_own


@pytest.fixture
def book_file(tmp_path: Path) -> Path:
    """Where a new book may be."""
    return tmp_path / "book.sqlite"


@pytest.fixture(params=["file", "server"])
def book_place(request: pytest.FixtureRequest, book_file: Path) -> Iterator[BookPlace]:
    """Where a new book may be: everything that takes this has to hold for both."""
    if request.param == "file":
        yield BookPlace(book_file)
    else:
        with tables_of_their_own() as place:
            yield place


@pytest.fixture
def writer(book_place: BookPlace) -> Iterator[BookWriter]:
    """Writes a new book."""
    with BookWriter(book_place, "9f3c", bench="left") as writer:
        yield writer


@pytest.fixture
def reader(writer: BookWriter) -> Iterator[BookReader]:
    """Reads the book of `writer`."""
    writer.open()
    with BookReader(writer.place) as reader:
        yield reader
