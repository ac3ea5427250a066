"""What somebody does at the bench while the program looks on: press, change something, press again."""

import time
from collections.abc import Awaitable, Callable

from ...drivers.capture import Capture
from ..config import SetupInForce
from ..live import Hub
from ..measure.reading import Reading
from .gathering import WAIT_S, SteadyLevels
from .terminator import TerminatorTest
from .tie import TieProcedure

__all__ = ["Procedures", "TerminatorTest", "TieProcedure"]


class Procedures:
    """All of them, from the readings that come anyway: acquisition goes on as always.

    Args:
        setup: the set-up in force.
        hub: told where a procedure changes it.
        take_up: puts stored calibrations in force.
        now_s: monotonic clock.
        wait_s: so long a press waits for steady levels.
        on_loads_tested: called when the terminator test has found something.
    """

    def __init__(
        self,
        setup: SetupInForce,
        hub: Hub,
        take_up: Callable[[], Awaitable[None]],
        now_s: Callable[[], float] = time.monotonic,
        wait_s: float = WAIT_S,
        on_loads_tested: Callable[[], None] = lambda: None,
    ) -> None:
        self._levels = SteadyLevels(setup, now_s, wait_s)
        self.terminator = TerminatorTest(self._levels, setup, hub, now_s, on_loads_tested)
        self.tie = TieProcedure(self._levels, setup, take_up, now_s)

    def on_reading(self, reading: Reading, capture: Capture) -> None:
        """A reading that was published, and what it was measured from; on the acquisition's thread, which never waits."""
        self._levels.on_reading(reading, capture)
