"""A reference unit's levels from a file: a capture of it, or a reading that `measure --json` printed."""

import json
import math
from pathlib import Path

from ...drivers.errors import UnreadableInput, UsageError
from ..measure.calibrated import serial_of
from ..measure.engine import measure_capture
from ..measure.hookup import WHITE_ROLES, Hookup
from ..measure.reading import SCHEMA
from ..measure.reference_unit import ReferenceLevel, reference_levels
from ..sources.json_fields import JsonFields
from .measure_conditions import Given, capture_and_conditions

MOST_BYTES = 1 << 20
DO = "give a capture of the reference unit, or a reading of it by 'measure --json'"


def reference_for(hookup: Hookup, file: Path, given: Given) -> tuple[ReferenceLevel, ...]:
    """The levels of the reference unit, at least one of them on a role of the unit. Raises UnreadableInput, UsageError."""
    levels = reference_of_file(file, given)
    its = [level.role for level in levels]
    of_unit = [clip.role for clip in hookup.clips if clip.role in WHITE_ROLES]
    if of_unit and not set(its) & set(of_unit):
        what = f"it has {', '.join(its)}, and the unit {', '.join(of_unit)}"
        raise UsageError(what, where="--reference", do="give a reference with the same roles")
    return levels


def reference_of_file(file: Path, given: Given) -> tuple[ReferenceLevel, ...]:
    """The levels of the reference unit, at least one. Raises UnreadableInput, UsageError.

    A capture is measured under the same options as the unit on the bench.
    """
    text = _json_text(file)
    if text is None:
        capture, conditions, _ = capture_and_conditions(file, given)
        levels = reference_levels(measure_capture(capture, conditions).channels, serial_of(capture.identity))
    else:
        levels = _of_reading(file, text)
    if not levels:
        raise UnreadableInput("it holds no level that could be a reference", where=str(file), do=DO)
    return levels


def _json_text(file: Path) -> bytes | None:
    """What the file holds if it begins like an object of JSON; None for anything else, and where it cannot be read."""
    try:
        if not file.is_file():
            return None
        with file.open("rb") as opened:
            data = opened.read(MOST_BYTES + 1)
    except OSError:
        return None
    if not data.lstrip().startswith(b"{"):
        return None
    if len(data) > MOST_BYTES:
        raise UnreadableInput("it is far too large for a reading", where=str(file), do=DO)
    return data


def _of_reading(file: Path, text: bytes) -> tuple[ReferenceLevel, ...]:
    try:
        reading = JsonFields(json.loads(text), "it")
        if reading.text("schema") != SCHEMA:
            raise ValueError(f"its schema is not {SCHEMA}")
        serial = serial_of(reading.object("scope").text("identity"))
        return tuple(
            _level(channel, serial)
            for channel in reading.objects("channels")
            if channel.has("peak_white_mv")
            and not (channel.yes_or_no("held", False) or channel.yes_or_no("clipped", False))
        )
    except (ValueError, RecursionError) as error:
        raise UnreadableInput(f"it is no reading: {error}", where=str(file), do=DO) from error


def _level(channel: JsonFields, serial: str | None) -> ReferenceLevel:
    level = ReferenceLevel(
        role=channel.text("role"),
        level_mv=channel.number("peak_white_mv"),
        u95_mv=channel.number("u95_mv"),
        u95_repeat_mv=channel.number("u95_repeat_mv"),
        channel=channel.text("channel"),
        serial=serial,
        path=channel.text_or_none("path"),
    )
    figures = (level.level_mv, level.u95_mv, level.u95_repeat_mv)
    if not (all(math.isfinite(one) and one >= 0.0 for one in figures) and level.level_mv > 0.0):
        raise ValueError(f"{level.channel} has levels that cannot be")
    return level
