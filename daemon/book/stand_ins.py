"""What stands in for a row of a damaged book that cannot be read, where something that can be read belongs to it."""

import json
import sqlite3
from collections.abc import Mapping
from hashlib import sha256

from .salvage import OWNED

LOST = "of a damaged book"

_INSERTS: Mapping[str, str] = {
    "jobs": "INSERT INTO jobs (id, name, note, created_utc_ns, folded) VALUES (:id, :lost, '', 0, :lost)",
    "units": "INSERT INTO units (id, job_id, maker, model, serial, revision, note, created_utc_ns, folded) "
    "VALUES (:id, :above, '', :lost, '', '', '', 0, :lost)",
    "stages": "INSERT INTO stages (id, unit_id, name, created_utc_ns, folded) VALUES (:id, :above, :lost, 0, :lost)",
    "runs": "INSERT INTO runs (id, name, bench, began_utc_ns) VALUES (:id, :lost, '', 0)",
    "setups": "INSERT INTO setups (id, sha256, document) VALUES (:id, :sha256, :document)",
}
"""By table. A set-up that is lost is no set-up: whoever decodes it is told so."""
_ABOVE = {"units": "jobs", "stages": "units"}


def ensure(target: sqlite3.Connection, table: str, number: int | None = None) -> int:
    """See that there is a row of that number, or any that stands in where none is given; gives its number."""
    if number is None:
        column = "name" if table == "jobs" else "model"
        found = target.execute(f"SELECT id FROM {table} WHERE {column} = ?", (LOST,)).fetchone()
    else:
        found = target.execute(f"SELECT id FROM {table} WHERE id = ?", (number,)).fetchone()
    if found is not None:
        return int(found[0])
    above = ensure(target, _ABOVE[table]) if table in _ABOVE else None
    document = json.dumps(f"set-up {number} {LOST}")
    digest = sha256(document.encode()).hexdigest()
    values = {"id": number, "lost": LOST, "above": above, "document": document, "sha256": digest}
    added = target.execute(_INSERTS[table], values).lastrowid
    assert added is not None
    return added


def adopt_orphans(target: sqlite3.Connection) -> list[str]:
    """See that everything belongs to something. Gives what is missing, a clause each.

    Stage, unit, job, run and set-up get a stand-in; a mark does without its capture; what belonged to a mark, an event
    or a capture that is gone says nothing without it, and is removed.
    """
    told: list[str] = []
    for table, rowid, parent, key in target.execute("PRAGMA foreign_key_check").fetchall():
        column = next(row[3] for row in target.execute(f"PRAGMA foreign_key_list({table})") if row[0] == key)
        there = target.execute(f"SELECT {column} FROM {table} WHERE rowid = ?", (rowid,)).fetchone()
        if there is None:
            continue
        told.append(f"{parent.removesuffix('s')} {there[0]}: it cannot be read, and one of {table} belongs to it")
        if table in OWNED:
            target.execute(f"DELETE FROM {table} WHERE rowid = ?", (rowid,))
        elif parent in _INSERTS:
            ensure(target, parent, there[0])
        else:
            target.execute(f"UPDATE {table} SET {column} = NULL WHERE rowid = ?", (rowid,))
    return list(dict.fromkeys(told))
