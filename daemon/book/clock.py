"""When it is now, and whether the computer's calendar can be believed: one without a clock of its own begins in the past."""

import ctypes
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

from .records import Moment

UNSYNCHRONISED = 5
"""What adjtimex answers (TIME_ERROR) while the system's clock has not been set by another."""
ROOM_BYTES = 1024
"""More than its structure takes; all zero it asks and changes nothing."""


def clock_synced() -> bool | None:
    """Whether the clock was set by the network's; None where the system does not say."""
    if sys.platform != "linux":
        return None
    state = _c_library().adjtimex(ctypes.create_string_buffer(ROOM_BYTES))
    return None if state < 0 else bool(state != UNSYNCHRONISED)


@cache
def _c_library() -> ctypes.CDLL:
    """Opened once: every opening makes a class."""
    return ctypes.CDLL(None)


@dataclass(frozen=True)
class Clock:
    """A clock that does not jump, the calendar, and whether that is set; tests bring their own."""

    monotonic_ns: Callable[[], int] = time.monotonic_ns
    wall_ns: Callable[[], int] = time.time_ns
    synced: Callable[[], bool | None] = clock_synced

    def now(self) -> Moment:
        """This moment by both clocks."""
        return Moment(self.monotonic_ns(), self.wall_ns(), self.synced())


def moment_now() -> Moment:
    """This moment by both clocks of this computer."""
    return Clock().now()
