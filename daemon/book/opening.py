"""Opens a book for writing. One that is damaged is left as it is, and a new one is begun beside it."""

import os
import re
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from ...drivers.errors import BookDamaged, BookError
from ..durable import make_name_durable
from .faults import DO_RESCUE, fault_of
from .migrate import bring_forward, version_of
from .place import BookPlace, connect_reading, connect_sqlite, reading_engine, writing_engine
from .salvage import APART, PLACES, copy_table, number_from, open_damaged, see_that_it_is_damage
from .wal import log_damage, log_is_there

LOOKED_AT = ("alembic_version", "jobs", "units", "stages", "runs", "setups", "marks")
"""Looked at whenever a book is opened: small tables, on which everything else hangs. `check` reads all."""


NAMED_LIKE_BOOKS = (".sqlite", ".sqlite3", ".db")
HEAD_OF_DATABASE = b"SQLite format 3\0"
"""sqlite.org/fileformat2.html, 1.3."""


@dataclass(frozen=True)
class OpenBook:
    """A book that is open for writing.

    Attributes:
        place: where it is: not where it was looked for, if that one was damaged.
        engine: makes connections that write.
        set_aside: the damaged books that it stands beside, and what is wrong with each.
    """

    place: BookPlace
    engine: Engine
    set_aside: tuple[BookDamaged, ...] = ()


def open_book(base: BookPlace) -> OpenBook:
    """The book at `base`, made or brought forward where need be, or the newest one beside it.

    The caller holds its lock. Raises BookNewer, BookUnreachable, BookFull, and BookError for what is no bench book.
    """
    if base.path is None:
        return OpenBook(base, _brought_forward(base))
    there = books_beside(base.path)
    newest = there[-1] if there else base.path
    aside = tuple(_set_aside(path) for path in there[:-1])
    fault = damage_of(newest)
    if fault is not None:
        return begin_beside(base, fault)
    engine = _brought_forward(BookPlace(newest))
    make_name_durable(newest)
    return OpenBook(BookPlace(newest), engine, aside)


def refuse_foreign(base: BookPlace) -> None:
    """Raises BookError for a file that is no database, where neither its name nor a file beside it says that it was a book.

    Asked before the lock is taken, which leaves a file beside a book. Only a book that was one can be damaged.
    """
    path = base.path
    if path is None or path.suffix in NAMED_LIKE_BOOKS:
        return
    try:
        has_past = log_is_there(path) or len(books_beside(path)) > 1
        if has_past or any(path.with_name(f"{path.name}.{kind}").exists() for kind in ("lock", "present")):
            return
        with path.open("rb") as file:
            head = file.read(len(HEAD_OF_DATABASE))
    except OSError:  # not there, or not readable: `open_book` says so
        return
    if head not in (b"", HEAD_OF_DATABASE):
        raise BookError("that file is no bench book", where=str(path), do="give another path")


def begin_beside(base: BookPlace, fault: BookDamaged) -> OpenBook:
    """A new book with the jobs, units and stages that can still be read of the damaged newest one.

    It has its name once it is whole: a disk that is full meanwhile, or a kill, leaves none. Raises BookUnreachable, BookFull.
    """
    assert base.path is not None
    there = books_beside(base.path)
    number = (_number_of(there[-1]) if there else 1) + 1
    while log_is_there(_numbered(base.path, number)):
        number += 1  # of a book that is gone: what it holds must not come into this one
    path = _numbered(base.path, number)
    part = path.with_name(f".{path.name}.part")
    try:
        _remove(part)
        bring_forward(writing_engine(BookPlace(part)), BookPlace(path))
        with closing(connect_sqlite(part, "rw", WHOLE)) as target:
            target.execute("BEGIN IMMEDIATE")
            if there:
                _copy_places(there[-1], target)
            number_from(target, (number - 1) * APART)
            target.execute("COMMIT")
            target.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            target.execute("PRAGMA journal_mode = DELETE")  # all in the one file that gets the name
        os.rename(part, path)
        make_name_durable(path)
    except (DBAPIError, sqlite3.Error) as error:
        raise fault_of(error, BookPlace(path)) from error
    except OSError as error:
        raise fault_of(sqlite3.OperationalError(error.strerror), BookPlace(path)) from error
    finally:
        with suppress(OSError):
            _remove(part)
    aside = tuple(_set_aside(one) for one in there[:-1])
    return OpenBook(BookPlace(path), _brought_forward(BookPlace(path)), (*aside, fault))


