"""Commands that are to see what the service sees: its settings, book and tokens, in its user's name."""

import os
import sys
from pathlib import Path

from ..places import CONFIGURATION, settings_folder, state_folder
from ..places import STATE as STATE_VARIABLE
from .files import NAME, SETTINGS, STATE, UNIT_FILE
from .program import this_program


def has_its_folders() -> bool:
    """Whether settings and tokens of this process are those of the service."""
    return (settings_folder(), state_folder()) == (SETTINGS.parent, STATE)


def is_its_user() -> bool:
    """Whether this process runs as the user that the service runs as."""
    if sys.platform == "win32":
        return False
    import pwd

    try:
        return pwd.getpwnam(NAME).pw_uid == os.geteuid()
    except KeyError:
        return False


def is_installed(unit: Path = UNIT_FILE) -> bool:
    """Whether there is a service on this computer."""
    return unit.exists()


def command_line(*arguments: str) -> str:
    """The command line that gives a command to this program as the service would."""
    python = this_program().python
    script = python.with_name(NAME)
    program = str(script) if script.exists() else f"{python} -m peakwhite.daemon"
    folders = f"{STATE_VARIABLE}={STATE} {CONFIGURATION}={SETTINGS.parent}"
    return f"sudo -u {NAME} {folders} {' '.join((program, *arguments))}"
