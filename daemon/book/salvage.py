"""Reads what can be read of a damaged SQLite book, row by row. Nothing is written to it."""

import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

from .place import connect_sqlite

Row = tuple[object, ...]

PLACES = ("jobs", "units", "stages")
NUMBERED = ("jobs", "units", "stages", "runs", "setups", "captures", "marks", "log", "events")
"""Tables whose rows have a number of their own, each after those that it refers to."""
OWNED = {"codes": "captures", "levels": "marks", "documents": "marks", "event_captures": "events"}
"""Tables whose rows belong to one of another table."""
APART = 100_000_000
"""From one book beside another to the next their numbers begin so far apart: what is copied together stays different."""


def copy_table(
    source: sqlite3.Connection,
    target: sqlite3.Connection,
    table: str,
    check: Callable[[str, Mapping[str, object]], None] = lambda table, row: None,
) -> list[str]:
    """Copy every row of a table that can be read and that `check` raises no ValueError for; gives what was in the way."""
    columns = columns_of(target, table)
    into = f"INSERT OR IGNORE INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
    faults: list[str] = []
    for row in readable_rows(source, table, columns, faults):
        try:
            check(table, dict(zip(columns, row, strict=True)))
            target.execute(into, row)
        except (ValueError, sqlite3.IntegrityError) as error:
            faults.append(f"{called(table, row)}: {error}")
    return faults


def columns_of(connection: sqlite3.Connection, table: str) -> list[str]:
    """Names of a table's columns; none where there is no such table. Raises sqlite3.Error."""
    return [str(row[1]) for row in connection.execute(f"PRAGMA table_info({table})")]


def known_version(damaged: sqlite3.Connection) -> str | None:
    """The version of the tables, None where that cannot be read."""
    try:
        found = damaged.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.DatabaseError:
        return None
    return None if found is None else str(found[0])


def readable_rows(source: sqlite3.Connection, table: str, columns: Sequence[str], faults: list[str]) -> Iterator[Row]:
    """Rows in the order of their rowid. Past a page that cannot be read the next that can is looked for.

    What is in the way is added to `faults`.
    """
    wanted = f"SELECT rowid, {', '.join(columns)} FROM {table}"
    after = 0
    last: int | None = None
    while True:
        try:
            for rowid, *row in source.execute(f"{wanted} WHERE rowid > ? ORDER BY rowid", (after,)):
                after = rowid
                yield tuple(row)
            return
        except sqlite3.DatabaseError as error:
            if not faults or not faults[-1].startswith(f"{table} after {after}"):
                faults.append(f"{table} after {after}: {error}")
        last = _last_rowid(source, table) if last is None else last
        found = _next_readable(source, wanted, after, last)
        if found is None:
            return
        after, row = int(str(found[0])), list(found[1:])
        yield tuple(row)


def called(table: str, row: Row) -> str:
    """What a row is called: by its own number, or of what it belongs to."""
    return f"{OWNED.get(table, table).removesuffix('s')} {row[0]}"


def number_from(target: sqlite3.Connection, first: int) -> None:
    """Have the numbers of all new rows begin after `first`."""
    for table in NUMBERED:
        target.execute("DELETE FROM sqlite_sequence WHERE name = ?", (table,))
        target.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (?, ?)", (table, first))


def open_damaged(path: Path) -> sqlite3.Connection:
    """For reading alone, as far as that goes: a file that is torn too, which SQLite otherwise refuses as a whole.

    Cells that are out of order are refused, not guessed at. Raises sqlite3.Error.
    """
    return connect_sqlite(path, "ro", ("query_only = ON", "cell_size_check = ON", "writable_schema = ON"))


def _last_rowid(source: sqlite3.Connection, table: str) -> int:
    """The largest number that a row of the table may have; 0 where even that cannot be read."""
    for question in (
        f"SELECT rowid FROM {table} ORDER BY rowid DESC LIMIT 1",
        f"SELECT seq FROM sqlite_sequence WHERE name = '{table}'",
    ):
        try:
            found = source.execute(question).fetchone()
        except sqlite3.DatabaseError:
            continue
        if found is not None:
            return int(found[0])
    return 0


def _next_readable(source: sqlite3.Connection, wanted: str, after: int, last: int) -> Row | None:
    """The first row after that one that can be read by its own number; None where there is none up to the last."""
    for rowid in range(after + 1, last + 1):
        try:
            row: Row | None = source.execute(f"{wanted} WHERE rowid = ?", (rowid,)).fetchone()
        except sqlite3.DatabaseError:
            continue
        if row is not None:
            return row
    return None
