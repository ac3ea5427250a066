"""Copies out of a damaged book everything that can be read, to a new one."""

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.exc import DBAPIError

from ...drivers.errors import UsageError
from .check import check_row
from .faults import fault_of
from .lock import BookLock
from .migrate import bring_forward, refuse_newer
from .place import BookPlace, connect_sqlite, writing_engine
from .salvage import NUMBERED, OWNED, copy_table, known_version, open_damaged
from .stand_ins import adopt_orphans, find_captures, place_by_index


@dataclass(frozen=True)
class Rescued:
    """What was copied.

    Attributes:
        copied: how many rows of each table.
        lost: what could not be, a clause each.
    """

    copied: dict[str, int]
    lost: tuple[str, ...]


def rescue_book(damaged: Path, target: Path) -> Rescued:
    """Copy what can be read of `damaged`, under the numbers that it has there, to a book that is made at `target`.

    A book that is there already is added to, so that what was kept beside a damaged book comes into one with what is
    rescued of that: their numbers differ. `damaged` is left as it is. Codes and documents that do not agree with their
    checksums are not copied. Raises UsageError, BookInUse, BookUnreachable, BookFull.
    """
    if damaged.resolve() == target.resolve():
        raise UsageError("a book cannot be rescued to itself", where=str(target), do="give another path")
    if not damaged.is_file():
        raise UsageError("there is no such file", where=str(damaged), do="give the damaged book")
    place = BookPlace(target)
    try:
        with closing(open_damaged(damaged)) as source:
            refuse_newer(known_version(source), BookPlace(damaged))
            with closing(BookLock(target)):
                bring_forward(writing_engine(place), place)
                with closing(connect_sqlite(target, "rw", ("synchronous = NORMAL", "fullfsync = ON"))) as into:
                    return _copied(source, into)
    except (DBAPIError, sqlite3.Error) as error:
        raise fault_of(error, place) from error


def _copied(source: sqlite3.Connection, into: sqlite3.Connection) -> Rescued:
    copied: dict[str, int] = {}
    lost: list[str] = []
    for table in (*NUMBERED, *OWNED):
        into.execute("BEGIN IMMEDIATE")
        before = into.total_changes
        lost += copy_table(source, into, table, check_row)
        copied[table] = into.total_changes - before
        into.execute("COMMIT")
    into.execute("BEGIN IMMEDIATE")
    place_by_index(source, into)
    lost += adopt_orphans(into)
    find_captures(into)
    into.execute("COMMIT")
    into.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # from here on it is durable
    return Rescued(copied, tuple(lost))
