"""What is given to the book to keep, and what comes back of it."""

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import Capture
from ...drivers.errors import UsageError
from ..measure.level_budget import LevelBudget
from ..measure.reading import Reading
from ..measure.targets import Conditions

LONGEST_NAME = 200
LONGEST_NOTE = 4_000


@dataclass(frozen=True)
class Moment:
    """When something was: by a clock that never jumps, by the calendar (ns since 1970 UTC), and whether that one is set."""

    monotonic_ns: int
    utc_ns: int
    clock_synced: bool | None = None

    @property
    def monotonic_s(self) -> float:
        """Seconds of the clock that never jumps."""
        return self.monotonic_ns / 1e9


@dataclass(frozen=True)
class Warmth:
    """Minutes since unit and scope came on, None where not known, and whether that makes the levels doubtful."""

    unit_on_min: float | None = None
    scope_on_min: float | None = None
    cold: bool = False


@dataclass(frozen=True)
class JobText:
    """What is said of a job."""

    name: str
    note: str = ""

    def __post_init__(self) -> None:
        _check("name of a job", self.name, LONGEST_NAME, needed=True)
        _check("note", self.note, LONGEST_NOTE, may_break=True)


@dataclass(frozen=True)
class UnitText:
    """What is said of a unit, all of it free text; one of maker, model and serial at least."""

    maker: str = ""
    model: str = ""
    serial: str = ""
    revision: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        _check("name of a unit", f"{self.maker}{self.model}{self.serial}", 3 * LONGEST_NAME, needed=True)
        for text in (self.maker, self.model, self.serial, self.revision):
            _check("name of a unit", text, LONGEST_NAME)
        _check("note", self.note, LONGEST_NOTE, may_break=True)


@dataclass(frozen=True)
class StageText:
    """What a stage is called: "as found", "after first change", an own name."""

    name: str

    def __post_init__(self) -> None:
        _check("name of a stage", self.name, LONGEST_NAME, needed=True)


@dataclass(frozen=True, eq=False)
class NewMark:
    """A reading to be kept.

    Attributes:
        stage_id: the stage that it belongs to; None for the loose marks of its day.
        moment: when it was taken.
        reading: with its budgets, of which comparing lives.
        conditions: the set-up under which it was measured.
        capture: what it was measured from; None where that is not kept.
    """

    stage_id: int | None
    moment: Moment
    reading: Reading
    conditions: Conditions
    capture: Capture | None = None
    warmth: Warmth = Warmth()
    note: str = ""
    who: str = ""

    def __post_init__(self) -> None:
        _check("note", self.note, LONGEST_NOTE, may_break=True)
        _check("name", self.who, LONGEST_NAME)


@dataclass(frozen=True, eq=False)
class ChannelLog:
    """Levels of one channel: minimum, mean and maximum of each period in mV, shape (periods, 3), NaN for none."""

    channel: str
    role: str | None
    levels_mv: NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class LogBatch:
    """A stretch of the running log, as far as it came; `moment` is when its first period began."""

    moment: Moment
    period_ms: int
    channels: tuple[ChannelLog, ...]
    stage_id: int | None = None

    def holds(self, other: "LogBatch") -> bool:
        """Is all of another in this one: the same stretch, of the same channels?"""
        same = (self.moment, self.stage_id) == (other.moment, other.stage_id)
        return same and {(one.channel, one.role) for one in other.channels} <= {
            (one.channel, one.role) for one in self.channels
        }


@dataclass(frozen=True, eq=False)
class EventCapture:
    """A capture around an event: negative positions came before it."""

    position: int
    capture: Capture
    reading: Reading | None = None


@dataclass(frozen=True, eq=False)
class NewEvent:
    """Something that happened while nobody looked; `kind` is for machines, `text` a sentence."""

    moment: Moment
    kind: str
    text: str
    conditions: Conditions
    captures: tuple[EventCapture, ...]
    channel: str | None = None
    stage_id: int | None = None


@dataclass(frozen=True)
class Job:
    """A job as it stands in the book."""

    id: int
    text: JobText
    created_utc_ns: int


@dataclass(frozen=True)
class Unit:
    """A unit as it stands in the book."""

    id: int
    job_id: int
    text: UnitText
    created_utc_ns: int


@dataclass(frozen=True)
class Stage:
    """A stage as it stands in the book."""

    id: int
    unit_id: int
    text: StageText
    created_utc_ns: int


@dataclass(frozen=True)
class LevelShown:
    """What a list says of one channel."""

    channel: str
    role: str | None
    peak_white_mv: float | None
    u95_mv: float | None
    off_aim_mv: float | None
    target: str | None
    zone: str | None
    verdict: str | None
    held: bool


@dataclass(frozen=True)
class MarkLine:
    """A mark as a list shows it."""

    id: int
    stage: Stage
    unit: Unit
    job: Job
    run: str
    bench: str
    moment: Moment
    identity: str
    warmth: Warmth
    note: str
    who: str
    removed_utc_ns: int | None
    has_capture: bool
    levels: tuple[LevelShown, ...] = ()


@dataclass(frozen=True, eq=False)
class MarkShown:
    """A mark in full, but for its codes. `reading` is the object of schema peakwhite.reading/1.

    `damaged` names what of it cannot be read; that is then empty or None.
    """

    line: MarkLine
    reading: Mapping[str, Any] | None
    conditions: Conditions | None
    budgets: tuple[LevelBudget, ...] = ()
    inspect: Mapping[str, Any] | None = None
    remedy: Mapping[str, Any] | None = None
    damaged: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class Event:
    """An event as a list shows it."""

    id: int
    moment: Moment
    kind: str
    text: str
    channel: str | None
    stage_id: int | None


@dataclass(frozen=True, eq=False)
class EventShown:
    """One capture around an event; `reading` as the object of schema peakwhite.reading/1, None where none was made."""

    position: int
    capture: Capture
    reading: Mapping[str, Any] | None


def _check(what: str, text: str, longest: int, *, needed: bool = False, may_break: bool = False) -> None:
    """Raises UsageError for a text that no database or terminal takes, or that is none."""
    if needed and not text.strip():
        raise UsageError(f"the {what} is empty", where="book", do="give it one")
    if len(text) > longest:
        raise UsageError(f"the {what} is longer than {longest} characters", where="book", do="shorten it")
    breaks = "\n\r\t" if may_break else ""
    if any(unicodedata.category(letter) == "Cc" and letter not in breaks for letter in text) or any(
        "\ud800" <= letter <= "\udfff" for letter in text
    ):
        raise UsageError(f"the {what} holds a character that is none", where="book", do="type it anew")
