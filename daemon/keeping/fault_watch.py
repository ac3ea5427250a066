"""Keeps what happens around an intermittent fault: the captures before and after, while nobody looks."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from ...drivers.capture import Capture
from ..book.records import Moment, NewEvent
from ..measure.reading import Reading
from ..measure.targets import Conditions
from .allowance import Allowance
from .capture_ring import MIB, MOST, CaptureRing, codes_bytes
from .excursions import FAULTS, Excursions, Fault, FaultKind

BAND_MV = 10.0
EVENT_BYTES = 16 * MIB
"""Of codes that one event may hold, before compression."""
AFTER = MOST // 2
AFTER_S = 5.0
"""No longer than this, and for no more than AFTER captures, an event waits for what comes after it."""
AT_ONCE_BYTES, AN_HOUR_BYTES = 48 * MIB, 24 * MIB
"""A fault that comes and goes all day writes under 640 MB of codes, and its events are counted all the same."""
LEAST_BYTES = 2 * MIB
"""What every event counts for: so that small ones do not fill the list, twelve an hour."""


@dataclass(frozen=True)
class Counted:
    """What the watch has seen since it was last switched on: faults by kind, and how many of them were kept."""

    seen: Mapping[FaultKind, int] = field(default_factory=lambda: dict.fromkeys(FAULTS, 0))
    kept: int = 0

    @property
    def not_kept(self) -> int:
        """Faults that came too soon after others, for which there was no room, or that are still being written."""
        return sum(self.seen.values()) - self.kept


@dataclass(frozen=True, eq=False)
class _Pending:
    """An event that waits for the captures after it."""

    fault: Fault
    number: int
    moment: Moment
    conditions: Conditions
    stage_id: int | None
    after: int


class FaultWatch:
    """Gives an event once its captures are there. One thread at a time uses it.

    Memory: CaptureRing's bound, and one event more while it is being written.
    """

    def __init__(self, band_mv: float = BAND_MV) -> None:
        self._excursions = Excursions(band_mv)
        self._ring = CaptureRing()
        self._allowance = Allowance(AT_ONCE_BYTES, AN_HOUR_BYTES)
        self._pending: _Pending | None = None
        self._newest: tuple[int, Conditions] | None = None
        self._setup: int | None = None
        self._counted = Counted()
        self._unkept = 0

    @property
    def counted(self) -> Counted:
        """What was seen so far."""
        return self._counted

    def take(
        self, reading: Reading, capture: Capture, conditions: Conditions, moment: Moment, stage_id: int | None
    ) -> tuple[NewEvent, ...]:
        """A reading with its capture, made under those conditions; gives the events that are complete now."""
        complete = []
        if self._setup != reading.setup:  # an event is of one set-up
            complete.append(self.end())
            self.forget()
            self._setup = reading.setup
        number = self._ring.add(capture, reading).number
        self._newest = (number, conditions)
        self._note(self._excursions.take(reading, moment.monotonic_s), codes_bytes(capture), moment, stage_id)
        if self._pending is not None and self._is_over(self._pending, number, moment):
            complete.append(self.end())
        return tuple(event for event in complete if event is not None)

    def no_sync(self, moment: Moment, stage_id: int | None) -> NewEvent | None:
        """The scope is there and finds not even a trigger, so that no captures come. Gives the event that this ends."""
        self._note(self._excursions.no_sync(moment.monotonic_s), 0, moment, stage_id)
        return self.end()

    def end(self) -> NewEvent | None:
        """The event that waits, with the captures that there are; None where none does."""
        pending, self._pending = self._pending, None
        if pending is None:
            return None
        captures = self._ring.around(pending.number, EVENT_BYTES)
        size = sum(codes_bytes(one.capture) for one in captures)
        if not self._allowance.take(max(size, LEAST_BYTES), pending.moment.monotonic_s):
            self._unkept += 1
            return None
        text, fault = pending.fault.text, pending.fault
        if self._unkept:
            text = f"{text} {self._unkept} more since the last that was kept."
            self._unkept = 0
        return NewEvent(pending.moment, fault.kind, text, pending.conditions, captures, fault.channel, pending.stage_id)

    def kept(self) -> None:
        """An event that was given is durable."""
        self._counted = replace(self._counted, kept=self._counted.kept + 1)

    def not_kept(self) -> None:
        """An event that was given could not be kept."""
        self._unkept += 1

    def forget(self) -> None:
        """Another unit or set-up: nothing that was before is before what comes."""
        self._excursions.forget()
        self._ring.clear()
        self._pending = self._newest = None

    def _note(self, faults: tuple[Fault, ...], size: int, moment: Moment, stage_id: int | None) -> None:
        for fault in faults:
            seen = {**self._counted.seen, fault.kind: self._counted.seen[fault.kind] + 1}
            self._counted = replace(self._counted, seen=seen)
            if self._pending is not None or self._newest is None:
                self._unkept += 1
                continue
            number, conditions = self._newest
            after = min(AFTER, max(1, EVENT_BYTES // 2 // max(size, 1)))
            self._pending = _Pending(fault, number, moment, conditions, stage_id, after)

    @staticmethod
    def _is_over(pending: _Pending, number: int, moment: Moment) -> bool:
        waited_s = moment.monotonic_s - pending.moment.monotonic_s
        return number - pending.number >= pending.after or waited_s >= AFTER_S
