"""The bench as the web face sees it: what is on it, how warm it is, and what the watch has seen."""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from typing import cast

from ...drivers.errors import BookError, NotInBook
from ..book import Marking
from ..book.objects import whereabouts_object
from ..live.schema import BenchObject, DriftObject, FaultsSeen, PresentObject, QuestionObject
from ..measure.reading import iso_utc
from .drift import Drift
from .fault_watch import Counted
from .keeping import Keeping

EVERY_S = 1.0

log = logging.getLogger(__name__)


class Bench:
    """Keeps what is kept unasked in step with the stage that was chosen.

    Args:
        keeping: what is kept unasked.
        marking: knows which stage is on the bench, and reads the book.
        changed: is called whenever something else is on the bench, or what is there is called something else.
        sleep: waits so many seconds.
    """

    def __init__(
        self,
        keeping: Keeping,
        marking: Marking,
        changed: Callable[[], None],
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self.keeping = keeping
        self._marking = marking
        self._changed = changed
        self._sleep = sleep
        self._looking = asyncio.Lock()
        self._of_before = marking.present.stage_id
        self._present: PresentObject | None = None

    async def follow(self) -> None:
        """Look for ever: another process may choose the stage too."""
        while True:
            await self.look()
            await self._sleep(EVERY_S)

    async def look(self, *, is_reworded: bool = False) -> None:
        """Take up the stage that is chosen now, or, where `is_reworded`, what the book says of it now.

        One that is not in this book is none; a book that cannot be read, no change.
        """
        async with self._looking:
            stage_id = self._marking.present.stage_id
            if stage_id == self.keeping.stage_id and not is_reworded:
                return
            try:
                found = None if stage_id is None else await asyncio.to_thread(self._find, stage_id)
            except BookError as error:
                log.debug("the stage on the bench cannot be looked up: %s", error)
                return
            self.keeping.put_on_bench(
                None if found is None else stage_id,
                None if found is None else found["unit"]["id"],
                is_of_before=stage_id == self._of_before,
            )
            self._of_before = None
            is_other, self._present = found != self._present, found
        if is_other:
            self._changed()

    def _find(self, stage_id: int) -> PresentObject | None:
        try:
            return cast(PresentObject, whereabouts_object(self._marking.reader.whereabouts(stage_id)))
        except NotInBook:
            return None

    def object(self) -> BenchObject:
        """All of it now."""
        keeping = self.keeping
        watch, warmth = keeping.watch, keeping.warmth(keeping.now())
        return {
            "present": self._present,
            "watch": {
                "on": watch.on,
                "band_mv": watch.band_mv,
                "seen": _seen(watch.counted),
                "kept": watch.counted.kept,
                "not_kept": watch.counted.not_kept,
            },
            "warmth": {
                "unit_on_min": warmth.unit_on_min,
                "scope_on_min": warmth.scope_on_min,
                "why_cold": warmth.why_cold,
                "drifting": warmth.is_drifting,
                "settled": warmth.is_settled,
                "drifts": [_drift(role, drift) for role, drift in warmth.drifts.items()],
            },
            "question": _question(keeping),
        }


def _seen(counted: Counted) -> FaultsSeen:
    seen = counted.seen
    return {"level": seen["level"], "sync-lost": seen["sync-lost"], "channel-dead": seen["channel-dead"]}


def _drift(role: str, drift: Drift) -> DriftObject:
    return {
        "role": role,
        "mv_per_min": drift.mv_per_min,
        "low_mv_per_min": drift.low_mv_per_min,
        "high_mv_per_min": drift.high_mv_per_min,
        "drifting": drift.is_drifting,
        "settled": drift.is_settled,
    }


def _question(keeping: Keeping) -> QuestionObject | None:
    asked = keeping.question
    if asked is None:
        return None
    question, since_ns = asked
    return {"text": question.text, "since": iso_utc(since_ns), "is_back": question.is_back}
