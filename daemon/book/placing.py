"""Where a mark goes that is not given the number of its stage: found by name, and made where it is not there."""

import time
from collections.abc import Callable
from typing import Any

from sqlalchemy import Connection, Select, func, select

from . import writing
from .records import JobText, StageText, UnitText
from .schema import jobs, stages, units

LOOSE_JOB, LOOSE_STAGE = "Loose marks", "loose"
AS_FOUND = "as found"
"""A unit that arrives has this stage."""
NS_PER_S = 1_000_000_000
PLACING = 0x706C6163
"""Number of the lock by which one bench at a time adds to a server what it did not find there."""


def loose_stage(connection: Connection, utc_ns: int) -> int:
    """The stage for what is kept while no unit is chosen: of that day, by the computer's own calendar."""
    day = time.strftime("%Y-%m-%d", time.localtime(utc_ns // NS_PER_S))
    job_id = _job(connection, LOOSE_JOB, utc_ns)
    wanted = select(units.c.id).where(units.c.job_id == job_id, units.c.model == day).limit(1)
    unit_id = _found_or_added(
        connection, wanted, lambda: writing.add_unit(connection, job_id, UnitText(model=day), utc_ns)
    )
    return _stage(connection, unit_id, LOOSE_STAGE, utc_ns)


def named_stage(
    connection: Connection, present: int | None, utc_ns: int, *, job: str | None, unit: str | None, stage: str | None
) -> int | None:
    """The stage of these names, of which a unit's is its serial; what is not named is that of the present stage.

    A unit that is named has the stage "as found" where none is. None where nothing is named nor present.
    """
    there = _above(connection, present)
    if job is None and unit is None and stage is None:
        return None if there[1] is None else present
    job_id = there[0] if job is None else _job(connection, job, utc_ns)
    if job_id is None:
        job_id = _job(connection, LOOSE_JOB, utc_ns)
    unit_id = there[1] if unit is None and job_id == there[0] else None
    if unit_id is None:
        unit_id = _unit(connection, job_id, unit or "no serial", utc_ns)
    return _stage(connection, unit_id, stage or AS_FOUND, utc_ns)


def add_unit_and_stage(
    connection: Connection, job_id: int, unit: UnitText, stage: StageText, utc_ns: int
) -> tuple[int, int]:
    """A unit that arrives, with the stage that it is in; gives the numbers of both. Raises NotInBook."""
    unit_id = writing.add_unit(connection, job_id, unit, utc_ns)
    return unit_id, writing.add_stage(connection, unit_id, stage, utc_ns)


def _above(connection: Connection, stage_id: int | None) -> tuple[int | None, int | None]:
    """Job and unit of a stage; None for both where there is none."""
    joined = select(units.c.job_id, units.c.id).join(stages, stages.c.unit_id == units.c.id)
    row = connection.execute(joined.where(stages.c.id == stage_id)).one_or_none()
    return (None, None) if row is None else (row[0], row[1])


def _job(connection: Connection, name: str, utc_ns: int) -> int:
    """The newest job of that name."""
    wanted = select(jobs.c.id).where(jobs.c.name == name).order_by(jobs.c.id.desc()).limit(1)
    return _found_or_added(connection, wanted, lambda: writing.add_job(connection, JobText(name), utc_ns))


def _unit(connection: Connection, job_id: int, serial: str, utc_ns: int) -> int:
    """The newest unit of that job with that serial."""
    found = select(units.c.id).where(units.c.job_id == job_id, units.c.serial == serial)
    wanted = found.order_by(units.c.id.desc()).limit(1)
    return _found_or_added(
        connection, wanted, lambda: writing.add_unit(connection, job_id, UnitText(serial=serial), utc_ns)
    )


def _stage(connection: Connection, unit_id: int, name: str, utc_ns: int) -> int:
    """The newest stage of that unit with that name."""
    found = select(stages.c.id).where(stages.c.unit_id == unit_id, stages.c.name == name)
    wanted = found.order_by(stages.c.id.desc()).limit(1)
    return _found_or_added(connection, wanted, lambda: writing.add_stage(connection, unit_id, StageText(name), utc_ns))


def _found_or_added(connection: Connection, wanted: "Select[Any]", add: Callable[[], int]) -> int:
    """The number that is wanted; where there is none it is added, once, however many benches do so at a time."""
    found: int | None = connection.scalar(wanted)
    if found is None and connection.dialect.name == "postgresql":
        connection.execute(select(func.pg_advisory_xact_lock(PLACING)))
        found = connection.scalar(wanted)
    return add() if found is None else found
