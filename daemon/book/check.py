"""Names what of a book is damaged: its pages, what refers to what is not there, and everything with a checksum."""

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from sqlalchemy import Connection, select
from sqlalchemy.exc import DBAPIError

from .faults import fault_of
from .migrate import version_of
from .packing import PackedCodes, check_text, unpack_codes
from .place import BookPlace, reading_engine
from .salvage import NUMBERED, OWNED, Row, called, open_damaged, readable_rows
from .schema import captures, codes, documents, metadata, setups


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
            return _check_file(connection, place.path)
    except sqlite3.Error as error:
        raise fault_of(error, place) from error


def _check_file(connection: sqlite3.Connection, path: Path) -> Checked:
    damage: list[str] = []
    counted: dict[str, int] = {}
    for pragma, said in (("integrity_check", _page_fault), ("foreign_key_check", _missing)):
        try:
            damage += [told for row in connection.execute(f"PRAGMA {pragma}") if (told := said(row))]
        except sqlite3.DatabaseError as error:
            damage.append(f"{path.name}: {error}")
    for table in (*NUMBERED, *OWNED):
        columns = tuple(column.name for column in metadata.tables[table].columns)
        rows = readable_rows(connection, table, columns, damage)
        counted[table] = _counted(table, rows, damage)
    return Checked(tuple(dict.fromkeys(damage)), counted)


def _check_server(place: BookPlace) -> Checked:
    """A server looks after its pages and references itself; the checksums are ours."""
    damage: list[str] = []
    counted: dict[str, int] = {}
    engine = reading_engine(place)
    try:
        with engine.connect() as connection:
            version_of(connection, place)
            for table in (*NUMBERED, *OWNED):
                counted[table] = _counted(table, _streamed(connection, table), damage)
    except DBAPIError as error:
        raise fault_of(error, place) from error
    finally:
        engine.dispose()
    return Checked(tuple(damage), counted)


def _streamed(connection: Connection, table: str) -> Iterator[Row]:
    for row in connection.execution_options(yield_per=20).execute(select(metadata.tables[table])):
        yield tuple(row)


def _counted(table: str, rows: Iterator[Row], damage: list[str]) -> int:
    """How many rows there are; what a checksum says of each is added to `damage`."""
    count = 0
    for row in rows:
        count += 1
        try:
            check_row(table, row)
        except ValueError as error:
            damage.append(f"{called(table, row)}: {error}")
    return count


def check_row(table: str, row: Row) -> None:
    """Raises ValueError where a row does not agree with its checksum; `row` has all columns in the order of `schema`."""
    check = _CHECKS.get(table)
    try:
        if check is not None:
            check(row)
    except TypeError as error:
        raise ValueError("it holds something of another kind than it should") from error


def _check_codes(row: Row) -> None:
    unpack_codes(PackedCodes(*row[1:]))  # type: ignore[arg-type]


def _check_capture(row: Row) -> None:
    named = dict(zip(captures.columns.keys(), row, strict=True))
    check_text(str(named["meta"]), int(str(named["crc32"])), "what scales its codes")


def _check_document(row: Row) -> None:
    named = dict(zip(documents.columns.keys(), row, strict=True))
    check_text(str(named["text"]), int(str(named["crc32"])), f"the {named['kind']}")
    json.loads(str(named["text"]))


def _check_setup(row: Row) -> None:
    named = dict(zip(setups.columns.keys(), row, strict=True))
    if sha256(str(named["document"]).encode()).hexdigest() != named["sha256"]:
        raise ValueError("it does not agree with its checksum")


_CHECKS: dict[str, Callable[[Row], None]] = {
    codes.name: _check_codes,
    captures.name: _check_capture,
    documents.name: _check_document,
    setups.name: _check_setup,
}


def _page_fault(row: Row) -> str | None:
    return None if row[0] == "ok" else str(row[0])


def _missing(row: Row) -> str:
    table, rowid, other = row[:3]
    return f"{table} row {rowid} refers to one of {other} that is not there"
