"""What a database's own errors mean to the user."""

import shutil
import sqlite3
from collections.abc import Mapping

from sqlalchemy.exc import DBAPIError

from ...drivers.errors import BookDamaged, BookError, BookFull, BookUnreachable
from .place import BookPlace

_FULL = ("it is full", "free some space")
_IO = ("it cannot be written", "see whether the disk is well and its folder can be written to")
_BUSY = ("another program holds it", "end what else writes to it")
_CLOSED = ("it cannot be opened", "see that its folder is there and can be written to")

_SQLITE: Mapping[int, tuple[type[BookError], tuple[str, str]]] = {
    sqlite3.SQLITE_FULL: (BookFull, _FULL),
    sqlite3.SQLITE_IOERR: (BookUnreachable, _IO),
    sqlite3.SQLITE_READONLY: (BookUnreachable, _IO),
    sqlite3.SQLITE_BUSY: (BookUnreachable, _BUSY),
    sqlite3.SQLITE_LOCKED: (BookUnreachable, _BUSY),
    sqlite3.SQLITE_CANTOPEN: (BookUnreachable, _CLOSED),
}
_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
PRIMARY = 0xFF
"""The part of SQLite's codes that says what kind of error it is; the rest says which."""
NO_ROOM = ("53100", "53200", "54000")
"""What PostgreSQL says of a full disk, of no memory, of a limit."""
TOOK_TOO_LONG = ("55P03", "57014")
"""What it says where a lock, or a statement, was waited for too long."""
ROOM_BYTES = 64 << 10
"""With less room than this SQLite may fail in its own files, and then it does not say why."""
DO_RESCUE = "'peakwhite book rescue' copies out what can be read"


def fault_of(error: DBAPIError | sqlite3.Error, place: BookPlace) -> BookError:
    """That error in the project's own words. Of a damaged file it is a BookDamaged."""
    cause = error.orig if isinstance(error, DBAPIError) else error
    where = str(place)
    if not isinstance(cause, sqlite3.Error):
        state = getattr(cause, "sqlstate", None)
        if state in NO_ROOM:
            return BookFull("the server has no room", where=where, do=_FULL[1])
        if state in TOOK_TOO_LONG:
            return BookUnreachable(_BUSY[0], where=where, do=_BUSY[1])
        said = " ".join(str(cause).split())
        return BookUnreachable(f"the server does not do it: {said}", where=where, do="see whether it runs")
    code = getattr(cause, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & PRIMARY
    if code in _DAMAGED:
        return BookDamaged(f"the file is damaged ({cause})", where=where, do=DO_RESCUE)
    if code in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN) and not _has_room(place):
        code = sqlite3.SQLITE_FULL
    kind, (what, do) = _SQLITE.get(code, (BookUnreachable, (str(cause), "please report it with the log")))
    return kind(what, where=where, do=do)


def _has_room(place: BookPlace) -> bool:
    """False where its disk is known to be full."""
    try:
        return place.path is None or shutil.disk_usage(place.path.parent).free >= ROOM_BYTES
    except OSError:
        return True
