"""The present reading as something that can be kept: with its capture and set-up, in the stage that is on the bench."""

import asyncio
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from ...drivers.capture import Capture
from ...drivers.errors import NoReading, NotInBook, PeakwhiteError
from ..config import SetupInForce
from ..measure.reading import Reading
from ..measure.targets import Conditions
from .clock import clock_synced
from .keeper import BookKeeper
from .present import PresentStage
from .reader import BookReader
from .records import Moment, NewMark, Warmth

WHOLE_NS = 500_000_000
"""Some captures fall into the vertical interval, and their levels are held from the one before: a mark is of that one,
where it is no older than this."""


@dataclass(frozen=True, eq=False)
class Taken:
    """A reading with all that it came of, and when that was by the clock that does not jump and by the calendar."""

    reading: Reading
    capture: Capture
    conditions: Conditions
    monotonic_ns: int
    utc_ns: int


class Marking:
    """Takes every reading from the acquisition's thread, which never waits here, and keeps one when it is told to.

    Args:
        keeper: writes the book.
        present: the stage on the bench.
        setup: the set-up in force.
        warmth: how long unit and scope have been on now.
        may_keep: raises a PeakwhiteError where a mark in the stage on the bench would be under a wrong unit.
        monotonic_ns, wall_ns: clocks.
    """

    def __init__(
        self,
        keeper: BookKeeper,
        present: PresentStage,
        setup: SetupInForce,
        *,
        warmth: Callable[[], Warmth] = Warmth,
        may_keep: Callable[[], None] = lambda: None,
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
        wall_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self.keeper = keeper
        self.present = present
        self._setup = setup
        self._warmth = warmth
        self._may_keep = may_keep
        self._monotonic_ns = monotonic_ns
        self._wall_ns = wall_ns
        self._newest: Taken | None = None
        self._whole: Taken | None = None
        self._reader: BookReader | None = None
        self._reading = threading.Lock()

    def on_reading(self, reading: Reading, capture: Capture) -> None:
        """A reading that was published, and what it was measured from."""
        setup = self._setup.current
        if setup.generation != reading.setup:
            return
        taken = Taken(reading, capture, setup.conditions, self._monotonic_ns(), self._wall_ns())
        self._newest = taken
        if not any(channel.held for channel in reading.measured.channels):
            self._whole = taken

    @property
    def taken(self) -> Taken:
        """What a mark would keep now. Raises NoReading where there is none under the set-up in force, or no sync any more."""
        newest, whole = self._newest, self._whole
        if newest is None or newest.reading.setup != self._setup.current.generation:
            raise NoReading("no reading yet under this set-up", where="mark", do="wait for the next capture")
        fits = whole is not None and whole.reading.setup == newest.reading.setup
        if whole is not None and fits and newest.monotonic_ns - whole.monotonic_ns <= WHOLE_NS:
            return whole
        if newest.reading.measured.sync.state == "none" and newest is not whole:
            raise NoReading(
                "sync is away, and the levels shown are from before", where="mark", do="wait until it is back"
            )
        return newest

    async def keep(self, *, stage_id: int | None = None, note: str = "", who: str = "") -> int:
        """Keep the present reading, in the stage on the bench where none is given; gives its number once it is durable.

        Without a stage, or where the one on the bench is not in the book, it is a loose mark of today.
        Raises NoReading, UsageError, BookError, and what `may_keep` raises.
        """
        taken = self.taken
        await self._ask(stage_id)
        given = stage_id if stage_id is not None else self.present.stage_id
        try:
            return await self._kept(taken, given, note, who)
        except NotInBook:
            if stage_id is not None or given is None:
                raise
            return await self._kept(taken, None, note, who)

    async def _ask(self, stage_id: int | None) -> None:
        """Raises what `may_keep` does, but for a stage that was given and is of another unit than the one in question."""
        try:
            self._may_keep()
        except PeakwhiteError:
            present = self.present.stage_id
            if stage_id is None or present is None:
                raise
            if await asyncio.to_thread(lambda: self._unit_of(stage_id) == self._unit_of(present)):
                raise

    def _unit_of(self, stage_id: int) -> int:
        _, unit, _ = self.reader.whereabouts(stage_id)
        return unit.id

    async def _kept(self, taken: Taken, stage_id: int | None, note: str, who: str) -> int:
        moment = Moment(taken.monotonic_ns, taken.utc_ns, clock_synced())
        mark = NewMark(
            stage_id, moment, taken.reading, taken.conditions, taken.capture, self._warmth(), note=note, who=who
        )
        return await asyncio.wrap_future(self.keeper.keep(mark))

    def now_ns(self) -> int:
        """Nanoseconds since 1970 UTC."""
        return self._wall_ns()

    @property
    def reader(self) -> BookReader:
        """Reads the book that is written now."""
        with self._reading:
            if self._reader is None or self._reader.place != self.keeper.place:
                self._close_reader()
                self._reader = BookReader(self.keeper.place)
            return self._reader

    def close(self) -> None:
        """Let the book go, as far as reading is concerned."""
        with self._reading:
            self._close_reader()

    def _close_reader(self) -> None:
        reader, self._reader = self._reader, None
        if reader is not None:
            reader.close()
