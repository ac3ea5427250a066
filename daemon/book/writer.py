"""Writes to the book, one transaction a thing: what returned is durable, what raised left nothing behind."""

import os
import platform
import socket
import sqlite3
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Self, TypeVar

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from ...drivers.errors import BookDamaged, BookUnreachable
from . import writing
from .faults import fault_of
from .lock import BookLock
from .opening import OpenBook, begin_beside, open_book, refuse_foreign
from .place import BookPlace
from .placing import loose_stage
from .present import PresentStage
from .records import NewMark
from .stand_ins import ensure

T = TypeVar("T")
_Number = tuple[int, int] | None
"""What tells a file from another of its name; None where there is none."""
Work = Callable[[Connection, int], T]
"""What is done in one transaction, given its connection and the number of this run."""


class BookWriter:
    """The one writer of a book in this process; one thread uses it.

    Args:
        place: where the book is.
        run: name of this run, as its readings carry it.
        bench: the bench that writes, of several that share a server.
        wall_ns: nanoseconds since 1970 UTC.
        address: where this process may be asked to write, for others that want to.

    Raises BookInUse where another process writes to the same file, BookError for a file that never was a book.
    """

    def __init__(
        self,
        place: BookPlace,
        run: str,
        *,
        bench: str | None = None,
        wall_ns: Callable[[], int] = time.time_ns,
        address: str = "",
    ) -> None:
        self._base = place
        self._run = run
        self.bench = platform.node() if bench is None else bench
        self._wall_ns = wall_ns
        self._address = address
        self._lock: BookLock | None = None
        refuse_foreign(place)
        with suppress(BookUnreachable):  # `open` tries again, and says so
            self._take_lock()
        self._book: OpenBook | None = None
        self._connection: Connection | None = None
        self._run_id: int | None = None
        self._files: tuple[_Number, _Number] | None = None
        self._line: socket.socket | None = None

    @property
    def place(self) -> BookPlace:
        """Where it writes: beside the place that was given, where that book is damaged."""
        return self._base if self._book is None else self._book.place

    @property
    def set_aside(self) -> tuple[BookDamaged, ...]:
        """The damaged books that were left as they are."""
        return () if self._book is None else self._book.set_aside

    def open(self) -> None:
        """Open the book now, and not only at the first write. Raises BookError."""
        self._take_lock()
        if self._book is None:
            self._book = open_book(self._base)
            self._run_id = None

    def write(self, work: Work[T]) -> T:
        """Do something in one transaction, durable on return.

        A book that turns out to be damaged is set aside, and it is done in a new one. Raises BookError: nothing was
        written then, and the next call begins with a connection of its own.
        """
        self.open()
        self._see_that_it_is_there()
        try:
            return self._transact(work)
        except (DBAPIError, sqlite3.Error) as error:
            fault = fault_of(error, self.place)
            self._disconnect()
            if not isinstance(fault, BookDamaged) or self._base.path is None:
                raise fault from error
            self._begin_beside(fault)
        try:
            return self._transact(work)
        except (DBAPIError, sqlite3.Error) as error:
            self._disconnect()
            raise fault_of(error, self.place) from error

    def keep_mark(self, mark: NewMark) -> int:
        """Keep a mark; gives its number. Raises BookError, NotInBook."""
        return self.write(lambda connection, run_id: self.keep_in(connection, run_id, mark))

    def keep_in(self, connection: Connection, run_id: int, mark: NewMark) -> int:
        """Keep a mark within a transaction of `write`."""
        if mark.stage_id is None:
            mark = replace(mark, stage_id=loose_stage(connection, mark.moment.utc_ns))
        elif self.set_aside and mark.stage_id == PresentStage(self._base).stage_id:  # no other, which may be a slip
            self.adopt_stage(connection, mark.stage_id)
        return writing.keep_mark(connection, run_id, mark)

    def give_up(self) -> None:
        """From another thread: end what waits for a server that says nothing; it raises BookUnreachable then."""
        line = self._line
        if line is not None:
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Let the book go."""
        self._let_go()
        if self._book is not None:
            self._book.engine.dispose()
        if self._lock is not None:
            self._lock.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def adopt_stage(self, connection: Connection, stage_id: int | None) -> None:
        """Beside a damaged book: see that a stage is there that was chosen in that one."""
        if self.set_aside and stage_id is not None:
            ensure(_sqlite(connection), "stages", stage_id)

    def _take_lock(self) -> None:
        """Raises BookInUse, and BookUnreachable where its folder is none to write in."""
        if self._lock is None and self._base.path is not None:
            self._lock = BookLock(self._base.path, self._address)

    def _transact(self, work: Work[T]) -> T:
        connection = self._connected()
        try:
            with connection.begin():
                if self._files is None and self.place.path is not None:
                    self._files = _files_of(self.place.path)
                run_id = self._run_id
                if run_id is None:
                    run_id = writing.add_run(connection, self._run, self.bench, self._wall_ns())
                done = work(connection, run_id)
        finally:
            if self._base.path is None:
                self._let_go()
        self._run_id = run_id
        self._see_that_it_is_there()
        return done

    def _connected(self) -> Connection:
        assert self._book is not None
        if self._connection is None:
            self._connection = self._book.engine.connect()
            if self._base.path is None:
                driver = self._connection.connection.driver_connection
                assert driver is not None
                self._line = socket.fromfd(driver.fileno(), socket.AF_INET, socket.SOCK_STREAM)
        return self._connection

    def _see_that_it_is_there(self) -> None:
        """What is written to a file that was removed is lost, and nobody says so. Raises BookUnreachable.

        Where only its log was removed, what that holds is put into the file.
        """
        path = self.place.path
        if self._files is None or path is None or (there := _files_of(path)) == self._files:
            return
        is_saved = there[0] == self._files[0] and self._save_log()
        self._disconnect()
        if is_saved:
            return
        self._book = None
        what = "the file was moved or removed while the book was open"
        raise BookUnreachable(what, where=str(path), do="put it back; what is kept next goes to whatever is there then")

    def _save_log(self) -> bool:
        """Whether all of the log is in the file, on the disk."""
        assert self._connection is not None
        try:
            is_held, *_ = _sqlite(self._connection).execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        except sqlite3.Error:
            return False
        return not is_held

    def _begin_beside(self, fault: BookDamaged) -> None:
        assert self._book is not None
        self._book.engine.dispose()
        self._book, self._run_id = begin_beside(self._base, fault), None

    def _disconnect(self) -> None:
        """Begin the next write with a connection of its own."""
        if self._connection is not None:
            self._connection.invalidate()
        self._let_go()

    def _let_go(self) -> None:
        connection, self._connection = self._connection, None
        self._files = None
        line, self._line = self._line, None
        if line is not None:
            line.close()
        if connection is not None:
            connection.close()


def _sqlite(connection: Connection) -> sqlite3.Connection:
    raw = connection.connection.driver_connection
    assert isinstance(raw, sqlite3.Connection)
    return raw


def _files_of(book: Path) -> tuple[_Number, _Number]:
    """Of the book and of its log."""
    return _number_of(book), _number_of(book.with_name(f"{book.name}-wal"))


def _number_of(path: Path) -> _Number:
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino
