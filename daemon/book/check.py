"""Names what of a book is damaged: its pages, what refers to what is not there, and everything with a checksum."""

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from hashlib import sha256

from sqlalchemy import Connection, select
from sqlalchemy.exc import DBAPIError

from ...drivers.errors import BookDamaged
from .faults import fault_of
from .levels_told import check_levels
from .migrate import refuse_newer, require_head
from .packing import PackedCodes, check_text, unpack_codes
from .place import BookPlace, reading_engine
from .salvage import (
    NUMBERED,
    OWNED,
    called,
    columns_of,
    known_version,
    open_damaged,
    readable_rows,
    see_that_it_is_damage,
)
from .schema import levels, metadata
from .wal import log_damage

Named = Mapping[str, object]
"""A row by the names of its columns."""
LevelsOf = Callable[[object], Sequence[Named] | None]
"""The rows of `levels` of a mark, in order; None where they cannot be read."""


@dataclass(frozen=True)
class Checked:
    """What was found.

    Attributes:
        damage: what is damaged, a clause each; none where the book is sound.
        counted: how many rows of each table could be read.
    """

    damage: tuple[str, ...]
    counted: dict[str, int]

    @property
    def sound(self) -> bool:
        """Whether nothing is damaged."""
        return not self.damage


def check_book(place: BookPlace) -> Checked:
    """Read all of a book; may take minutes for a large one, and disturbs nobody who writes to it.

    Raises BookUnreachable where there is none, BookNewer.
    """
    if place.path is None:
        return _check_server(place)
    try:
        with closing(open_damaged(place.path)) as connection:
            return _check_file(connection, place)
    except sqlite3.Error as error:
        fault = fault_of(error, place)
        if isinstance(fault, BookDamaged):
            return Checked((fault.what,), dict.fromkeys((*NUMBERED, *OWNED), 0))
        raise fault from error
    except OSError as error:
        raise fault_of(sqlite3.OperationalError(error.strerror), place) from error


def _check_file(connection: sqlite3.Connection, place: BookPlace) -> Checked:
    assert place.path is not None
    version = known_version(connection)
    refuse_newer(version, place)
    damage = [] if version is not None else ["the version of its tables cannot be read"]
    damage += filter(None, [log_damage(place.path)])
    counted: dict[str, int] = {}
    for pragma, said in (("integrity_check", _page_fault), ("foreign_key_check", _missing)):
        try:
            damage += [told for row in connection.execute(f"PRAGMA {pragma}") if (told := said(row))]
        except sqlite3.DatabaseError as error:
            see_that_it_is_damage(error)
            damage.append(str(error))

    def levels_of(mark_id: object) -> list[Named] | None:
        try:
            rows = connection.execute("SELECT * FROM levels WHERE mark_id = ? ORDER BY position", (mark_id,)).fetchall()
        except sqlite3.DatabaseError as error:
            see_that_it_is_damage(error)
            return None
        return [dict(zip(levels.columns.keys(), row, strict=True)) for row in rows]

    for table in (*NUMBERED, *OWNED):
        counted[table] = 0
        try:
            columns = columns_of(connection, table)
        except sqlite3.DatabaseError as error:
            see_that_it_is_damage(error)
            columns = []
        if columns:
            rows = readable_rows(connection, table, columns, damage)
            named = (dict(zip(columns, row, strict=True)) for row in rows)
            counted[table] = _counted(table, named, damage, levels_of)
        else:
            damage.append(f"{table} cannot be found")
    return Checked(tuple(dict.fromkeys(damage)), counted)


def _check_server(place: BookPlace) -> Checked:
    """A server looks after its pages and references itself; the checksums are ours."""
    damage: list[str] = []
    counted: dict[str, int] = {}
    engine = reading_engine(place)
    try:
        with engine.connect() as connection:
            require_head(connection, place)

            def levels_of(mark_id: object) -> list[Named]:
                wanted = select(levels).where(levels.c.mark_id == mark_id).order_by(levels.c.position)
                return [dict(row._mapping) for row in connection.execute(wanted)]

            for table in (*NUMBERED, *OWNED):
                counted[table] = _counted(table, _streamed(connection, table), damage, levels_of)
    except DBAPIError as error:
        raise fault_of(error, place) from error
    finally:
        engine.dispose()
    return Checked(tuple(damage), counted)


def _streamed(connection: Connection, table: str) -> Iterator[Named]:
    for row in connection.execution_options(yield_per=20).execute(select(metadata.tables[table])):
        yield dict(row._mapping)


def _counted(table: str, rows: Iterator[Named], damage: list[str], levels_of: LevelsOf) -> int:
    """How many rows there are; what a checksum, or a reading of its levels, says of each is added to `damage`."""
    count = 0
    for row in rows:
        count += 1
        try:
            check_row(table, row)
            if row.get("kind") == "reading" and (found := levels_of(row["mark_id"])) is not None:
                check_levels(str(row["text"]), found)
        except ValueError as error:
            damage.append(f"{called(table, tuple(row.values()))}: {error}")
    return count


def check_row(table: str, row: Named) -> None:
    """Raises ValueError where a row, by the names of its columns, does not agree with its checksum."""
    check = _CHECKS.get(table)
    try:
        if check is not None:
            check(row)
    except TypeError as error:
        raise ValueError("it holds something of another kind than it should") from error


def _check_codes(row: Named) -> None:
    fields = ("position", "channel", "type", "samples", "crc32", "packed")
    unpack_codes(PackedCodes(**{name: row[name] for name in fields}))  # type: ignore[arg-type]


def _check_capture(row: Named) -> None:
    check_text(str(row["meta"]), row["crc32"], "what scales its codes")


def _check_document(row: Named) -> None:
    check_text(str(row["text"]), row["crc32"], f"the {row['kind']}")
    json.loads(str(row["text"]))


def _check_setup(row: Named) -> None:
    if sha256(str(row["document"]).encode()).hexdigest() != row["sha256"]:
        raise ValueError("it does not agree with its checksum")


_CHECKS: dict[str, Callable[[Named], None]] = {
    "codes": _check_codes,
    "captures": _check_capture,
    "documents": _check_document,
    "setups": _check_setup,
}


def _page_fault(row: tuple[object, ...]) -> str | None:
    return None if row[0] == "ok" else str(row[0])


def _missing(row: tuple[object, ...]) -> str:
    table, rowid, other = row[:3]
    return f"{table} row {rowid} refers to one of {other} that is not there"
