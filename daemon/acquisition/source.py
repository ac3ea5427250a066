"""Where captures come from."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from ...drivers.capture import Capture
from ..config import Setup
from ..measure.hookup import Hookup


class Task(StrEnum):
    """What a source is set up for."""

    LEVELS = "levels"
    """A few lines of every channel, as fast as the scope gives them."""
    FIELD = "field"
    """One field and more of every channel."""
    EDGE = "edge"
    """Two lines of every channel at the highest rate and with the whole bandwidth."""


@dataclass(frozen=True)
class NoTrigger:
    """There is no capture: the scope did not trigger, nor could it be made to.

    `disturbed`: it did, but somebody else changed its settings meanwhile, so that the record is withheld.
    """

    waited_s: float
    disturbed: bool = False


@dataclass(frozen=True)
class Note:
    """What the user should know of a source that works: a code for machines, a clause, what to do about it."""

    code: str
    text: str
    do: str


class Source(Protocol):
    """Where captures come from. Everything outside `sources/` sees only this. One thread uses it."""

    @property
    def identity(self) -> str:
        """What the instrument calls itself."""
        ...

    @property
    def resource(self) -> str | None:
        """The resource string or file that it was opened with."""
        ...

    @property
    def notes(self) -> tuple[Note, ...]:
        """What the user should know of how the source is set now."""
        ...

    def check(self, hookup: Hookup) -> None:
        """Raises UsageError where the source lacks a channel of the hookup. Asks nobody; any thread may call it."""
        ...

    def configure(self, task: Task, setup: Setup) -> None:
        """Set the source up for a task. Raises InstrumentError."""
        ...

    def capture(self, deadline_s: float) -> Capture | NoTrigger:
        """One record of all channels in use, waiting `deadline_s` at most. Raises InstrumentError."""
        ...

    def close(self) -> None:
        """Give the source back; never raises."""
        ...
