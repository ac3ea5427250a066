"""The frames of the live socket, each encoded once for all viewers. Their schemas stand in `schema`."""

import json
from collections.abc import Sequence
from typing import Any

from ..measure.reading import Reading, encode_reading, iso_utc
from .schema import LIVE_SCHEMA, BenchObject, Role
from .status import Problem, ScopeStatus


def hello_frame(
    *, version: str, run: str, rate_hz: float, demo: bool, role: Role = "operator", signed_in_as: str | None = None
) -> str:
    """What every connection hears first."""
    return _text(
        {
            "type": "hello",
            "schema": LIVE_SCHEMA,
            "version": version,
            "run": run,
            "rate_hz": rate_hz,
            "demo": demo,
            "role": role,
            "signed_in_as": signed_in_as,
        }
    )


def status_frame(
    *, scope: ScopeStatus, problems: Sequence[Problem], holder: str | None, mine: bool, viewers: int, setup: int
) -> str:
    """How things are, for a viewer who has control (`mine`) or has not."""
    return _text(
        {
            "type": "status",
            "scope": {"state": scope.state, "since": iso_utc(scope.since_ns), "text": scope.text, "do": scope.do},
            "problems": [
                {"code": problem.code, "text": problem.text, "do": problem.do, "since": iso_utc(problem.since_ns)}
                for problem in problems
            ],
            "control": {"holder": holder, "mine": mine},
            "viewers": viewers,
            "setup": setup,
        }
    )


def bench_frame(bench: BenchObject) -> str:
    """What goes on at the bench beside the levels."""
    return _text({"type": "bench", **bench})


def reading_frame(reading_json: str) -> str:
    """A reading that is encoded already."""
    return f'{{"type":"reading","reading":{reading_json}}}'


def mark_frame(mark_id: int) -> str:
    """A mark that is durable."""
    return _text({"type": "mark", "id": mark_id})


def reading_json(reading: Reading) -> str:
    """The reading as JSON, as REST and the live socket give it."""
    return encode_reading(reading)


def _text(frame: dict[str, Any]) -> str:
    return json.dumps(frame, separators=(",", ":"), allow_nan=False)
