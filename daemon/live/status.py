"""How the scope is, and what is wrong, in words that a page can show."""

from dataclasses import dataclass
from typing import Literal

ScopeState = Literal["absent", "connecting", "ready", "waiting-for-trigger", "lost"]


@dataclass(frozen=True)
class ScopeStatus:
    """How the scope is.

    Attributes:
        state: `absent` was never there, `lost` was; `waiting-for-trigger` answers but catches nothing.
        since_ns: when this state began, nanoseconds since 1970 UTC.
        text: what is the matter, a clause.
        do: what the user can do about it; None where nothing needs doing.
    """

    state: ScopeState
    since_ns: int
    text: str
    do: str | None = None


@dataclass(frozen=True)
class Problem:
    """Something that is wrong now: a code for machines, words for people, since when (ns since 1970 UTC)."""

    code: str
    text: str
    do: str
    since_ns: int
