"""A link for instruments that lock up when messages follow one another too fast, and that may head their answers."""

import re

from .links import Link
from .waiting import Clock

_HEADER = re.compile(r"(?:C\d:)?[A-Z_]{3,}[ \t]+", re.IGNORECASE)


class PacedLink:
    """Another link with a pause between messages; answers come without their header: `C1:VDIV 5.00E-01V` as `5.00E-01V`."""

    def __init__(self, link: Link, clock: Clock, pause_s: float) -> None:
        self._link = link
        self._clock = clock
        self._pause_s = pause_s
        self._next_s = clock.now()

    @property
    def resource(self) -> str:
        return self._link.resource

    @property
    def dirty(self) -> bool:
        return self._link.dirty

    def write(self, command: str) -> None:
        self._pause()
        self._link.write(command)

    def query(self, command: str) -> str:
        self._pause()
        return _HEADER.sub("", self._link.query(command).lstrip(), count=1)

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        self._pause()
        return self._link.query_block(command, limit_bytes)

    def clear(self) -> None:
        self._link.clear()

    def close(self) -> None:
        self._link.close()

    def _pause(self) -> None:
        """Wait until the pause since the message before is over. Its answer has come by now: it counts from the sending."""
        now_s = self._clock.now()
        left_s = self._next_s - now_s
        if left_s > 0.0:
            self._clock.sleep(left_s)
        self._next_s = max(now_s, self._next_s) + self._pause_s
