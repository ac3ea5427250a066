"""Steady levels out of the readings that come anyway: enough of them, on one range, with nothing moving."""

import asyncio
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass

from ...drivers.capture import Capture
from ...drivers.errors import NoReading, PeakwhiteError, UsageError
from ..config import SetupInForce
from ..measure.hookup import WHITE_ROLES, Hookup
from ..measure.level_budget import LevelBudget
from ..measure.mean_level import mean_levels
from ..measure.reading import Reading

ENOUGH = 8
"""So many captures are averaged; at three a second they take less than three seconds."""
LEAST = 4
"""So many do where the scope is too slow for more; `calibrate` takes as many."""
WAIT_S = 12.0
STEADY = 0.005
"""Levels that stay within this part of each other, or within six times their noise, are steady (our choice)."""
UNSEEN = ("none", "vertical-interval")
"""States of sync in which a record shows no picture."""


@dataclass(frozen=True)
class Seen:
    """One reading that counts: its levels by channel, and what they were measured from."""

    levels: Mapping[str, LevelBudget]
    reading: Reading
    capture: Capture


class Gathering:
    """Readings of one press. `take` is for the acquisition's thread alone; `enough` ends once there are enough."""

    def __init__(self, generation: int, hookup: Hookup, after_ns: int, expected: Collection[str]) -> None:
        self.enough: Future[list[Seen]] = Future()
        self.enough.set_running_or_notify_cancel()  # nobody cancels it: the acquisition's thread may end it at any time
        self._generation = generation
        self._channels = [clip.channel for clip in hookup.clips if clip.role in WHITE_ROLES]
        self._last_ns = after_ns
        self._expected = expected
        self._seen: tuple[Seen, ...] = ()
        self._lacks: PeakwhiteError = NoReading(
            "no capture came", where="press", do="see what the notice says, press again"
        )

    def take(self, reading: Reading, capture: Capture) -> None:
        """Count the reading, if it fits those before; one that does not begins anew."""
        if self.enough.done() or reading.setup != self._generation or capture.captured_at_ns <= self._last_ns:
            return
        self._last_ns = capture.captured_at_ns
        levels = {one.channel: one for one in reading.measured.budgets if one.channel in self._channels}
        missing = [name for name in self._expected or self._channels if name not in levels]
        if reading.measured.sync.state in UNSEEN or not levels or (self._expected and missing):
            self._lacks = _lack(reading, missing) or self._lacks
            return
        before = self._seen[-1].levels if self._seen else levels
        if levels.keys() < before.keys():
            return  # a record that missed the white of one of them
        if levels.keys() != before.keys() or any(one.path != before[name].path for name, one in levels.items()):
            self._seen = ()
        self._seen = (*self._seen, Seen(levels, reading, capture))[-ENOUGH:]
        if len(self._seen) == ENOUGH and _are_steady(self._seen):
            self.enough.set_result(list(self._seen))

    @property
    def has_begun(self) -> bool:
        """Whether any level was seen."""
        return bool(self._seen)

    def at_least(self) -> list[Seen]:
        """What there is once time is over. Raises UsageError or NoReading that says what was lacking."""
        seen = self._seen
        if len(seen) >= LEAST and _are_steady(seen):
            return list(seen)
        if len(seen) >= LEAST:
            do = "leave picture, trimmers and plugs alone, then press again"
            raise UsageError("the levels are not steady", where="press", do=do)
        if seen:
            raise NoReading(f"only {len(seen)} captures came", where="press", do="let the scope run, then press again")
        raise self._lacks


def _are_steady(seen: Sequence[Seen]) -> bool:
    return all(_within([one.levels[name] for one in seen]) for name in seen[-1].levels)


def _within(levels: list[LevelBudget]) -> bool:
    mv = [one.level_mv for one in levels]
    noise_mv = max((item.standard_mv for one in levels for item in one.items_of("noise")), default=0.0)
    return max(mv) - min(mv) <= max(STEADY * abs(mv[-1]), 6.0 * noise_mv)


