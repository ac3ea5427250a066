"""Copies out of a damaged book everything that can be read, to a new one."""

import sqlite3
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

from sqlalchemy.exc import DBAPIError

from ...drivers.errors import UsageError
from .check import check_row
from .faults import fault_of
from .levels_told import restore_levels
from .lock import BookLock
from .migrate import bring_forward, refuse_newer
from .place import BookPlace, connect_sqlite, writing_engine
from .salvage import NUMBERED, OWNED, copy_table, known_version, open_damaged, readable_rows
from .stand_ins import adopt_orphans, find_captures, place_by_index
from .wal import log_damage

BEGAN = {
    "jobs": "created_utc_ns",
    "units": "created_utc_ns",
    "stages": "created_utc_ns",
    "runs": "began_utc_ns",
    "captures": "captured_at_ns",
}
"""What tells a row from another of its number, whatever else was changed: when it began; 0 where that is not known."""


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
    rescued of that: their numbers differ. One that has other things under the same numbers is refused. `damaged` is left
    as it is. Codes and documents that do not agree with their checksums are not copied. Raises UsageError, BookInUse,
    BookUnreachable, BookFull, BookDamaged.
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
                    _refuse_another(source, into, target)
                    of_log = log_damage(damaged)
                    rescued = _copied(source, into)
                    return rescued if of_log is None else replace(rescued, lost=(of_log, *rescued.lost))
    except (DBAPIError, sqlite3.Error) as error:
        raise fault_of(error, place) from error
    except OSError as error:
        raise fault_of(sqlite3.OperationalError(error.strerror), BookPlace(damaged)) from error


def _refuse_another(source: sqlite3.Connection, into: sqlite3.Connection, target: Path) -> None:
    """Raises UsageError where the target has other things under the numbers of the source."""
    for table, began in BEGAN.items():
        for number, at_ns in readable_rows(source, table, ("id", began), []):
            there = into.execute(f"SELECT {began} FROM {table} WHERE id = ?", (number,)).fetchone()
            if at_ns and there is not None and there[0] not in (0, at_ns):
                what = f"another book is there ({table.removesuffix('s')} {number} is a different one)"
                raise UsageError(what, where=str(target), do="give a path where there is none yet")


def _copied(source: sqlite3.Connection, into: sqlite3.Connection) -> Rescued:
    copied: dict[str, int] = {}
    lost: list[str] = []
    renumbered: dict[object, object] = {}

    def prepare(table: str, row: dict[str, object]) -> None:
        """A set-up is in a book once: what refers to one that is there under another number gets that number."""
        check_row(table, row)
        if table == "setups":
            there = into.execute("SELECT id FROM setups WHERE sha256 = ?", (row["sha256"],)).fetchone()
            if there is not None and there[0] != row["id"]:
                renumbered[row["id"]] = row["id"] = there[0]
        elif "setup_id" in row:
            row["setup_id"] = renumbered.get(row["setup_id"], row["setup_id"])

    for table in (*NUMBERED, *OWNED):
        into.execute("BEGIN IMMEDIATE")
        before = into.total_changes
        lost += copy_table(source, into, table, prepare)
        copied[table] = into.total_changes - before
        into.execute("COMMIT")
    into.execute("BEGIN IMMEDIATE")
    place_by_index(source, into)
    lost += adopt_orphans(into)
    find_captures(into)
    restore_levels(into)
    into.execute("COMMIT")
    into.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # from here on it is durable
    return Rescued(copied, tuple(lost))
