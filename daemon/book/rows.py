"""Rows of the book as what they tell."""

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, TypeVar

from sqlalchemy import Connection, RowMapping, select

from .documents import decode_budgets, decode_conditions
from .packing import PackedCapture, PackedCodes, check_text
from .records import (
    Event,
    Job,
    JobText,
    LevelShown,
    MarkLine,
    MarkShown,
    Moment,
    Stage,
    StageText,
    Unit,
    UnitText,
    Warmth,
)
from .schema import captures, codes

T = TypeVar("T")
Values = Mapping[str, Any] | RowMapping


def packed_capture(connection: Connection, capture_id: int) -> PackedCapture:
    """A capture as it is stored, with the codes that are there."""
    head = connection.execute(select(captures).where(captures.c.id == capture_id)).one()
    rows = connection.execute(select(codes).where(codes.c.capture_id == capture_id).order_by(codes.c.position))
    found = tuple(PackedCodes(*row[1:]) for row in rows)
    return PackedCapture(head.captured_at_ns, head.samples, head.meta, head.crc32, found)


def line_of(row: Values, shown: tuple[LevelShown, ...]) -> MarkLine:
    """A mark as a list shows it, of a row of all that it belongs to."""
    return MarkLine(
        id=row["marks_id"],
        stage=stage_of(row, "stages_"),
        unit=unit_of(row, "units_"),
        job=job_of(row, "jobs_"),
        run=row["runs_name"],
        bench=row["runs_bench"],
        moment=Moment(row["marks_monotonic_ns"], row["marks_utc_ns"], row["marks_clock_synced"]),
        identity=row["marks_identity"],
        warmth=Warmth(row["marks_unit_on_min"], row["marks_scope_on_min"], row["marks_cold"]),
        note=row["marks_note"],
        who=row["marks_who"],
        removed_utc_ns=row["marks_removed_utc_ns"],
        has_capture=row["marks_capture_id"] is not None,
        levels=shown,
    )


def job_of(row: Values, prefix: str = "") -> Job:
    """A job, of columns that are labelled with that prefix."""
    text = JobText(row[f"{prefix}name"], row[f"{prefix}note"])
    return Job(row[f"{prefix}id"], text, row[f"{prefix}created_utc_ns"])


def unit_of(row: Values, prefix: str = "") -> Unit:
    """A unit, of columns that are labelled with that prefix."""
    text = UnitText(*(row[f"{prefix}{name}"] for name in ("maker", "model", "serial", "revision", "note")))
    return Unit(row[f"{prefix}id"], row[f"{prefix}job_id"], text, row[f"{prefix}created_utc_ns"])


def stage_of(row: Values, prefix: str = "") -> Stage:
    """A stage, of columns that are labelled with that prefix."""
    text = StageText(row[f"{prefix}name"])
    return Stage(row[f"{prefix}id"], row[f"{prefix}unit_id"], text, row[f"{prefix}created_utc_ns"])


def event_of(row: Values) -> Event:
    """An event as a list shows it."""
    moment = Moment(row["monotonic_ns"], row["utc_ns"], row["clock_synced"])
    return Event(row["id"], moment, row["kind"], row["text"], row["channel"], row["stage_id"])


def shown_of(line: MarkLine, setup: str | None, texts: Mapping[str, tuple[str, int]]) -> MarkShown:
    """The mark, of whose documents each that is damaged is named and left out."""
    damaged: list[str] = []

    def decoded(kind: str, decode: Callable[[str], T], otherwise: T) -> T:
        if kind not in texts:
            return otherwise
        try:
            check_text(*texts[kind], f"the {kind}")
            return decode(texts[kind][0])
        except ValueError as error:
            damaged.append(str(error))
            return otherwise

    conditions = None
    try:
        conditions = None if setup is None else decode_conditions(setup)
    except ValueError:
        damaged.append("the set-up cannot be read")
    shown = MarkShown(
        line,
        reading=decoded("reading", object_of, None),
        conditions=conditions,
        budgets=decoded("budgets", decode_budgets, ()),
        inspect=decoded("inspect", object_of, None),
        remedy=decoded("remedy", object_of, None),
    )
    return replace(shown, damaged=tuple(damaged))


def object_of(text: str) -> Mapping[str, Any] | None:
    """An object of JSON, or None for null. Raises ValueError."""
    found = json.loads(text)
    return None if found is None else dict(found)
