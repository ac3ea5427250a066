"""Where settings, book and calibrations lie: in the directories that systemd names to a service, else in the user's own."""

import os
from pathlib import Path

import platformdirs

STATE, CONFIGURATION = "STATE_DIRECTORY", "CONFIGURATION_DIRECTORY"
"""systemd sets these from StateDirectory= and ConfigurationDirectory= of a unit; several are parted by colons (systemd.exec)."""


def settings_folder() -> Path:
    """Where the settings file lies."""
    return _named(CONFIGURATION) or platformdirs.user_config_path("peakwhite", appauthor=False)


def state_folder() -> Path:
    """Where calibrations lie, and what else the program remembers."""
    return _named(STATE) or platformdirs.user_state_path("peakwhite", appauthor=False)


def data_folder() -> Path:
    """Where the bench book lies."""
    return _named(STATE) or platformdirs.user_data_path("peakwhite", appauthor=False)


def _named(variable: str) -> Path | None:
    first = os.environ.get(variable, "").split(":")[0]
    return Path(first) if first else None
