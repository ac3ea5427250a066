"""Copies a book while it is written."""

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from ...drivers.errors import BookDamaged, UsageError
from ..durable import make_name_durable
from .faults import DO_RESCUE, fault_of
from .place import BookPlace, connect_reading, connect_sqlite


def back_up(place: BookPlace, target: Path) -> None:
    """A copy of the book as it stands now at `target`, durable on return; whole, or not there at all.

    Raises UsageError where `target` is there already or the book is on a server, BookUnreachable, BookFull, BookDamaged.
    """
    if place.path is None:
        do = "back a server up with its own means: pg_dump --format=custom"
        raise UsageError("a book on a server is not copied from here", where=str(place), do=do)
    if target.exists():
        raise UsageError("there is something already", where=str(target), do="give a new name")
    part = target.with_name(f".{target.name}.part")
    try:
        part.unlink(missing_ok=True)
        with closing(_source(place)) as source, closing(connect_sqlite(part, "rwc")) as copy:
            source.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, whatever the book itself is kept in
            (said,) = copy.execute("PRAGMA quick_check(1)").fetchone()
        if said != "ok":
            raise BookDamaged(f"it is not copied: the file is damaged ({said})", where=str(place), do=DO_RESCUE)
        with part.open("rb") as file:
            os.fsync(file.fileno())
        os.rename(part, target)
        make_name_durable(target)
    except sqlite3.Error as error:
        fault = fault_of(error, BookPlace(target))
        raise (fault_of(error, place) if isinstance(fault, BookDamaged) else fault) from error
    except OSError as error:
        raise fault_of(
            sqlite3.OperationalError((error.strerror or "it cannot be copied").lower()), BookPlace(target)
        ) from error
    finally:
        part.unlink(missing_ok=True)


def _source(place: BookPlace) -> sqlite3.Connection:
    """The book that is copied. Raises BookError, which names it."""
    assert place.path is not None
    try:
        connection = connect_reading(place.path)
    except sqlite3.Error as error:
        raise fault_of(error, place) from error
    try:
        connection.execute("PRAGMA schema_version").fetchone()
    except sqlite3.Error as error:
        connection.close()
        raise fault_of(error, place) from error
    return connection
