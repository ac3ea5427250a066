"""Reads the book: what there is, one mark in full, and what a search finds. Lists never touch a capture's codes."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Self

from sqlalchemy import LABEL_STYLE_TABLENAME_PLUS_COL, Connection, RowMapping, Table, select
from sqlalchemy.exc import DBAPIError

from ...drivers.capture import Capture
from ...drivers.errors import BookDamaged
from .comparison import Comparison, Side, compare
from .faults import fault_of
from .finding import MOST_LISTED, MarkFilter, mark_lines, numbers_wanted
from .migrate import require_head
from .packing import PackedCapture, unpack
from .place import BookPlace, reading_engine
from .records import Event, EventShown, Job, MarkLine, MarkShown, Stage, Unit
from .rows import event_of, job_of, object_of, packed_capture, shown_of, stage_of, unit_of
from .schema import documents, event_captures, events, jobs, marks, setups, stages, units
from .writing import not_in_book

NEWEST = MarkFilter()
DO_CHECK = "'peakwhite book check' names all that is damaged"


class BookReader:
    """Reads one book; any thread may use it. Every method raises BookError where the book cannot be read."""

    def __init__(self, place: BookPlace) -> None:
        self.place = place
        self._engine = reading_engine(place)
        self._is_known = False

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
            return tuple(job_of(row) for row in connection.execute(select(jobs).order_by(jobs.c.id.desc())).mappings())

    def job(self, job_id: int) -> Job:
        """One job. Raises NotInBook."""
        return job_of(self._row(jobs, job_id))

    def unit(self, unit_id: int) -> Unit:
        """One unit. Raises NotInBook."""
        return unit_of(self._row(units, unit_id))

    def units(self, job_id: int) -> tuple[Unit, ...]:
        """The units of a job, the oldest first."""
        with self._reading() as connection:
            wanted = select(units).where(units.c.job_id == job_id).order_by(units.c.id)
            return tuple(unit_of(row) for row in connection.execute(wanted).mappings())

    def stages(self, unit_id: int) -> tuple[Stage, ...]:
        """The stages of a unit, the oldest first."""
        with self._reading() as connection:
            wanted = select(stages).where(stages.c.unit_id == unit_id).order_by(stages.c.id)
            return tuple(stage_of(row) for row in connection.execute(wanted).mappings())

    def whereabouts(self, stage_id: int) -> tuple[Job, Unit, Stage]:
        """A stage with the unit and the job that it belongs to. Raises NotInBook."""
        joined = select(stages, units, jobs).set_label_style(LABEL_STYLE_TABLENAME_PLUS_COL)
        joined = joined.join(units, stages.c.unit_id == units.c.id).join(jobs, units.c.job_id == jobs.c.id)
        with self._reading() as connection:
            row = connection.execute(joined.where(stages.c.id == stage_id)).mappings().one_or_none()
        if row is None:
            raise not_in_book(stages, stage_id)
        return job_of(row, "jobs_"), unit_of(row, "units_"), stage_of(row, "stages_")

    def marks(self, wanted: MarkFilter = NEWEST) -> tuple[MarkLine, ...]:
        """The marks that are wanted, the newest first: by run, and by the clock that does not jump."""
        with self._reading() as connection:
            return mark_lines(connection, numbers_wanted(connection, wanted))

    def search(self, words: str, most: int = 50) -> tuple[MarkLine, ...]:
        """Marks in whose job, unit, stage, note or who each of the words occurs, as part of a word too."""
        return self.marks(MarkFilter(words=words, most=most))

    def line(self, mark_id: int) -> MarkLine:
        """A mark as a list shows it, taken back or not. Raises NotInBook."""
        with self._reading() as connection:
            found = mark_lines(connection, [mark_id])
        if not found:
            raise not_in_book(marks, mark_id)
        return found[0]

    def show(self, mark_id: int) -> MarkShown:
        """A mark in full, but for its codes. Raises NotInBook."""
        with self._reading() as connection:
            found = mark_lines(connection, [mark_id])
            if not found:
                raise not_in_book(marks, mark_id)
            texts = connection.execute(
                select(documents.c.kind, documents.c.text, documents.c.crc32).where(documents.c.mark_id == mark_id)
            ).all()
            setup = connection.scalar(
                select(setups.c.document).join(marks, marks.c.setup_id == setups.c.id).where(marks.c.id == mark_id)
            )
        return shown_of(found[0], setup, {row.kind: (row.text, row.crc32) for row in texts})

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
            return tuple(event_of(row) for row in rows.mappings())

    def event_captures(self, event_id: int) -> tuple[EventShown, ...]:
        """The captures around an event, in order. Raises BookDamaged where one of them is."""
        with self._reading() as connection:
            wanted = select(event_captures).where(event_captures.c.event_id == event_id)
            rows = connection.execute(wanted.order_by(event_captures.c.position)).all()
            packed = [packed_capture(connection, row.capture_id) for row in rows]
        return tuple(
            EventShown(row.position, self._unpacked(one, f"event {event_id}"), object_of(row.reading or "null"))
            for row, one in zip(rows, packed, strict=True)
        )

    def _row(self, table: Table, number: int) -> RowMapping:
        with self._reading() as connection:
            row = connection.execute(select(table).where(table.c.id == number)).mappings().one_or_none()
        if row is None:
            raise not_in_book(table, number)
        return row

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
                if not self._is_known:
                    require_head(connection, self.place)
                    self._is_known = True
                yield connection
        except (DBAPIError, sqlite3.Error) as error:
            raise fault_of(error, self.place) from error
