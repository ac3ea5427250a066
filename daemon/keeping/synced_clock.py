"""Whether the calendar clock of this computer is set by something that knows the time."""

import ctypes
import sys
from functools import cache

STA_UNSYNC = 0x0040
"""Of `timex.status`, linux/timex.h: the clock is not synchronised."""
TIME_ERROR = 5
"""What adjtimex returns then, and where the clock is in error."""


class Timex(ctypes.Structure):
    """`struct timex` of adjtimex(2), up to where it is read, and room for the rest."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_long * 40),
    )


def clock_is_synced() -> bool | None:
    """True once the kernel's clock follows a time server, False until then; None where the system does not tell.

    A small computer without a battery for its clock starts with whatever time it had, and jumps when it hears a better one.
    """
    adjtimex = _adjtimex()
    if adjtimex is None:
        return None
    asked = Timex(modes=0)  # sets nothing, so that anybody may ask
    return synced_by(int(adjtimex(ctypes.byref(asked))), int(asked.status))


def synced_by(returned: int, status: int) -> bool | None:
    """What adjtimex's answer means; None where it refused to answer."""
    if returned < 0:
        return None
    return returned != TIME_ERROR and not status & STA_UNSYNC


@cache
def _adjtimex() -> "ctypes._NamedFuncPointer | None":
    if not sys.platform.startswith("linux"):
        return None
    return getattr(ctypes.CDLL(None), "adjtimex", None)
