"""What the book holds as plain objects: the same in REST and in `peakwhite book … --json`."""

import json
from collections.abc import Iterable
from typing import Any

from ..measure.reading import iso_utc, plain
from .comparison import Comparison
from .documents import encode
from .records import Event, EventShown, Job, MarkLine, MarkShown, Moment, Stage, Unit

Object = dict[str, Any]


def job_object(job: Job) -> Object:
    """A job."""
    return {"id": job.id, **plain(job.text), "created_at": iso_utc(job.created_utc_ns)}


def unit_object(unit: Unit) -> Object:
    """A unit."""
    return {"id": unit.id, "job": unit.job_id, **plain(unit.text), "created_at": iso_utc(unit.created_utc_ns)}


def stage_object(stage: Stage) -> Object:
    """A stage."""
    return {"id": stage.id, "unit": stage.unit_id, **plain(stage.text), "created_at": iso_utc(stage.created_utc_ns)}


def whereabouts_object(whereabouts: tuple[Job, Unit, Stage] | None) -> Object | None:
    """A stage with its unit and job; None for none."""
    if whereabouts is None:
        return None
    job, unit, stage = whereabouts
    return {"job": job_object(job), "unit": unit_object(unit), "stage": stage_object(stage)}


def mark_object(line: MarkLine) -> Object:
    """A mark as a list shows it."""
    return {
        "id": line.id,
        **_moment(line.moment),
        "run": line.run,
        "bench": line.bench,
        "scope": line.identity,
        "job": job_object(line.job),
        "unit": unit_object(line.unit),
        "stage": stage_object(line.stage),
        "note": line.note,
        "who": line.who,
        **plain(line.warmth),
        "has_capture": line.has_capture,
        "removed_at": None if line.removed_utc_ns is None else iso_utc(line.removed_utc_ns),
        "levels": plain(line.levels),
    }


def marks_object(lines: Iterable[MarkLine]) -> Object:
    """Several of them."""
    return {"marks": [mark_object(line) for line in lines]}


def shown_object(shown: MarkShown) -> Object:
    """A mark in full, but for its codes: with its reading, and the set-up that it was measured under."""
    return {
        **mark_object(shown.line),
        "reading": shown.reading,
        "setup": None if shown.conditions is None else json.loads(encode(shown.conditions)),
        "inspect": shown.inspect,
        "remedy": shown.remedy,
        "damaged": list(shown.damaged),
    }


def comparison_object(before: int, after: int, compared: Comparison) -> Object:
    """Two marks, by their numbers, against each other."""
    return {"before": before, "after": after, **plain(compared)}


def event_object(event: Event) -> Object:
    """Something that the watch caught."""
    return {
        "id": event.id,
        **_moment(event.moment),
        "kind": event.kind,
        "channel": event.channel,
        "text": event.text,
        "stage": event.stage_id,
    }


def event_capture_object(shown: EventShown) -> Object:
    """One capture around it, without its codes."""
    return {
        "position": shown.position,
        "captured_at": iso_utc(shown.capture.captured_at_ns),
        "reading": shown.reading,
    }


def _moment(moment: Moment) -> Object:
    return {"at": iso_utc(moment.utc_ns), "clock_synced": moment.clock_synced}
