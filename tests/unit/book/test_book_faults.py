"""What a database's errors are told as."""

import shutil
import sqlite3
from collections import namedtuple
from pathlib import Path

import pytest

from peakwhite.daemon.book import BookPlace
from peakwhite.daemon.book.faults import fault_of
from peakwhite.drivers.errors import BookFull, BookUnreachable

Usage = namedtuple("Usage", ["total", "used", "free"])  # as shutil's own


def failed(code: int) -> sqlite3.OperationalError:
    error = sqlite3.OperationalError("disk I/O error")
    error.sqlite_errorcode = code
    return error


@pytest.mark.parametrize("code", [sqlite3.SQLITE_IOERR | 19 << 8, sqlite3.SQLITE_CANTOPEN])
@pytest.mark.parametrize(("free", "kind"), [(0, BookFull), (1 << 30, BookUnreachable)])
def test_an_error_of_the_disk_is_told_as_a_full_one_where_it_is(
    code: int, free: int, kind: type[Exception], book_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: Usage(1 << 40, 1 << 40, free))
    told = fault_of(failed(code), BookPlace(book_file))
    assert type(told) is kind
    assert "tried again" not in told.do and "by itself" not in told.do, "a command does not try again"
