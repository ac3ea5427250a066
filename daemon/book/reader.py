"""Reads the book: what there is, one mark in full, and what a search finds. Lists never touch a capture's codes."""

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any, Self, TypeVar

from sqlalchemy import LABEL_STYLE_TABLENAME_PLUS_COL, ColumnElement, Connection, RowMapping, or_, select, tuple_
from sqlalchemy.exc import DBAPIError

from ...drivers.capture import Capture
from ...drivers.errors import BookDamaged
from .comparison import Comparison, Side, compare
from .documents import decode_budgets, decode_conditions
from .faults import fault_of
from .packing import PackedCapture, PackedCodes, check_text, unpack
from .place import BookPlace, reading_engine
from .records import (
    Event,
    EventShown,
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
from .schema import captures, codes, documents, event_captures, events, jobs, levels, marks, runs, setups, stages, units
from .writing import not_in_book, require

T = TypeVar("T")
Values = Mapping[str, Any] | RowMapping

IN_ORDER = (marks.c.run_id, marks.c.monotonic_ns, marks.c.id)
"""What marks are in order by; the last tells apart what was kept at once."""
DO_CHECK = "'peakwhite book check' names all that is damaged"
MOST_LISTED = 1_000
LONGEST_SEARCH = 200


@dataclass(frozen=True)
class MarkFilter:
    """Which marks are listed, the newest first.

    Attributes:
        job_id, unit_id, stage_id: of these alone.
        words: each of which occurs in job, unit, stage, note or who.
        removed: those too that were taken back.
        before: number of the mark that ended the page before.
        most: so many at most, MOST_LISTED in any case.
    """

    job_id: int | None = None
    unit_id: int | None = None
    stage_id: int | None = None
    words: str = ""
    removed: bool = False
    before: int | None = None
    most: int = 50


class BookReader:
    """Reads one book; any thread may use it. Every method raises BookError where the book cannot be read."""

    def __init__(self, place: BookPlace) -> None:
        self.place = place
        self._engine = reading_engine(place)

    def close(self) -> None:
        """Let the book go."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def jobs(self) -> tuple[Job, ...]:
        """All jobs, the newest first."""
        with self._reading() as connection:
            return tuple(_job(row) for row in connection.execute(select(jobs).order_by(jobs.c.id.desc())).mappings())

    def units(self, job_id: int) -> tuple[Unit, ...]:
        """The units of a job, the oldest first."""
        with self._reading() as connection:
            wanted = select(units).where(units.c.job_id == job_id).order_by(units.c.id)
            return tuple(_unit(row) for row in connection.execute(wanted).mappings())

    def stages(self, unit_id: int) -> tuple[Stage, ...]:
        """The stages of a unit, the oldest first."""
        with self._reading() as connection:
            wanted = select(stages).where(stages.c.unit_id == unit_id).order_by(stages.c.id)
            return tuple(_stage(row) for row in connection.execute(wanted).mappings())

    def marks(self, wanted: MarkFilter = MarkFilter()) -> tuple[MarkLine, ...]:
        """The marks that are wanted, the newest first: by run, and by the clock that does not jump."""
        with self._reading() as connection:
            return _lines(connection, _wanted(connection, wanted))

    def search(self, words: str, most: int = 50) -> tuple[MarkLine, ...]:
        """Marks in whose job, unit, stage, note or who each of the words occurs, as part of a word too."""
        return self.marks(MarkFilter(words=words, most=most))

    def show(self, mark_id: int) -> MarkShown:
        """A mark in full, but for its codes. Raises NotInBook."""
        with self._reading() as connection:
            found = _lines(connection, [mark_id])
            if not found:
                raise not_in_book(marks, mark_id)
            texts = connection.execute(
                select(documents.c.kind, documents.c.text, documents.c.crc32).where(documents.c.mark_id == mark_id)
            ).all()
            setup = connection.scalar(
                select(setups.c.document).join(marks, marks.c.setup_id == setups.c.id).where(marks.c.id == mark_id)
            )
        return _shown(found[0], setup, {row.kind: (row.text, row.crc32) for row in texts})

    def compare(self, before: int, after: int) -> Comparison:
        """Two marks against each other. Raises NotInBook, and BookDamaged where the reading of one is."""
        return compare(self._side(before), self._side(after))

    def _side(self, mark_id: int) -> Side:
        shown = self.show(mark_id)
        if shown.reading is None:
            what = f"the reading of mark {mark_id} cannot be read"
            raise BookDamaged(what, where=str(self.place), do=DO_CHECK)
        return Side(shown.reading, shown.budgets)

    def capture(self, mark_id: int) -> Capture | None:
        """The capture of a mark, None where none was kept. Raises NotInBook, and BookDamaged that names what is."""
        with self._reading() as connection:
            mark = connection.execute(select(marks.c.capture_id).where(marks.c.id == mark_id)).one_or_none()
            if mark is None:
                raise not_in_book(marks, mark_id)
            packed = None if mark.capture_id is None else packed_capture(connection, mark.capture_id)
        return None if packed is None else self._unpacked(packed, f"mark {mark_id}")

    def events(self, most: int = 50) -> tuple[Event, ...]:
        """What the watch caught, the newest first."""
        newest_first = (events.c.run_id.desc(), events.c.monotonic_ns.desc(), events.c.id.desc())
        with self._reading() as connection:
            rows = connection.execute(select(events).order_by(*newest_first).limit(min(most, MOST_LISTED)))
            return tuple(
                Event(
                    row.id,
                    Moment(row.monotonic_ns, row.utc_ns, row.clock_synced),
                    row.kind,
                    row.text,
                    row.channel,
                    row.stage_id,
                )
                for row in rows
            )

    def event_captures(self, event_id: int) -> tuple[EventShown, ...]:
        """The captures around an event, in order. Raises BookDamaged where one of them is."""
        with self._reading() as connection:
            wanted = select(event_captures).where(event_captures.c.event_id == event_id)
            rows = connection.execute(wanted.order_by(event_captures.c.position)).all()
            packed = [packed_capture(connection, row.capture_id) for row in rows]
        return tuple(
            EventShown(row.position, self._unpacked(one, f"event {event_id}"), _object(row.reading or "null"))
            for row, one in zip(rows, packed, strict=True)
        )

    def _unpacked(self, packed: PackedCapture, of: str) -> Capture:
        try:
            return unpack(packed)
        except ValueError as error:
            what = f"the capture of {of} is damaged: {error}"
            raise BookDamaged(what, where=str(self.place), do=DO_CHECK) from error

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        """One view of the book, however it is written meanwhile."""
        try:
            with self._engine.begin() as connection:
                yield connection
        except (DBAPIError, sqlite3.Error) as error:
            raise fault_of(error, self.place) from error


def packed_capture(connection: Connection, capture_id: int) -> PackedCapture:
    """A capture as it is stored, with the codes that are there."""
    head = connection.execute(select(captures).where(captures.c.id == capture_id)).one()
    rows = connection.execute(select(codes).where(codes.c.capture_id == capture_id).order_by(codes.c.position))
    found = tuple(PackedCodes(*row[1:]) for row in rows)
    return PackedCapture(head.captured_at_ns, head.samples, head.meta, head.crc32, found)


def _wanted(connection: Connection, wanted: MarkFilter) -> list[int]:
    """Numbers of the marks that are wanted, in order."""
    found = select(marks.c.id)
    if wanted.stage_id is not None:
        found = found.where(marks.c.stage_id == wanted.stage_id)
    elif wanted.unit_id is not None:
        found = found.where(marks.c.stage_id.in_(select(stages.c.id).where(stages.c.unit_id == wanted.unit_id)))
    elif wanted.job_id is not None:
        of_job = select(stages.c.id).join(units, stages.c.unit_id == units.c.id).where(units.c.job_id == wanted.job_id)
        found = found.where(marks.c.stage_id.in_(of_job))
    for word in wanted.words.casefold()[:LONGEST_SEARCH].split():
        found = found.where(_holds(word))
    if not wanted.removed:
        found = found.where(marks.c.removed_utc_ns.is_(None))
    if wanted.before is not None:
        require(connection, marks, wanted.before)
        found = found.where(tuple_(*IN_ORDER) < select(*IN_ORDER).where(marks.c.id == wanted.before).scalar_subquery())
    newest_first = found.order_by(*(column.desc() for column in IN_ORDER))
    return list(connection.scalars(newest_first.limit(max(1, min(wanted.most, MOST_LISTED)))))


def _holds(word: str) -> ColumnElement[bool]:
    """Whether a word occurs in what is said of a mark, or of what it belongs to."""
    said = (jobs.c.folded, units.c.folded, stages.c.folded)
    of_places = (
        select(stages.c.id)
        .join(units, stages.c.unit_id == units.c.id)
        .join(jobs, units.c.job_id == jobs.c.id)
        .where(or_(*(column.contains(word, autoescape=True) for column in said)))
    )
    return or_(marks.c.stage_id.in_(of_places), marks.c.folded.contains(word, autoescape=True))


def _lines(connection: Connection, numbers: Sequence[int]) -> tuple[MarkLine, ...]:
    """The marks of these numbers, in this order."""
    joined = (
        select(marks, stages, units, jobs, runs)
        .set_label_style(LABEL_STYLE_TABLENAME_PLUS_COL)
        .join(stages, marks.c.stage_id == stages.c.id)
        .join(units, stages.c.unit_id == units.c.id)
        .join(jobs, units.c.job_id == jobs.c.id)
        .join(runs, marks.c.run_id == runs.c.id)
        .where(marks.c.id.in_(numbers))
    )
    of_levels = select(levels).where(levels.c.mark_id.in_(numbers)).order_by(levels.c.mark_id, levels.c.position)
    shown: dict[int, list[LevelShown]] = {}
    for row in connection.execute(of_levels):
        shown.setdefault(row.mark_id, []).append(LevelShown(*row[2:]))
    lines = {
        row.marks_id: _line(row._mapping, tuple(shown.get(row.marks_id, ()))) for row in connection.execute(joined)
    }
    return tuple(lines[number] for number in numbers if number in lines)


def _line(row: Values, shown: tuple[LevelShown, ...]) -> MarkLine:
    return MarkLine(
        id=row["marks_id"],
        stage=_stage(_of("stages", row)),
        unit=_unit(_of("units", row)),
        job=_job(_of("jobs", row)),
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


def _of(table: str, row: Values) -> dict[str, Any]:
    """The columns of one table of several that were joined."""
    return {name.removeprefix(f"{table}_"): value for name, value in row.items() if name.startswith(f"{table}_")}


def _job(row: Values) -> Job:
    return Job(row["id"], JobText(row["name"], row["note"]), row["created_utc_ns"])


def _unit(row: Values) -> Unit:
    text = UnitText(row["maker"], row["model"], row["serial"], row["revision"], row["note"])
    return Unit(row["id"], row["job_id"], text, row["created_utc_ns"])


def _stage(row: Values) -> Stage:
    return Stage(row["id"], row["unit_id"], StageText(row["name"]), row["created_utc_ns"])


def _shown(line: MarkLine, setup: str | None, texts: Mapping[str, tuple[str, int]]) -> MarkShown:
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
        reading=decoded("reading", _object, None),
        conditions=conditions,
        budgets=decoded("budgets", decode_budgets, ()),
        inspect=decoded("inspect", _object, None),
        remedy=decoded("remedy", _object, None),
    )
    return replace(shown, damaged=tuple(damaged))


def _object(text: str) -> Mapping[str, Any] | None:
    found = json.loads(text)
    return None if found is None else dict(found)
