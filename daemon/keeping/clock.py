"""The clocks that what is kept is dated by."""

import time
from collections.abc import Callable
from dataclasses import dataclass

from ..book.records import Moment
from .synced_clock import clock_is_synced

S = 1_000_000_000
"""Nanoseconds."""


@dataclass(frozen=True)
class Clock:
    """A clock that does not jump, the calendar, and whether that is set; tests bring their own."""

    monotonic_ns: Callable[[], int] = time.monotonic_ns
    wall_ns: Callable[[], int] = time.time_ns
    synced: Callable[[], bool | None] = clock_is_synced

    def now(self) -> Moment:
        """This moment."""
        return Moment(self.monotonic_ns(), self.wall_ns(), self.synced())


def seconds_of(moment: Moment) -> float:
    """Seconds of the clock that does not jump."""
    return moment.monotonic_ns / S
