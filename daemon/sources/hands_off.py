"""Captures from a scope that only its user sets: nothing is changed, and what a level lacks is said.

The records of several channels are of one trigger only while the scope is stopped. A single channel is read from a
running scope too. A record during which its user turned a knob is passed over; the next one follows it.
"""

import time
from collections.abc import Callable

import numpy as np

from ...drivers.capture import Capture
from ...drivers.errors import InstrumentError
from ...drivers.links import CONNECT_TIMEOUT_S, TIMEOUT_S
from ...drivers.present_setup import ScopeSetup
from ...drivers.records import Record
from ...drivers.waiting import Clock
from ..acquisition import Note, NoTrigger, Task
from ..config import Setup
from ..measure.hookup import Hookup
from ..measure.targets import Conditions
from .hands_off_lacks import lacking, lacking_in
from .reached_scope import ReachedScope, check_hookup, reach

LIMITER_MHZ = 20.0
TURNED = Note(
    "hands-off-turned",
    "a range was turned while the scope was stopped, and its record is not to be believed any longer",
    "press Run/Stop or Single on the scope",
)


def open_hands_off(
    resource: str,
    *,
    family: str | None = None,
    timeout_s: float = TIMEOUT_S,
    connect_timeout_s: float = CONNECT_TIMEOUT_S,
    now_ns: Callable[[], int] = time.time_ns,
) -> "HandsOffSource":
    """Open the scope to read what it is set to. Raises as `reach` does."""
    return HandsOffSource(
        reach(resource, family, Clock(), timeout_s=timeout_s, connect_timeout_s=connect_timeout_s), now_ns
    )


class HandsOffSource:
    """A scope as a Source that changes none of its settings, nor whether it runs."""

    def __init__(self, scope: ReachedScope, now_ns: Callable[[], int] = time.time_ns) -> None:
        self._scope = scope
        self._now_ns = now_ns
        self._conditions: Conditions | None = None
        self._notes: tuple[Note, ...] = ()
        self._last: Capture | None = None

    @property
    def identity(self) -> str:
        return self._scope.identity

    @property
    def resource(self) -> str | None:
        return self._scope.link.resource

    @property
    def notes(self) -> tuple[Note, ...]:
        return self._notes

    def check(self, hookup: Hookup) -> None:
        check_hookup(hookup, self._scope.driver, where=self._scope.link.resource)

    def configure(self, task: Task, setup: Setup) -> None:
        hookup = setup.conditions.hookup
        if not hookup.recorded.clips:
            raise InstrumentError(
                "no channel is clipped to anything", where=self._scope.link.resource, do="set the hookup"
            )
        self._conditions = setup.conditions

    def capture(self, deadline_s: float) -> Capture | NoTrigger:
        if self._conditions is None:
            raise RuntimeError("configure comes before capture")
        hookup = self._conditions.hookup.recorded
        present = self._scope.driver.read_setup()
        shown = tuple(name for name in hookup.channels if (channel := present.channel(name)) and channel.on)
        self._notes = tuple(lacking(present, self._conditions, shown))
        if not shown or (present.running and len(shown) > 1):
            return NoTrigger(0.0)
        watched = self._scope.driver.watched(shown)
        record = self._scope.driver.fetch(shown)
        if watched != self._scope.driver.watched(shown):
            return NoTrigger(0.0, disturbed=True)
        if self._last is not None and _same(record, self._last) and _rescaled(record, self._last):
            self._notes += (TURNED,)
            return NoTrigger(0.0, disturbed=True)
        self._notes += tuple(lacking_in(record, hookup))
        return self._captured(record, present)

    def close(self) -> None:
        """Give the link back; the scope is as its user left it."""
        self._scope.link.close()

    def _captured(self, record: Record, present: ScopeSetup) -> Capture:
        """The record as a capture. A stopped scope gives the same one again: it keeps the time at which it was first seen."""
        again = self._last is not None and _same(record, self._last)
        captured_at_ns = self._last.captured_at_ns if again and self._last else self._now_ns()
        limited = all(channel.limiter for channel in present.channels if channel.on)
        self._last = Capture(
            channels=record.channels,
            seconds_per_sample=record.seconds_per_sample,
            first_sample_s=record.first_sample_s,
            identity=self._scope.identity,
            captured_at_ns=captured_at_ns,
            gain_spec=self._scope.gain_spec,
            bandwidth_mhz=LIMITER_MHZ if limited else None,
            triggered_by=present.trigger_source if present.falling and present.normal_mode else None,
        )
        return self._last


def _same(record: Record, last: Capture) -> bool:
    return len(record.channels) == len(last.channels) and all(
        new.name == old.name and np.array_equal(new.codes, old.codes)
        for new, old in zip(record.channels, last.channels, strict=True)
    )


def _rescaled(record: Record, last: Capture) -> bool:
    """Whether the same codes are said to be other volts than before."""
    return any(
        (new.volts_per_code, new.volts_at_code_zero) != (old.volts_per_code, old.volts_at_code_zero)
        for new, old in zip(record.channels, last.channels, strict=True)
    )
