"""Where captures come from."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from ...drivers.capture import Capture
from ..config import Setup


class Task(StrEnum):
    """What a source is set up for."""

    LEVELS = "levels"
    """A few lines of every channel, as fast as the scope gives them."""
    FIELD = "field"
    """One field and more of every channel."""


@dataclass(frozen=True)
class NoTrigger:
    """The scope did not trigger, nor could it be made to."""

    waited_s: float


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

    def configure(self, task: Task, setup: Setup) -> None:
        """Set the source up for a task. Raises InstrumentError."""
        ...

    def capture(self, deadline_s: float) -> Capture | NoTrigger:
        """One record of all channels in use, waiting `deadline_s` at most. Raises InstrumentError."""
        ...

    def close(self) -> None:
        """Give the source back; never raises."""
        ...
