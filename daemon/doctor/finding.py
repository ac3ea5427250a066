"""What one look found."""

from dataclasses import dataclass
from typing import Literal

State = Literal["well", "note", "in-the-way"]


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at.

    Attributes:
        what: the thing, in a word or two.
        state: `well`; `note` is worth knowing; `in-the-way` keeps the daemon from its work.
        text: what was seen.
        do: what to do about it; always there where something is in the way.
    """

    what: str
    state: State
    text: str
    do: str | None = None


def well(what: str, text: str) -> Finding:
    """All is as it should be."""
    return Finding(what, "well", text)


def note(what: str, text: str, do: str | None = None) -> Finding:
    """Worth knowing."""
    return Finding(what, "note", text, do)


def in_the_way(what: str, text: str, do: str) -> Finding:
    """This has to be mended."""
    return Finding(what, "in-the-way", text, do)
