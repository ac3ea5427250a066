"""What the time is at least: a board without a clock of its own starts in 1970, until the network says better. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass

EARLIEST_S = 1_767_225_600
"""The beginning of 2026, before which there was no Peakwhite."""


@dataclass(frozen=True)
class KnownTime:
    """The time, as far as it is known.

    Attributes:
        at_s: seconds since 1970 UTC, never before anything that is known to have happened.
        is_clocks: it is what the clock says; else the clock stands before that.
    """

    at_s: float
    is_clocks: bool = True


def known_time(clock_s: float, happened_at_s: Iterable[int], is_set: bool | None = None) -> KnownTime:
    """The clock's time, or that of the last thing that happened, where the clock stands before it.

    A clock that the network has set is right: what happened later then was dated by one that stood in the future.
    """
    if is_set and clock_s >= EARLIEST_S:
        return KnownTime(clock_s)
    mark_s = max((EARLIEST_S, *happened_at_s))
    return KnownTime(max(clock_s, mark_s), clock_s >= mark_s)
