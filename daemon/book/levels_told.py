"""The rows of `levels` say in short what the reading of their mark says, which has a checksum."""

import json
import sqlite3
from collections.abc import Mapping, Sequence

from ..measure.reading import plain
from .packing import checksum
from .writing import LEVEL_COLUMNS

Row = dict[str, object]


def check_levels(reading: str, rows: Sequence[Mapping[str, object]]) -> None:
    """Raises ValueError where the levels of a mark, in order of position, are not those of its reading."""
    if [{name: plain(row[name]) for name in LEVEL_COLUMNS} for row in rows] != told_by(reading):
        raise ValueError("its levels are not those of its reading")


def told_by(reading: str) -> list[Row]:
    """What `levels` has to say, a row a channel. Raises ValueError where that is no reading."""
    try:
        return [{name: channel[name] for name in LEVEL_COLUMNS} for channel in json.loads(reading)["channels"]]
    except (KeyError, TypeError) as error:
        raise ValueError("the reading is none") from error


def restore_levels(target: sqlite3.Connection) -> None:
    """Put the levels of marks right that are not those of their readings: of a damaged book they may be lost or altered."""
    names = ("mark_id", "position", *LEVEL_COLUMNS)
    into = f"INSERT INTO levels ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"
    for (mark_id,) in target.execute("SELECT id FROM marks").fetchall():
        wanted = "SELECT text, crc32 FROM documents WHERE mark_id = ? AND kind = 'reading'"
        text, crc32 = target.execute(wanted, (mark_id,)).fetchone() or ("", None)
        if checksum(text) != crc32:
            continue
        shown = target.execute(
            f"SELECT {', '.join(LEVEL_COLUMNS)} FROM levels WHERE mark_id = ? ORDER BY position", (mark_id,)
        )
        try:
            check_levels(text, [dict(zip(LEVEL_COLUMNS, row, strict=True)) for row in shown])
        except ValueError:
            target.execute("DELETE FROM levels WHERE mark_id = ?", (mark_id,))
            target.executemany(into, [(mark_id, position, *row.values()) for position, row in enumerate(told_by(text))])
