"""Where calibrating gets its captures: whole fields from the scope, settled on its range, or recorded files."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from ...drivers.capture import Capture
from ...drivers.errors import UnreadableInput, UsageError
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
    """Captures from the open scope, of whole fields, with all channels of the hookup on: the range is then that of every day."""

    source: Source
    setup: Setup
    channels: Sequence[str]

    def take(self, step: str, file: Path | None) -> Sequence[Capture]:
        wait_for(step)
        self.source.configure(Task.FIELD, self.setup)
        last = settled(self.source, self.channels)
        return [last, *(one_capture(self.source) for _ in range(CAPTURES - 1))]


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
