"""When it is now, and whether the computer's calendar can be believed: one without a clock of its own begins in the past."""

import ctypes
import sys
import time

from .records import Moment

UNSYNCHRONISED = 5
"""What adjtimex answers (TIME_ERROR) while the system's clock has not been set by another."""
ROOM_BYTES = 1024
"""More than its structure takes; all zero it asks and changes nothing."""


def moment_now() -> Moment:
    """This moment by both clocks."""
    return Moment(time.monotonic_ns(), time.time_ns(), clock_synced())


def clock_synced() -> bool | None:
    """Whether the clock was set by the network's; None where the system does not say."""
    if sys.platform != "linux":
        return None
    state = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(ROOM_BYTES))
    return None if state < 0 else bool(state != UNSYNCHRONISED)
