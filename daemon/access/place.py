"""Where tokens and sessions are kept."""

import os
from pathlib import Path

import platformdirs


def state_folder() -> Path:
    """The folder that systemd names for a service's state, else the user's own."""
    named = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    return Path(named) if named else platformdirs.user_state_path("peakwhite", appauthor=False)
