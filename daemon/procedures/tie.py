"""Tying the channels at the bench: a press with all probes on one output learns, a second one keeps."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path

from ...drivers.errors import PeakwhiteError, UsageError
from ..calibrations import default_folder, keep_calibrations
from ..config import SetupInForce
from ..measure.calibrated import valid_until_ns
from ..measure.tie_made import TieResult, make_tie
from .gathering import Steady, SteadyLevels, changed

GOOD_FOR_S = 300.0


@dataclass(frozen=True)
class Kept:
    """Where a tie was kept, and until when it is good."""

    path: Path
    valid_until_ns: int


class TieProcedure:
    """Learn, then keep; belongs to the loop's thread.

    Args:
        levels: gives a press its captures.
        setup: the set-up in force.
        take_up: puts in force what was kept.
        now_s: monotonic clock.
    """

    def __init__(
        self,
        levels: SteadyLevels,
        setup: SetupInForce,
        take_up: Callable[[], Awaitable[None]],
        now_s: Callable[[], float],
    ) -> None:
        self._levels = levels
        self._setup = setup
        self._take_up = take_up
        self._now_s = now_s
        self._steady: Steady | None = None
        self._ending: asyncio.TimerHandle | None = None
        self.learnt: TieResult | None = None
        self.kept: Kept | None = None

    @property
    def age_s(self) -> float | None:
        """Of what was learnt."""
        return None if self._steady is None else self._now_s() - self._steady.at_s

    async def learn(self, reference: str | None) -> TieResult:
        """Compare the channels with each other. Raises as `SteadyLevels.take` and `make_tie`."""
        self._levels.must_be_free()
        self.forget()
        steady = await self._levels.take()
        conditions = self._setup.current.conditions
        learnt = await asyncio.to_thread(make_tie, steady.captures, conditions, reference)
        self._steady, self.learnt = steady, learnt
        self._ending = asyncio.get_running_loop().call_later(GOOD_FOR_S, self.forget)
        return learnt

    async def keep(self) -> Kept:
        """Store what was learnt, as `peakwhite calibrate tie` does, and put it in force.

        Raises UsageError where nothing was learnt, long ago or under another set-up, UnreadableInput for a damaged file of
        calibrations, PeakwhiteError where it cannot be written.
        """
        steady, learnt = self._steady, self.learnt
        if steady is None or learnt is None:
            do = "put all probes on one output and press the first button"
            raise UsageError("there is nothing to keep", where="press", do=do)
        if self._now_s() - steady.at_s > GOOD_FOR_S:
            self.forget()
            raise UsageError(f"it was learnt more than {GOOD_FOR_S / 60:g} min ago", where="press", do="start again")
        if self._setup.current.generation != steady.generation:
            self.forget()
            raise changed("since it was learnt")
        try:
            path = await asyncio.to_thread(keep_calibrations, learnt.calibrations)
        except OSError as error:
            what = f"the tie cannot be written: {(error.strerror or 'no reason given').lower()}"
            raise PeakwhiteError(
                what, where=str(default_folder()), do="make room or mend the folder, and press again"
            ) from error
        self._steady = None
        self._stop_ageing()
        self.kept = Kept(path, valid_until_ns(learnt.calibrations[0]))
        await self._take_up()
        return self.kept

    def forget(self) -> None:
        """Start again; what was kept stays kept."""
        self._steady = self.learnt = self.kept = None
        self._stop_ageing()

    def _stop_ageing(self) -> None:
        if self._ending is not None:
            self._ending.cancel()
            self._ending = None
