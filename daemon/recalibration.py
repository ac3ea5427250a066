"""Calibrations that are made or removed while the daemon runs are in force for the readings that follow."""

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable
from dataclasses import replace

from ..drivers.errors import PeakwhiteError, outcome_of
from .calibrations import StoredCalibrations
from .config import SetupInForce
from .live import Hub, Problem
from .measure.calibration import Calibration

EVERY_S = 1.0
PART = "calibrations"

log = logging.getLogger(__name__)


class Recalibration:
    """Looks at the stored calibrations every second, on the loop's time and off its thread.

    Files that cannot be read leave what is in force as it is, and the status says so until they can.

    Args:
        stored: what is on disk; it was loaded for the set-up in force.
        setup: where other calibrations are put in force, under a generation of their own.
        hub: told of that, and of what is wrong.
        sleep: waits so many seconds.
        wall_ns: nanoseconds since 1970 UTC.
    """

    def __init__(
        self,
        stored: StoredCalibrations,
        setup: SetupInForce,
        hub: Hub,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        wall_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self._stored = stored
        self._setup = setup
        self._hub = hub
        self._sleep = sleep
        self._wall_ns = wall_ns
        self._looking = asyncio.Lock()

    async def follow(self) -> None:
        """Look for ever. It belongs on the loop's thread, which alone swaps the set-up."""
        while True:
            await self._sleep(EVERY_S)
            await self.look()

    async def look(self) -> None:
        """Put in force what is on disk now, where that is anything else."""
        async with self._looking:  # whoever comes second waits until what was found is in force
            await self._look()

    async def _look(self) -> None:
        try:
            found = await asyncio.to_thread(self._changed)
        except PeakwhiteError as error:
            log.warning("calibrations stay as they were: %s", error)
            text = f"calibrations stay as they were: {error.where}: {error.what}"
            problem = Problem(outcome_of(error).problem_code, text, error.do, self._wall_ns())
            self._hub.announce_beside(PART, [problem])
            return
        if found is None:
            return
        self._hub.announce_beside(PART, [])
        conditions = self._setup.current.conditions
        if found != conditions.calibrations:
            self._setup.swap(replace(conditions, calibrations=found))
            self._hub.setup_changed()

    def _changed(self) -> tuple[Calibration, ...] | None:
        """All calibrations, None where no file has changed since they were last read. Raises UnreadableInput."""
        return self._stored.load() if self._stored.changed else None
