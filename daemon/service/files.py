"""What makes the service: every folder, file and link with its place, its text and whose it is."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from ...drivers.udev import SERVICE_RULES_FILE
from ..config.model import HttpTable
from .program import Program

NAME, UNIT = "peakwhite", "peakwhite.service"
UNIT_FILE = Path("/etc/systemd/system") / UNIT
WANTED = Path("/etc/systemd/system/multi-user.target.wants") / UNIT
"""A link to the unit here starts it with the computer: what `systemctl enable` makes."""
SYSUSERS = Path("/etc/sysusers.d/peakwhite.conf")
TMPFILES = Path("/etc/tmpfiles.d/peakwhite.conf")
RULES = Path("/etc/udev/rules.d") / SERVICE_RULES_FILE
SETTINGS = Path("/etc/peakwhite/peakwhite.toml")
STATE = Path("/var/lib/peakwhite")
BOOK = STATE / "book.sqlite"


@dataclass(frozen=True)
class Item:
    """Something that installing puts on the disk.

    Attributes:
        path: where, as the running system sees it.
        what: what it is for, a clause.
        text: of a file its content.
        target: of a link where it leads; without text and target it is a folder.
        mode: of a file or folder that is new.
        kept: it is the user's own once it is there: never written over, never removed.
    """

    path: Path
    what: str
    text: str | None = None
    target: Path | None = None
    mode: int = 0o644
    kept: bool = False


def items(program: Program, host: str, names: Iterable[str] = ()) -> tuple[Item, ...]:
    """All of it, in the order in which it is written. The page is to be had at `host`, and by those names."""
    addresses = json.dumps([f"http://{name}:{HttpTable().port}" for name in names])
    settings = _packaged("peakwhite.toml.in").format(host=host, addresses=addresses)
    return (
        Item(UNIT_FILE, "how systemd runs the daemon", unit(program)),
        Item(WANTED, "so that it starts with the computer", target=UNIT_FILE),
        Item(SYSUSERS, "the user that it runs as", _packaged("peakwhite.sysusers.conf")),
        Item(TMPFILES, "that user may change the settings", _packaged("peakwhite.tmpfiles.conf")),
        Item(RULES, "that user may use USB test instruments", _packaged(RULES.name)),
        Item(SETTINGS.parent, "for the settings", mode=0o770, kept=True),
        Item(SETTINGS, "the settings", settings, mode=0o660, kept=True),
        Item(STATE, "for bench book, calibrations and access tokens", mode=0o750, kept=True),
    )


def unit(program: Program) -> str:
    """The unit that runs that program; of homes it sees what the program needs."""
    shown = [f"BindReadOnlyPaths={_path(folder)}" for folder in program.in_homes]
    return _packaged(f"{UNIT}.in").format(
        exec_start=f"{_path(program.python)} -m peakwhite.daemon serve --no-browser",
        protect_home="\n".join(["ProtectHome=tmpfs", *shown] if shown else ["ProtectHome=yes"]),
    )


def _path(path: Path) -> str:
    """A path as a word of a unit file (systemd.syntax), in which a colon, too, parts what it stands between."""
    text = str(path).replace("%", "%%")
    return f'"{text}"' if any(character in text for character in " \t:") else text


def _packaged(name: str) -> str:
    return resources.files(__package__).joinpath(name).read_text("utf-8")
