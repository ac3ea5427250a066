"""The settings file as it last was in order, kept for a service: a wrong one at power-on must not leave the bench without its page.

A service is what a manager started that waits to be told (NOTIFY_SOCKET is set) and would start it again for ever. On a
command line somebody reads what is wrong and mends it: nothing is kept there, and a wrong file ends the program.
"""

import logging
from collections.abc import Mapping
from functools import partial
from pathlib import Path

from ..drivers.errors import PeakwhiteError, PortTaken, SettingsError
from .config.settings import FILE_NAME, Check, Load, Settings, checked
from .durable import write_durably
from .places import state_folder

COPY_NAME = f"{FILE_NAME}.last-good"

log = logging.getLogger(__name__)


class LastGood:
    """The copy of the file, and what is wrong with the file itself where the copy had to serve.

    Args:
        copy: where it is kept; None where none is.
    """

    def __init__(self, copy: Path | None) -> None:
        self._copy = copy
        self.mistake: PeakwhiteError | None = None

    @property
    def is_of_service(self) -> bool:
        """Whether this is a service, which is to come up whatever it finds."""
        return self._copy is not None

    @classmethod
    def of(cls, environment: Mapping[str, str]) -> "LastGood":
        """The one of a service, or of a command line, as the environment tells."""
        return cls(state_folder() / COPY_NAME if environment.get("NOTIFY_SOCKET") else None)

    def settings(self, load: Load, check: Check) -> Settings:
        """Those to start with. Raises SettingsError, or PortTaken, where they are wrong and no copy is there that is right."""
        if self._copy is None:
            return load()
        try:
            return checked(load, check)
        except (SettingsError, PortTaken) as error:
            self.mistake = error
        try:
            return checked(partial(load, self._copy.read_bytes()), check)
        except (OSError, SettingsError, PortTaken):
            raise self.mistake from None

    def keep(self, settings: Settings) -> None:
        """Keep what these were read from; a disk that takes nothing is no reason to end."""
        if self._copy is None:
            return
        try:
            self._copy.parent.mkdir(parents=True, exist_ok=True)
            if not self._copy.exists() or self._copy.read_bytes() != settings.content:
                write_durably(self._copy, settings.content)
        except OSError as error:
            log.warning("%s: the settings are not kept for the next start: %s", self._copy, error)
