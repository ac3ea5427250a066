"""Which stage is on the bench: what is kept goes to it until another is chosen, in this process or another."""

import contextlib
import logging
import os
from hashlib import sha256
from pathlib import Path

from ..places import state_folder
from .place import BookPlace

log = logging.getLogger(__name__)


class PresentStage:
    """The number of the stage that was chosen last, in a small file: beside the book, or the user's own of a server.

    A file that cannot be written leaves the choice to this process alone; one that cannot be read says that there is none.
    """

    def __init__(self, place: BookPlace) -> None:
        self._file = _file_of(place)
        self._seen: tuple[int, int] | None = None
        self._stage_id: int | None = None

    @property
    def stage_id(self) -> int | None:
        """The stage, None where none was chosen. Quick enough for every reading: the file is read when it is another."""
        seen = self._stamp()
        if seen is not None and seen != self._seen:
            self._seen = seen
            self._stage_id = self._read()
        return self._stage_id

    def choose(self, stage_id: int | None) -> None:
        """Put another stage on the bench; with None marks are loose ones."""
        self._stage_id = stage_id
        part = self._file.with_name(f".{self._file.name}.{os.getpid()}")
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            part.write_text(f"{'' if stage_id is None else stage_id}\n")
            os.replace(part, self._file)
        except OSError as error:
            log.warning("%s: the chosen stage is not remembered: %s", self._file, error.strerror)
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
        self._seen = self._stamp()

    def _stamp(self) -> tuple[int, int] | None:
        """What tells the file from an earlier one; None where there is none."""
        try:
            found = os.stat(self._file)
        except OSError:
            return None
        return found.st_mtime_ns, found.st_ino

    def _read(self) -> int | None:
        try:
            number = int(self._file.read_text()[:20])
        except (OSError, ValueError):
            return None
        return number if 0 < number < 2**63 else None


def _file_of(place: BookPlace) -> Path:
    if place.path is not None:
        return place.path.with_name(f"{place.path.name}.present")
    server = sha256(str(place).encode()).hexdigest()[:8]
    return state_folder() / f"book-{server}.present"
