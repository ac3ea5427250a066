"""What each thing that is kept puts into the tables. The caller's transaction holds all of it, or none."""

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from hashlib import sha256
from typing import Any

import numpy as np
from sqlalchemy import Connection, Table, insert, select, update
from sqlalchemy import text as statement

from ...drivers.capture import Capture
from ...drivers.errors import NotInBook
from ..measure.reading import encode_reading
from ..measure.targets import Conditions
from .documents import encode
from .packing import checksum, pack
from .records import JobText, LogBatch, NewEvent, NewMark, StageText, UnitText
from .schema import (
    captures,
    codes,
    documents,
    event_captures,
    events,
    jobs,
    levels,
    log,
    marks,
    runs,
    setups,
    stages,
    units,
)

_ADD_SETUP = statement("INSERT INTO setups (sha256, document) VALUES (:sha256, :document) ON CONFLICT DO NOTHING")
"""Another bench may store the same one at the same time: it is waited for, and its row is taken then."""
_OF_A_STRETCH = ("run_id", "monotonic_ns", "stage_id", "channel", "role")
"""What tells a channel's stretch of the log from all others."""
LEVEL_COLUMNS = tuple(column.name for column in levels.columns if column.name not in ("mark_id", "position"))


def fold(texts: Iterable[str]) -> str:
    """Texts as `folded` holds them and search wants them: in one, without upper case."""
    return "\n".join(text for text in texts if text).casefold()


def add_run(connection: Connection, name: str, bench: str, began_utc_ns: int) -> int:
    """A run of the program begins to keep; gives its number."""
    return _added(connection, runs, {"name": name, "bench": bench, "began_utc_ns": began_utc_ns})


def add_job(connection: Connection, text: JobText, utc_ns: int) -> int:
    """A job; gives its number."""
    return _added(connection, jobs, _named(text) | {"created_utc_ns": utc_ns})


def add_unit(connection: Connection, job_id: int, text: UnitText, utc_ns: int) -> int:
    """A unit of a job; gives its number. Raises NotInBook."""
    require(connection, jobs, job_id)
    return _added(connection, units, _named(text) | {"job_id": job_id, "created_utc_ns": utc_ns})


def add_stage(connection: Connection, unit_id: int, text: StageText, utc_ns: int) -> int:
    """A stage of a unit; gives its number. Raises NotInBook."""
    require(connection, units, unit_id)
    return _added(connection, stages, _named(text) | {"unit_id": unit_id, "created_utc_ns": utc_ns})


def change_text(connection: Connection, number: int, text: JobText | UnitText | StageText) -> None:
    """Say something else of a job, unit or stage. Raises NotInBook."""
    table = jobs if isinstance(text, JobText) else units if isinstance(text, UnitText) else stages
    require(connection, table, number)
    connection.execute(update(table).where(table.c.id == number).values(**_named(text)))


def keep_mark(connection: Connection, run_id: int, mark: NewMark) -> int:
    """A mark with its capture, set-up and reading; gives its number. Raises NotInBook."""
    if mark.stage_id is None:
        raise ValueError("a loose mark is given its stage before")
    require(connection, stages, mark.stage_id)
    values = {
        "stage_id": mark.stage_id,
        "run_id": run_id,
        "setup_id": _setup(connection, mark.conditions),
        "capture_id": None if mark.capture is None else keep_capture(connection, mark.capture),
        "identity": mark.reading.scope.identity,
        "note": mark.note,
        "who": mark.who,
        "folded": fold((mark.note, mark.who)),
    }
    mark_id = _added(connection, marks, values | asdict(mark.moment) | asdict(mark.warmth))
    shown = [
        {"mark_id": mark_id, "position": position} | {name: getattr(channel, name) for name in LEVEL_COLUMNS}
        for position, channel in enumerate(mark.reading.measured.channels)
    ]
    if shown:
        connection.execute(insert(levels), shown)
    add_document(connection, mark_id, "reading", encode_reading(mark.reading))
    add_document(connection, mark_id, "budgets", encode(mark.reading.measured.budgets))
    return mark_id


def change_mark(connection: Connection, mark_id: int, *, note: str | None = None, stage_id: int | None = None) -> None:
    """Another note, another stage, where given. Raises NotInBook."""
    require(connection, marks, mark_id)
    values: dict[str, Any] = {}
    if stage_id is not None:
        require(connection, stages, stage_id)
        values["stage_id"] = stage_id
    if note is not None:
        who = connection.scalar(select(marks.c.who).where(marks.c.id == mark_id))
        values |= {"note": note, "folded": fold((note, str(who)))}
    if values:
        connection.execute(update(marks).where(marks.c.id == mark_id).values(**values))


def add_document(connection: Connection, mark_id: int, kind: str, text: str) -> None:
    """JSON that belongs to a mark, in the place of an earlier one of its kind. Raises NotInBook."""
    require(connection, marks, mark_id)
    this = (documents.c.mark_id == mark_id) & (documents.c.kind == kind)
    values = {"text": text, "crc32": checksum(text)}
    if connection.execute(update(documents).where(this).values(**values)).rowcount == 0:
        connection.execute(insert(documents).values(mark_id=mark_id, kind=kind, **values))


