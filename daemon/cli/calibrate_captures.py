"""Where calibrating gets its captures: whole fields from the scope, settled on its range, or recorded files."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from ...drivers.capture import Capture
from ...drivers.errors import InstrumentError, UnreadableInput, UsageError
from ..acquisition import Source, Task
from ..config import Setup
from ..config.settings import Settings
from .answers import wait_for
from .from_scope import one_capture, opened_scope, settled

CAPTURES = 4
"""So many fields tell how much their means scatter."""


class Captures(Protocol):
    """Gives captures of what stands on the screen, or on the cable, at one step."""

    def take(self, step: str, file: Path | None) -> Sequence[Capture]:
        """Captures at that step, once whoever is at the bench has done it. Raises PeakwhiteError."""
        ...


@dataclass(frozen=True)
class Recorded:
    """Captures from files alone."""

    def take(self, step: str, file: Path | None) -> Sequence[Capture]:
        from ..sources.capture_file import read_capture

        if file is None:
            raise UsageError("some steps have a file and some have none", where="calibrate", do="give one for each")
        capture = read_capture(file)
        if capture.captured_at_ns == 0:
            raise UnreadableInput(
                "it does not say when it was captured", where=str(file), do="take an .npz that came from the scope"
            )
        return [capture]


@dataclass(frozen=True)
class FromScope:
    """Captures from the open scope, of whole fields, with all channels of the hookup on: the range is then that of every day.

    A scope that only its user sets may give one record again and again: it counts once, and not at the next step.
    """

    source: Source
    setup: Setup
    channels: Sequence[str]
    taken_at_ns: set[int] = field(default_factory=set)

    def take(self, step: str, file: Path | None) -> Sequence[Capture]:
        wait_for(step)
        self.source.configure(Task.FIELD, self.setup)
        captures = [settled(self.source, self.channels), *(one_capture(self.source) for _ in range(CAPTURES - 1))]
        new = {one.captured_at_ns: one for one in captures if one.captured_at_ns not in self.taken_at_ns}
        if not new:
            do = "press Single on it at every step, once the picture or level stands"
            raise InstrumentError("it still holds the record of the step before", where=self.source.identity, do=do)
        self.taken_at_ns.update(new)
        return list(new.values())


@contextmanager
def captures_of(
    settings: Settings, setup: Setup, channels: Sequence[str], *, scope: str | None, family: str | None, recorded: bool
) -> Iterator[Captures]:
    """Captures from files where there are any, else from the scope that is named or in the settings.

    Raises UsageError, MalformedResource, UnknownInstrument, LinkError.
    """
    if recorded:
        yield Recorded()
        return
    with opened_scope(settings, scope=scope, family=family, where="calibrate") as source:
        yield FromScope(source, setup, channels)
