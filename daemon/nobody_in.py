"""Whether nobody gets in from elsewhere, though others can reach the daemon: a line and a problem then, a line once somebody does."""

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable

from ..drivers.errors import PeakwhiteError
from .live import Hub, Problem

EVERY_S = 5.0
CODE = "nobody-in"

log = logging.getLogger(__name__)


class NobodyIn:
    """Looks every five seconds: the last token may be revoked or expire, and another made, while the daemon runs.

    Args:
        hub: told while nobody gets in, for the page.
        find: says why nobody does, None while somebody may or nobody is to.
        wall_ns: nanoseconds since 1970 UTC.
    """

    def __init__(
        self,
        hub: Hub,
        find: Callable[[], PeakwhiteError | None],
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        wall_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self._hub = hub
        self._find = find
        self._sleep = sleep
        self._wall_ns = wall_ns
        self.text = ""
        """What is wrong, empty while nothing is."""

    async def follow(self) -> None:
        """Look for ever."""
        while True:
            await asyncio.to_thread(self.look)
            await self._sleep(EVERY_S)

    def look(self) -> None:
        """Look now. It may wait for the disk."""
        found = self._find()
        text = "" if found is None else f"nobody gets in from elsewhere: {found.what}"
        if text == self.text:
            return
        self.text = text
        if found is None:
            log.warning("there is an access token again")
            self._hub.announce_beside("access", [])
        else:
            log.warning("%s; %s", text, found.do)
            self._hub.announce_beside("access", [Problem(CODE, text, found.do, self._wall_ns())])
