"""How the service stands: what of it is on the disk, and what systemd says of it, as far as there is one to ask."""

import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from .files import BOOK, SETTINGS, STATE, UNIT, UNIT_FILE, Item
from .installing import runs_here, under

PROPERTIES = ("ActiveState", "SubState", "UnitFileState", "StatusText", "NRestarts")
TIME_LIMIT_S = 10.0


@dataclass(frozen=True)
class Standing:
    """How the service stands.

    Attributes:
        unit: its file.
        installed: `yes`, `no`, or `another`: what is there was not written by this version of this program.
        missing: what this version writes, and is not there.
        enabled: whether it starts with the computer, by its link.
        active: in systemd's words; None where it cannot be told, and `why` says why.
        status: what the daemon says of itself, while it runs.
        restarts: how often systemd has started it anew by itself since the computer was switched on.
        settings, state, book: where they lie; None of a book that is not there.
    """

    unit: Path
    installed: str
    missing: tuple[Path, ...]
    enabled: bool
    active: str | None
    why: str | None
    status: str | None
    restarts: int | None
    settings: Path
    state: Path
    book: Path | None


def standing(root: Path, wanted: Sequence[Item]) -> Standing:
    """How it stands under that root. `wanted` is what would be written now."""
    unit = next(item for item in wanted if item.path == UNIT_FILE)
    link = next(item for item in wanted if item.target == UNIT_FILE)
    told, why = _asked(root)
    restarts = told.get("NRestarts", "")
    return Standing(
        unit=under(root, UNIT_FILE),
        installed=_installed(under(root, UNIT_FILE), unit.text or ""),
        missing=tuple(path for item in wanted if not is_there(path := under(root, item.path))),
        enabled=is_there(under(root, link.path)),
        active=f"{told['ActiveState']} ({told.get('SubState', '')})" if told.get("ActiveState") else None,
        why=why,
        status=told.get("StatusText") or None,
        restarts=int(restarts) if restarts.isdecimal() else None,
        settings=under(root, SETTINGS),
        state=under(root, STATE),
        book=book if is_there(book := under(root, BOOK)) else None,
    )


def is_there(path: Path) -> bool:
    """Whether it is there, as far as one may look: what is in a folder that one may not enter counts as there."""
    try:
        path.lstat()
    except PermissionError:
        return True
    except OSError:
        return False
    return True


def _installed(path: Path, text: str) -> str:
    try:
        return "yes" if path.read_text("utf-8") == text else "another"
    except OSError:
        return "no"


def _asked(root: Path) -> tuple[dict[str, str], str | None]:
    """What systemctl shows of the unit, and why nothing where it shows nothing."""
    if root != Path("/"):
        return {}, "an image is not running"
    if shutil.which("systemctl") is None:
        return {}, "systemctl is not there"
    if not runs_here(root):
        return {}, "systemd does not run this computer"
    command = ("systemctl", "show", UNIT, *(f"--property={name}" for name in PROPERTIES))
    try:
        shown = subprocess.run(command, capture_output=True, check=True, timeout=TIME_LIMIT_S).stdout
    except (OSError, subprocess.SubprocessError) as error:
        return {}, f"systemctl does not say it: {error}"
    return shown_properties(shown.decode(errors="replace")), None


def shown_properties(text: str) -> dict[str, str]:
    """The lines `NAME=VALUE` of `systemctl show`."""
    return dict(line.split("=", 1) for line in text.splitlines() if "=" in line)
