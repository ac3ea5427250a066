"""Where calibrating gets its captures: whole fields from the scope, settled on its range, or recorded files."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from ...drivers.capture import Capture
from ...drivers.errors import InstrumentError, UnreadableInput, UsageError
from ..acquisition import NoTrigger, Source, Task
from ..config import Setup
from ..config.settings import Settings
from ..measure.levels import is_clipped
from .answers import wait_for

CAPTURES = 4
"""So many fields tell how much their means scatter."""
MOST_TRIES = 8
DEADLINE_S = 2.0


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
        last = self._settled()
        return [last, *(self._one() for _ in range(CAPTURES - 1))]

    def _settled(self) -> Capture:
        """A capture that has its channels on their ranges, and needed no coarser ones. Raises InstrumentError."""
        off: list[str] = []
        for _ in range(MOST_TRIES):
            capture = self._one()
            records = {name: capture.channel(name) for name in self.channels}
            off = [name for name, record in records.items() if record is None or is_clipped(record)]
            if not off:
                return capture
        raise InstrumentError("it runs off every range", where=off[0], do="check what is connected to it")

    def _one(self) -> Capture:
        capture = self.source.capture(DEADLINE_S)
        if isinstance(capture, NoTrigger):
            raise InstrumentError(
                "the scope gives no record", where=self.source.resource or "scope", do="stop what else uses it"
            )
        return capture


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
    resource = scope or settings.tables.scope.resource
    if resource is None:
        raise UsageError(
            "no scope is named",
            where="calibrate",
            do="give --scope RESOURCE, or resource under [scope] in the settings",
        )
    from ..sources.scope import open_scope

    source = open_scope(resource, family=family or settings.tables.scope.family)
    try:
        yield FromScope(source, setup, channels)
    finally:
        source.close()
