"""Settings of instruments that have no error queue: set, asked for again, and compared."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from .error_queue import rejected
from .errors import ReplyError
from .links import Link
from .replies import number, short

SAME = 1e-3
"""Numbers may be printed with three digits."""
STEP_DIV = 0.1
"""Offsets and trigger levels may be so many divisions from what was set: instruments have steps."""


@dataclass(frozen=True)
class Setting:
    """A header and what it is to be set to. `within`: how far a number may be from it, as instruments have steps."""

    header: str
    value: str
    within: float = 0.0


def set_and_compare(link: Link, settings: Sequence[Setting], read_number: Callable[..., float] = number) -> None:
    """Set all, then ask for each. Raises InstrumentRejected for the first that is not as it was set, LinkError."""
    for setting in settings:
        link.write(f"{setting.header} {setting.value}")
    compare(link, settings, read_number)


def compare(link: Link, settings: Sequence[Setting], read_number: Callable[..., float] = number) -> None:
    """Ask for each. Raises InstrumentRejected for the first that is not so, LinkError."""
    for setting in settings:
        told = link.query(f"{setting.header}?").strip()
        if not _is(told, setting, read_number, link.resource):
            raise rejected(f"'{setting.header} {setting.value}', it stays {short(told)}", where=link.resource)


def _is(told: str, setting: Setting, read_number: Callable[..., float], where: str) -> bool:
    """Whether a number is as near as it should be, and a word begins as the one that was set, which may be a short form."""
    try:
        wanted = read_number(setting.value, of=setting.header, where=where)
    except ReplyError:
        return told.upper().startswith(setting.value.upper())
    try:
        present = read_number(told, of=setting.header, where=where)
    except ReplyError:
        return False
    return abs(present - wanted) <= SAME * abs(wanted) + setting.within