WHOLE = ("synchronous = FULL", "fullfsync = ON", "foreign_keys = ON")
"""What is in the file once its log is taken in is on the disk."""


def damage_of(path: Path) -> BookDamaged | None:
    """What is wrong with a file that should be a book; None where nothing is, or where there is no file yet.

    Raises BookNewer, and BookError for a database that is no bench book at all: that one was not meant.
    """
    place = BookPlace(path)
    try:
        if not log_is_there(path) and (not path.exists() or path.stat().st_size == 0):
            return None
        with closing(connect_reading(path, ("query_only = ON", "cell_size_check = ON"))) as connection:
            complaints = [row[0] for table in LOOKED_AT for row in _quick_check(connection, table)]
        _check_version(place)
        of_log = log_damage(path)
    except OSError as error:
        raise fault_of(sqlite3.OperationalError(error.strerror), place) from error
    except BookDamaged as damaged:
        return damaged
    except (DBAPIError, sqlite3.Error) as error:
        fault = fault_of(error, place)
        if isinstance(fault, BookDamaged):
            return fault
        raise fault from error
    if complaints:
        return BookDamaged(f"the file is damaged ({complaints[0]})", where=str(path), do=DO_RESCUE)
    return None if of_log is None else BookDamaged(of_log, where=str(path), do=DO_RESCUE)


def place_in_use(base: BookPlace) -> BookPlace:
    """Where a writer of that book writes: the newest of those beside it, where it is damaged."""
    there = [] if base.path is None else books_beside(base.path)
    return BookPlace(there[-1]) if there else base


def books_beside(base: Path) -> list[Path]:
    """The book and those that were begun beside it, as far as they are there, the newest last."""
    pattern = re.compile(re.escape(base.stem) + r"-([2-9]|[1-9]\d+)" + re.escape(base.suffix))
    beside = [path for path in base.parent.glob(f"*{base.suffix}") if pattern.fullmatch(path.name)]
    return [path for path in (base, *sorted(beside, key=_number_of)) if path.exists()]


def _brought_forward(place: BookPlace) -> Engine:
    engine = writing_engine(place)
    with ExitStack() as on_failure:
        on_failure.callback(engine.dispose)
        try:
            bring_forward(engine, place)
        except (DBAPIError, sqlite3.Error) as error:
            raise fault_of(error, place) from error
        on_failure.pop_all()
    return engine


def _check_version(place: BookPlace) -> None:
    engine = reading_engine(place)
    with engine.begin() as connection:
        version_of(connection, place)


def _quick_check(connection: sqlite3.Connection, table: str) -> Iterator[tuple[str]]:
    """Complaints about one table; none of one that an older or foreign file does not have."""
    if connection.execute("SELECT 1 FROM sqlite_schema WHERE name = ?", (table,)).fetchone():
        for row in connection.execute(f"PRAGMA quick_check({table})"):
            if row[0] != "ok":
                yield row


def _copy_places(damaged: Path, target: sqlite3.Connection) -> None:
    """What can be read; where nothing can, a mark makes its stage anew."""
    try:
        with closing(open_damaged(damaged)) as source:
            for table in PLACES:
                copy_table(source, target, table)
    except sqlite3.DatabaseError as error:
        see_that_it_is_damage(error)


def _remove(part: Path) -> None:
    """What an earlier attempt left. Raises OSError."""
    for ending in ("", "-wal", "-shm", "-journal"):
        part.with_name(f"{part.name}{ending}").unlink(missing_ok=True)


def _set_aside(path: Path) -> BookDamaged:
    return BookDamaged(
        "this book was damaged and has been set aside", where=str(path), do=f"{DO_RESCUE}; then move it away"
    )


def _number_of(path: Path) -> int:
    return int(path.stem.rpartition("-")[2]) if re.search(r"-\d+$", path.stem) else 1


def _numbered(base: Path, number: int) -> Path:
    return base.with_name(f"{base.stem}-{number}{base.suffix}")
