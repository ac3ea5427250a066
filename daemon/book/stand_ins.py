"""What stands in for a row of a damaged book that cannot be read, where something that can be read belongs to it."""

import json
import sqlite3
from collections.abc import Mapping
from hashlib import sha256

from .salvage import LOST, OWNED, see_that_it_is_damage

_INSERTS: Mapping[str, str] = {
    "jobs": "INSERT INTO jobs (id, name, note, created_utc_ns, folded) VALUES (:id, :lost, '', 0, :lost)",
    "units": "INSERT INTO units (id, job_id, maker, model, serial, revision, note, created_utc_ns, folded) "
    "VALUES (:id, :above, '', :lost, '', '', '', 0, :lost)",
    "stages": "INSERT INTO stages (id, unit_id, name, created_utc_ns, folded) VALUES (:id, :above, :lost, 0, :lost)",
    "runs": "INSERT INTO runs (id, name, bench, began_utc_ns) VALUES (:id, :lost, '', 0)",
    "marks": "INSERT INTO marks (id, stage_id, run_id, monotonic_ns, utc_ns, setup_id, identity, cold, note, who, folded) "
    "VALUES (:id, :above, :run, 0, 0, :setup, '', 0, :lost, '', :lost)",
    "setups": "INSERT INTO setups (id, sha256, document) VALUES (:id, :sha256, :document)",
}
"""By table. A set-up that is lost is no set-up: whoever decodes it is told so."""
_ABOVE = {"units": "jobs", "stages": "units", "marks": "stages"}
NAMED_BY = {"jobs": "name", "units": "model", "stages": "name", "runs": "name", "setups": "document"}


def ensure(target: sqlite3.Connection, table: str, number: int | None = None) -> int:
    """See that there is a row of that number, or any that stands in where none is given; gives its number."""
    if number is None:
        named = (NAMED_BY[table], json.dumps(LOST) if table == "setups" else LOST)
    else:
        named = ("id", str(number))
    found = target.execute(f"SELECT id FROM {table} WHERE {named[0]} = ?", (named[1],)).fetchone()
    if found is not None:
        return int(found[0])
    document = json.dumps(LOST if number is None else f"{number} {LOST}")
    values = {
        "id": number,
        "lost": LOST,
        "above": ensure(target, _ABOVE[table]) if table in _ABOVE else None,
        "run": ensure(target, "runs") if table == "marks" else None,
        "setup": ensure(target, "setups") if table == "marks" else None,
        "document": document,
        "sha256": sha256(document.encode()).hexdigest(),
    }
    added = target.execute(_INSERTS[table], values).lastrowid
    assert added is not None
    return added


def adopt_orphans(target: sqlite3.Connection) -> list[str]:
    """See that everything belongs to something. Gives what is missing, a clause each.

    Mark, stage, unit, job, run and set-up get a stand-in; a mark does without its capture; what belonged to an event or
    a capture that is gone says nothing without it, and is removed.
    """
    told: list[str] = []
    for table, rowid, parent, key in target.execute("PRAGMA foreign_key_check").fetchall():
        column = next(row[3] for row in target.execute(f"PRAGMA foreign_key_list({table})") if row[0] == key)
        there = target.execute(f"SELECT {column} FROM {table} WHERE rowid = ?", (rowid,)).fetchone()
        if there is None:
            continue
        told.append(f"{parent.removesuffix('s')} {there[0]}: it cannot be read, and one of {table} belongs to it")
        if parent in _INSERTS:
            ensure(target, parent, there[0])
        elif table in OWNED:
            target.execute(f"DELETE FROM {table} WHERE rowid = ?", (rowid,))
        else:
            target.execute(f"UPDATE {table} SET {column} = NULL WHERE rowid = ?", (rowid,))
    return list(dict.fromkeys(told))


def place_by_index(source: sqlite3.Connection, target: sqlite3.Connection) -> None:
    """What an index still tells of marks whose own rows cannot be read: stage, run and time."""
    order = "SELECT stage_id, run_id, monotonic_ns, id FROM marks INDEXED BY ix_marks_of_stage"
    try:
        for *place, mark_id in source.execute(order):
            if target.execute("SELECT 1 FROM marks WHERE id = ?", (mark_id,)).fetchone() is None:
                ensure(target, "marks", mark_id)
                target.execute(
                    "UPDATE marks SET stage_id = ?, run_id = ?, monotonic_ns = ? WHERE id = ?", (*place, mark_id)
                )
    except sqlite3.DatabaseError as error:
        see_that_it_is_damage(error)


def find_captures(target: sqlite3.Connection) -> None:
    """Give stand-ins of marks the captures that are nobody's and were captured when their readings say."""
    lost = "SELECT id, text FROM marks JOIN documents ON mark_id = id AND kind = 'reading' WHERE note = ?"
    for mark_id, text in target.execute(lost, (LOST,)).fetchall():
        captured_at = json.loads(text).get("captured_at")
        nobodys = target.execute(
            "SELECT id, captured_at_ns FROM captures "
            "WHERE strftime('%Y-%m-%dT%H:%M:%S', captured_at_ns / 1000000000, 'unixepoch') || "
            "printf('.%03dZ', captured_at_ns / 1000000 % 1000) = ? "
            "AND id NOT IN (SELECT capture_id FROM marks WHERE capture_id IS NOT NULL) "
            "AND id NOT IN (SELECT capture_id FROM event_captures)",
            (captured_at,),
        ).fetchall()
        if len(nobodys) == 1:
            target.execute("UPDATE marks SET capture_id = ?, utc_ns = ? WHERE id = ?", (*nobodys[0], mark_id))
