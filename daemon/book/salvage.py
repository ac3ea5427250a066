"""Reads what can be read of a damaged SQLite book, row by row. Nothing is written to it."""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from .faults import PRIMARY
from .place import connect_reading

Row = tuple[object, ...]

PLACES = ("jobs", "units", "stages")
NUMBERED = ("jobs", "units", "stages", "runs", "setups", "captures", "marks", "log", "events")
"""Tables whose rows have a number of their own, each after those that it refers to."""
OWNED = {"codes": "captures", "levels": "marks", "documents": "marks", "event_captures": "events"}
"""Tables whose rows belong to one of another table."""
LOST = "of a damaged book"
"""Stands in what stands in for a row that cannot be read."""
APART = 100_000_000
"""From one book beside another to the next their numbers begin so far apart: what is copied together stays different."""
NEAR = 20_000
"""So many numbers behind a place that cannot be read are tried one by one: more than lie on one page, or below one."""


def copy_table(
    source: sqlite3.Connection,
    target: sqlite3.Connection,
    table: str,
    prepare: Callable[[str, dict[str, object]], None] = lambda table, row: None,
) -> list[str]:
    """Copy every row of a table that can be read and that `prepare` raises no ValueError for; gives what was in the way.

    A row that is there already, or of which something real is there where this one stands in, is in nobody's way.
    """
    columns = columns_of(target, table)
    into = f"INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
    key = " AND ".join(f"{column} = ?" for column in columns[: 1 if table in NUMBERED else 2])
    faults: list[str] = []
    for row in readable_rows(source, table, columns, faults):
        named = dict(zip(columns, row, strict=True))
        try:
            prepare(table, named)
            values = tuple(named.values())
            there = target.execute(f"SELECT * FROM {table} WHERE {key}", values[: key.count("?")]).fetchone()
            if there is None or (LOST in there and LOST not in values):
                target.execute(f"INSERT OR REPLACE {into}" if there else f"INSERT {into}", values)
            elif there != values and LOST not in values:
                faults.append(f"{called(table, row)}: another one of that number is there, and is kept")
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
    except sqlite3.DatabaseError as error:
        see_that_it_is_damage(error)
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
            see_that_it_is_damage(error)
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
    return connect_reading(path, ("query_only = ON", "cell_size_check = ON", "writable_schema = ON"))


def see_that_it_is_damage(error: sqlite3.DatabaseError) -> None:
    """Raises the error where the file may be well, but cannot be reached, or not now: there is nothing to read past."""
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR)
    if code & PRIMARY in _OUTSIDE and code != sqlite3.SQLITE_IOERR_READ:  # that one is a bad sector
        raise error


_OUTSIDE = (
    sqlite3.SQLITE_BUSY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_LOCKED,
    sqlite3.SQLITE_PERM, sqlite3.SQLITE_PROTOCOL, sqlite3.SQLITE_READONLY,
)  # fmt: skip


def _last_rowid(source: sqlite3.Connection, table: str) -> int:
    """The largest number that a row of the table may have; 0 where even that cannot be read."""
    for question in (
        f"SELECT rowid FROM {table} ORDER BY rowid DESC LIMIT 1",
        f"SELECT seq FROM sqlite_sequence WHERE name = '{table}'",
    ):
        try:
            found = source.execute(question).fetchone()
        except sqlite3.DatabaseError as error:
            see_that_it_is_damage(error)
            continue
        if found is not None:
            return int(found[0])
    return 0


def _next_readable(source: sqlite3.Connection, wanted: str, after: int, last: int) -> Row | None:
    """The first row after that one that can be read; None where there is none up to the last.

    Numbers nearby are tried one by one, so that nothing between two damaged pages is passed over; then ever larger steps,
    of which the one that arrives is halved.
    """
    failed = after
    for number in _tried(after, last):
        if (found := _row_from(source, wanted, number)) is None:
            failed = number
            continue
        while number - failed > 1:
            middle = (failed + number) // 2
            if (earlier := _row_from(source, wanted, middle)) is None:
                failed = middle
            else:
                number, found = middle, earlier
        return found
    return None


def _tried(after: int, last: int) -> Iterator[int]:
    """Numbers up to the last: the next ones, those at which another book begins, and some that lie ever further off."""
    yield from range(after + 1, min(after + NEAR, last) + 1)
    doubled = {after + (NEAR << step) for step in range(1, max(1, last - after).bit_length())}
    begins = range((after // APART + 1) * APART + 1, last, APART)
    yield from sorted(number for number in {*doubled, *begins, last} if after + NEAR < number <= last)


def _row_from(source: sqlite3.Connection, wanted: str, number: int) -> Row | None:
    """The row of that number or the next one; None where it cannot be read."""
    try:
        row: Row | None = source.execute(f"{wanted} WHERE rowid >= ? ORDER BY rowid LIMIT 1", (number,)).fetchone()
    except sqlite3.DatabaseError as error:
        see_that_it_is_damage(error)
        return None
    return row if row is not None and int(str(row[0])) >= number else None