def undo(connection: Connection, bench: str, utc_ns: int) -> int | None:
    """Take back the mark that this bench kept last, in whatever run; gives its number, None where there is none.

    It stays in the book.
    """
    of_bench = select(marks.c.id).join(runs, marks.c.run_id == runs.c.id).where(runs.c.bench == bench)
    last = of_bench.where(marks.c.removed_utc_ns.is_(None)).order_by(marks.c.id.desc()).limit(1)
    mark_id = connection.scalar(last)
    if mark_id is not None:
        set_removed(connection, mark_id, utc_ns)
    return mark_id


def set_removed(connection: Connection, mark_id: int, utc_ns: int | None) -> None:
    """Take a mark back, or with None put it back. Raises NotInBook."""
    require(connection, marks, mark_id)
    connection.execute(update(marks).where(marks.c.id == mark_id).values(removed_utc_ns=utc_ns))


def keep_log(connection: Connection, run_id: int, batch: LogBatch) -> None:
    """A stretch of the running log, in the place of what was kept of it before.

    Where that is there, only its own page is written: the indexes stand, and no number is given.
    """
    for channel in batch.channels:
        whose = asdict(batch.moment) | {
            "run_id": run_id,
            "stage_id": batch.stage_id,
            "period_ms": batch.period_ms,
            "channel": channel.channel,
            "role": channel.role,
        }
        found = {"levels": channel.levels_mv.astype("<f4").tobytes()} | _overall(channel.levels_mv)
        this = [log.c[name].is_not_distinct_from(whose[name]) for name in _OF_A_STRETCH]
        if connection.execute(update(log).where(*this).values(**found)).rowcount == 0:
            connection.execute(insert(log).values(**whose, **found))


def keep_event(connection: Connection, run_id: int, event: NewEvent) -> int:
    """An event with the captures around it; gives its number."""
    values = {
        "run_id": run_id,
        "stage_id": event.stage_id,
        "setup_id": _setup(connection, event.conditions),
        "kind": event.kind,
        "channel": event.channel,
        "text": event.text,
    }
    event_id = _added(connection, events, values | asdict(event.moment))
    for one in event.captures:
        row = {
            "event_id": event_id,
            "position": one.position,
            "capture_id": keep_capture(connection, one.capture),
            "reading": None if one.reading is None else encode_reading(one.reading),
        }
        connection.execute(insert(event_captures).values(**row))
    return event_id


def keep_capture(connection: Connection, capture: Capture) -> int:
    """A capture and its codes; gives its number."""
    packed = pack(capture)
    values = {name: getattr(packed, name) for name in ("captured_at_ns", "samples", "meta", "crc32")}
    capture_id = _added(connection, captures, values)
    connection.execute(insert(codes), [{"capture_id": capture_id} | asdict(one) for one in packed.codes])
    return capture_id


def require(connection: Connection, table: Table, number: int) -> None:
    """Raises NotInBook where the table has no row of that number."""
    if connection.scalar(select(table.c.id).where(table.c.id == number)) is None:
        raise not_in_book(table, number)


def not_in_book(table: Table, number: int) -> NotInBook:
    """The error that says so."""
    kind = table.name.removesuffix("s")
    return NotInBook(f"there is no {kind} {number}", where="book", do="see what there is with 'peakwhite book list'")


def _setup(connection: Connection, conditions: Conditions) -> int:
    """The number of that set-up, of which each different one is stored once."""
    document = encode(conditions)
    digest = sha256(document.encode()).hexdigest()
    wanted = select(setups.c.id).where(setups.c.sha256 == digest)
    known: int | None = connection.scalar(wanted)
    if known is None:
        connection.execute(_ADD_SETUP, {"sha256": digest, "document": document})
        known = connection.scalars(wanted).one()
    return known


def _added(connection: Connection, table: Table, values: Mapping[str, Any]) -> int:
    key = connection.execute(insert(table).values(**values)).inserted_primary_key
    assert key is not None
    return int(key[0])


def _named(text: JobText | UnitText | StageText) -> dict[str, Any]:
    said = asdict(text)
    return said | {"folded": fold(said.values())}


def _overall(levels_mv: np.ndarray[Any, np.dtype[np.float32]]) -> dict[str, float | None]:
    """Minimum, mean and maximum of a batch; None for all where no period of it has a level."""
    seen = levels_mv[~np.isnan(levels_mv).any(axis=1)].astype(np.float64)
    if seen.size == 0:
        return {"min_mv": None, "mean_mv": None, "max_mv": None}
    return {
        "min_mv": float(seen[:, 0].min()),
        "mean_mv": float(seen[:, 1].mean()),
        "max_mv": float(seen[:, 2].max()),
    }
