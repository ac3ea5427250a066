"""Which marks are wanted, and how a list shows them."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import LABEL_STYLE_TABLENAME_PLUS_COL, ColumnElement, Connection, func, or_, select, tuple_

from .records import LevelShown, MarkLine
from .rows import line_of
from .schema import IN_ORDER, jobs, levels, marks, runs, stages, units
from .writing import require

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


def numbers_wanted(connection: Connection, wanted: MarkFilter) -> list[int]:
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
        found = found.where(_holds(word, connection.dialect.name))
    if not wanted.removed:
        found = found.where(marks.c.removed_utc_ns.is_(None))
    if wanted.before is not None:
        require(connection, marks, wanted.before)
        found = found.where(tuple_(*IN_ORDER) < select(*IN_ORDER).where(marks.c.id == wanted.before).scalar_subquery())
    newest_first = found.order_by(*(column.desc() for column in IN_ORDER))
    return list(connection.scalars(newest_first.limit(max(1, min(wanted.most, MOST_LISTED)))))


def _holds(word: str, dialect: str) -> ColumnElement[bool]:
    """Whether a word occurs in what is said of a mark, or of what it belongs to. LIKE takes twice as long for the same."""
    place_in = func.strpos if dialect == "postgresql" else func.instr
    said = (jobs.c.folded, units.c.folded, stages.c.folded)
    of_places = (
        select(stages.c.id)
        .join(units, stages.c.unit_id == units.c.id)
        .join(jobs, units.c.job_id == jobs.c.id)
        .where(or_(*(place_in(column, word) > 0 for column in said)))
    )
    return or_(marks.c.stage_id.in_(of_places), place_in(marks.c.folded, word) > 0)


def mark_lines(connection: Connection, numbers: Sequence[int]) -> tuple[MarkLine, ...]:
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
        row.marks_id: line_of(row._mapping, tuple(shown.get(row.marks_id, ()))) for row in connection.execute(joined)
    }
    return tuple(lines[number] for number in numbers if number in lines)