def _lack(reading: Reading, missing: Sequence[str]) -> PeakwhiteError | None:
    """Why the reading has no level on these channels; None where a record of another stretch may have one."""
    if reading.measured.sync.state == "none":
        return UsageError("no sync is found", where="press", do="check the sync probe, and that the unit is on")
    clipped = [one.channel for one in reading.measured.channels if one.clipped and one.channel in missing]
    if clipped:
        what = f"{' and '.join(clipped)} runs off the scope's range"
        return UsageError(what, where="press", do="wait until the range fits, or choose a coarser one, and press again")
    if reading.measured.sync.state in UNSEEN:
        return None
    return UsageError(
        f"no white is seen on {' and '.join(missing)}", where="press", do="show a full white field, then press again"
    )


@dataclass(frozen=True)
class Steady:
    """What a press took: mean levels, and the readings that they are of."""

    levels: tuple[LevelBudget, ...]
    seen: tuple[Seen, ...]
    generation: int
    at_s: float

    @property
    def identity(self) -> str:
        """Of the scope."""
        return self.seen[-1].reading.scope.identity

    @property
    def captured_at_ns(self) -> int:
        """Of the newest capture."""
        return self.seen[-1].capture.captured_at_ns

    @property
    def captures(self) -> list[Capture]:
        """What the levels were measured from."""
        return [one.capture for one in self.seen]


class SteadyLevels:
    """Gives a press its levels. One press at a time.

    Args:
        setup: the set-up in force.
        now_s: monotonic clock.
        wait_s: so long a press waits for steady levels; a third of it where none is seen at all.
    """

    def __init__(self, setup: SetupInForce, now_s: Callable[[], float], wait_s: float = WAIT_S) -> None:
        self._setup = setup
        self._now_s = now_s
        self._wait_s = wait_s
        self._gathering: Gathering | None = None

    def on_reading(self, reading: Reading, capture: Capture) -> None:
        """A reading that was published; on the acquisition's thread."""
        gathering = self._gathering
        if gathering is not None:
            gathering.take(reading, capture)

    def must_be_free(self) -> None:
        """Raises UsageError while another press is being taken."""
        if self._gathering is not None:
            raise UsageError("another press is being taken", where="press", do="wait until it is done")

    async def take(self, after_ns: int = 0, expected: Collection[str] = ()) -> Steady:
        """The levels of captures that come from now on, taken after `after_ns`, under the set-up in force.

        Captures that lack one of the `expected` channels do not count; without them what is seen does.

        Raises UsageError where another press is being taken, sync or level is lacking, levels move or the set-up changes;
        NoReading where too few captures come.
        """
        self.must_be_free()
        setup = self._setup.current
        gathering = self._gathering = Gathering(setup.generation, setup.conditions.hookup, after_ns, expected)
        try:
            seen = await self._enough(gathering)
        except asyncio.CancelledError as error:  # the server ends; let through it would be logged as a defect
            raise NoReading("the daemon ends", where="press", do="start it and press again") from error
        finally:
            self._gathering = None
        if self._setup.current.generation != setup.generation:
            raise changed("while it was taken")
        levels = mean_levels([list(one.levels.values()) for one in seen])
        return Steady(levels, tuple(seen), setup.generation, self._now_s())

    async def _enough(self, gathering: Gathering) -> list[Seen]:
        """What was gathered. Raises UsageError or NoReading, sooner where nothing at all is seen."""
        enough = asyncio.wrap_future(gathering.enough)
        done, _ = await asyncio.wait([enough], timeout=self._wait_s / 3.0)
        if not done and gathering.has_begun:
            done, _ = await asyncio.wait([enough], timeout=self._wait_s * 2.0 / 3.0)
        return enough.result() if done else gathering.at_least()


def changed(when: str) -> UsageError:
    """The set-up is another one `when`."""
    return UsageError(f"the hookup or another setting changed {when}", where="press", do="start again")
