"""The terminator test at the bench: a press as it is, a press with the terminator off or a second one on."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace

from ...drivers.errors import UsageError
from ..config import SetupInForce
from ..live import Hub
from ..measure.terminator_test import Second, SourceImpedance, source_impedances
from .gathering import Steady, SteadyLevels, changed

GOOD_FOR_S = 300.0
"""A first press older than this is of a unit that has warmed on meanwhile (our choice)."""
OPEN_HEADROOM = 1.86
"""With the fifth that every range has to spare an open output of 1.59 V fits, twice a level of 111 % of nominal: on the
steps of 1, 2, 5 that needs no coarser range than that of every day, only another middle. What is higher gets a coarser one.
"""


@dataclass(frozen=True)
class TestResult:
    """What both presses came to."""

    second: Second
    found: tuple[SourceImpedance, ...]
    captured_at_ns: int


class TerminatorTest:
    """First press, second press, result; belongs to the loop's thread.

    From the first press to the end the scope's range holds an open output: both presses are then on one range, so that
    the scope's gain cancels, and the range does not go to and fro when the terminators are put back.
    """

    def __init__(
        self,
        levels: SteadyLevels,
        setup: SetupInForce,
        hub: Hub,
        now_s: Callable[[], float],
        on_found: Callable[[], None],
    ) -> None:
        self._levels = levels
        self._on_found = on_found
        self._setup = setup
        self._hub = hub
        self._now_s = now_s
        self._ending: asyncio.TimerHandle | None = None
        self.second: Second | None = None
        self.first: Steady | None = None
        self.result: TestResult | None = None

    @property
    def age_s(self) -> float | None:
        """Of the first press."""
        return None if self.first is None else self._now_s() - self.first.at_s

    async def press_first(self, second: Second) -> None:
        """Take the levels as it is; `second` is what the second press will be into. Raises as `SteadyLevels.take`."""
        self._levels.must_be_free()
        self.forget()
        self._make_room(OPEN_HEADROOM if second == "open" else 1.0)
        try:
            self.first = await self._levels.take()
        finally:
            if self.first is None:
                self._make_room(1.0)
        self.second = second
        self._ending = asyncio.get_running_loop().call_later(GOOD_FOR_S, self._expire)

    async def press_second(self) -> TestResult:
        """Take the levels again; gives what both say. It may be pressed as often as need be.

        Raises UsageError without a first press, for one too old or of another set-up or scope, and as `SteadyLevels.take`.
        """
        first, second = self.first, self.second
        if first is None or second is None:
            raise UsageError("there is no first press", where="press", do="press as it is first")
        if self._now_s() - first.at_s > GOOD_FOR_S:
            self.forget()
            raise UsageError(f"the first press is older than {GOOD_FOR_S / 60:g} min", where="press", do="start again")
        if first.generation != self._setup.current.generation:
            self.forget()
            raise changed("since the first press")
        now = await self._levels.take(first.captured_at_ns, [one.channel for one in first.levels])
        if now.identity != first.identity:
            self.forget()
            raise UsageError("another scope is connected than at the first press", where="press", do="start again")
        hookup = self._setup.current.conditions.hookup
        found = source_impedances(first.levels, now.levels, hookup, second)
        self.result = TestResult(second, found, now.captured_at_ns)
        self._on_found()
        return self.result

    def forget(self) -> None:
        """Start again: neither press counts any more."""
        self.first = self.second = self.result = None
        if self._ending is not None:
            self._ending.cancel()
            self._ending = None
        self._make_room(1.0)

    def _expire(self) -> None:
        """The first press is too old now; what was found stays."""
        result = self.result
        self.forget()
        self.result = result

    def _make_room(self, headroom: float) -> None:
        conditions = self._setup.current.conditions
        if conditions.headroom != headroom:
            self._setup.swap(replace(conditions, headroom=headroom))
            self._hub.setup_changed()
