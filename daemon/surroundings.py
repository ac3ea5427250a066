"""What the daemon stands on beside its scope: room on the book's disk, and the calendar. A line when it goes, one when it is back."""

import asyncio
import logging
import shutil
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from pathlib import Path

from .book.clock import Clock
from .live import Hub, Problem

EVERY_S = 10.0
LOW_BYTES = 200_000_000
"""Some forty marks of 4 × 250,000 samples with what keeping them takes, or a week of the running log."""
ROOM_BYTES = 250_000_000
"""With so much there is room again; between the two nothing changes."""
DISK_LOW = "disk-low"
OLDEST_YEAR = 2026
"""No clock that is set says an earlier one: this program was not there yet."""
JUMP_S = 2.0
"""By less a clock is adjusted without a word."""
NS_PER_S = 1_000_000_000

log = logging.getLogger(__name__)


def free_bytes(folder: Path) -> int:
    """Room on the disk where that folder lies, or will lie. Raises OSError."""
    there = next((one for one in (folder, *folder.parents) if one.exists()), folder)
    return shutil.disk_usage(there).free


class Surroundings:
    """Looks every ten seconds. One thread at a time uses it.

    Args:
        hub: told while the disk is nearly full, for the page.
        disk: folder in which the book lies; None where it is on a server.
        clock: tells the time, and whether it can be believed.
        free: room in a folder; raises OSError.
    """

    def __init__(
        self,
        hub: Hub,
        disk: Path | None,
        clock: Clock | None = None,
        free: Callable[[Path], int] = free_bytes,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._hub = hub
        self._disk = disk
        self._clock = clock or Clock()
        self._free = free
        self._sleep = sleep
        self._is_low = False
        self._was_set: bool | None = None
        self._offset_ns = 0

    async def follow(self) -> None:
        """Look for ever."""
        while True:
            await asyncio.to_thread(self.look)
            await self._sleep(EVERY_S)

    def look(self) -> None:
        """Look at disk and clock now. It may wait for the disk."""
        self._look_at_disk()
        self._look_at_clock()

    def _look_at_disk(self) -> None:
        if self._disk is None:
            return
        try:
            free = self._free(self._disk)
        except OSError:
            return  # what cannot be written there is told by the book
        if not self._is_low and free < LOW_BYTES:
            self._is_low = True
            text = f"{self._disk}: less than {LOW_BYTES / 1e6:.0f} MB are left on this disk"
            do = "make room on it before nothing can be kept any more"
            log.warning("%s; %s", text, do)
            self._hub.announce_beside("disk", [Problem(DISK_LOW, text, do, self._clock.wall_ns())])
        elif self._is_low and free >= ROOM_BYTES:
            self._is_low = False
            log.warning("%s: there is room on this disk again", self._disk)
            self._hub.announce_beside("disk", [])

    def _look_at_clock(self) -> None:
        now = self._clock.now()
        date = datetime.fromtimestamp(now.utc_ns / NS_PER_S, UTC)
        offset_ns = now.utc_ns - now.monotonic_ns
        jump_s = (offset_ns - self._offset_ns) / NS_PER_S if self._was_set is not None else 0.0
        is_set = date.year >= OLDEST_YEAR and now.clock_synced is not False
        jumped = f", by {jump_s:+.0f} s" if abs(jump_s) >= JUMP_S else ""
        if self._was_set is not False and not is_set:
            level = logging.WARNING if self._was_set or date.year < OLDEST_YEAR else logging.INFO
            log.log(
                level,
                "nothing has set the clock, which says %s; what is kept is dated by it",
                f"{date:%Y-%m-%d %H:%M} UTC",
            )
        elif self._was_set is False and is_set:
            log.warning("the clock is set%s", jumped)
        elif jumped:
            log.warning("the clock was put to another time%s", jumped)
        self._was_set, self._offset_ns = is_set, offset_ns
