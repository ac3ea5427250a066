"""Captures from a scope that only its user sets: nothing is changed but how it sends records, and that is given back.

The records of several channels are of one trigger only while the scope is stopped. A single channel is read from a
running scope too. A record during which its user turned a knob is passed over; the next one follows it. A stopped scope
whose settings stay as they were is read again at a slow pace: nothing else would tell of another record.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ...drivers.capture import Capture, Codes
from ...drivers.errors import InstrumentError, LinkTimeout, NoRecord
from ...drivers.links import CONNECT_TIMEOUT_S, TIMEOUT_S, identify
from ...drivers.present_setup import ScopeSetup
from ...drivers.records import Record
from ...drivers.waiting import Clock
from ..acquisition import Note, NoTrigger, Task
from ..acquisition.pace import rest_s
from ..config import Setup
from ..measure.hookup import Hookup
from ..measure.targets import Conditions
from .hands_off_lacks import lacking, lacking_in, only_part
from .hands_off_pace import SlowPace, most_points
from .reached_scope import ReachedScope, check_hookup, reach
from .users_setup import UsersSetup

LIMITER_MHZ = 20.0
TURNED = Note(
    "hands-off-turned",
    "a range was turned while the scope was stopped, and its record is not to be believed any longer",
    "press Run/Stop or Single on the scope",
)
NO_RECORD = "hands-off-no-record"
TAKE_ANEW = "press Run on the scope, then Stop or Single; if that does not help, make its memory shorter"


def open_hands_off(
    resource: str,
    *,
    family: str | None = None,
    timeout_s: float = TIMEOUT_S,
    connect_timeout_s: float = CONNECT_TIMEOUT_S,
    clock: Clock | None = None,
    now_ns: Callable[[], int] = time.time_ns,
    now_s: Callable[[], float] = time.monotonic,
    users: UsersSetup | None = None,
) -> "HandsOffSource":
    """Open the scope to read what it is set to. Raises as `reach` does.

    `clock` is that of the driver's pauses. `users` keeps how it sent records before, over several openings; None: for
    this one.
    """
    scope = reach(resource, family, clock or Clock(), timeout_s=timeout_s, connect_timeout_s=connect_timeout_s)
    return HandsOffSource(scope, now_ns, now_s, users)


@dataclass(frozen=True)
class _Present:
    """How the scope stands, and which channels of the hookup are switched on."""

    setup: ScopeSetup
    shown: tuple[str, ...]


class HandsOffSource:
    """A scope as a Source that changes none of its settings, nor whether it runs."""

    def __init__(
        self,
        scope: ReachedScope,
        now_ns: Callable[[], int] = time.time_ns,
        now_s: Callable[[], float] = time.monotonic,
        users: UsersSetup | None = None,
    ) -> None:
        self._scope = scope
        self._now_ns = now_ns
        self._now_s = now_s
        self._users = UsersSetup(hands_off=True) if users is None else users
        self._conditions: Conditions | None = None
        self._task = Task.LEVELS
        self._notes: tuple[Note, ...] = ()
        self._last: Capture | None = None
        self._pace = SlowPace[_Present, Capture | NoTrigger]()

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
        self._users.remember(self._scope.identity, self._scope.driver)
        self._task, self._conditions = task, setup.conditions
        self._pace.forget()

    def capture(self, deadline_s: float) -> Capture | NoTrigger:
        if self._conditions is None:
            raise RuntimeError("configure comes before capture")
        hookup = self._conditions.hookup.recorded
        setup = self._scope.driver.read_setup()
        shown = tuple(name for name in hookup.channels if (channel := setup.channel(name)) and channel.on)
        if setup.running:
            self._pace.forget()
        present = _Present(setup, shown)
        known = self._pace.known(present, self._now_s())
        if known is not None:
            return known
        self._notes = tuple(lacking(setup, self._conditions, shown))
        if not shown or (setup.running and len(shown) > 1):
            return NoTrigger(0.0)
        began_s = self._now_s()
        taken = self._taken(present, hookup, deadline_s)
        if not setup.running:
            self._pace.took(present, taken, began_s, self._now_s())
        return taken

    def close(self) -> None:
        """Give the link back; the scope is as its user left it, and sends records as it did before."""
        self._users.give_back(self._scope.identity, self._scope.driver)
        self._scope.link.close()

    def _taken(self, present: _Present, hookup: Hookup, deadline_s: float) -> Capture | NoTrigger:
        """The record that it holds, where it is to be believed."""
        watched, began_s = self._scope.driver.watched(present.shown), self._now_s()
        record = self._fetched(present, deadline_s)
        if record is None:
            return NoTrigger(0.0)
        fetch_s = self._now_s() - began_s
        if watched != self._scope.driver.watched(present.shown):
            return NoTrigger(0.0, disturbed=True)
        if self._last is not None and _same(record, self._last) and _rescaled(record, self._last):
            self._notes += (TURNED,)
            return NoTrigger(0.0, disturbed=True)
        self._notes += (*lacking_in(record, hookup), *only_part(record, present.setup))
        return self._captured(record, present.setup, fetch_s)

    def _fetched(self, present: _Present, deadline_s: float) -> Record | None:
        """The record, None where there is none. Raises InstrumentError.

        Instruments may stay silent when they are asked for the record of a channel that had none when it was stopped.
        """
        try:
            return self._scope.driver.fetch(present.shown, self._most_points(present, deadline_s))
        except NoRecord as error:
            self._notes += (Note(NO_RECORD, error.what, error.do),)
        except LinkTimeout as error:
            if present.setup.running:
                raise
            what = f"it does not answer about its record of {' or '.join(present.shown)}"
            what += ": a channel that is switched on after Stop has none"
            if rest_s(error) > 0.0:
                raise LinkTimeout(what, where=error.where, do=TAKE_ANEW) from error
            self._scope.link.clear()
            identify(self._scope.link)
            self._notes += (Note(NO_RECORD, what, TAKE_ANEW),)
        return None

    def _most_points(self, present: _Present, deadline_s: float) -> int:
        return most_points(self._task, self._last, deadline_s, len(present.shown))

    def _captured(self, record: Record, present: ScopeSetup, fetch_s: float) -> Capture:
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
            fetch_ms=1e3 * fetch_s,
        )
        return self._last


def _same(record: Record, last: Capture) -> bool:
    """Whether it is the same record, as far as both were read."""
    return len(record.channels) == len(last.channels) and all(
        new.name == old.name and new.codes.dtype == old.codes.dtype and _begin_alike(new.codes, old.codes)
        for new, old in zip(record.channels, last.channels, strict=True)
    )


def _begin_alike(new: Codes, old: Codes) -> bool:
    shared = min(new.size, old.size)
    return bool(np.array_equal(new[:shared], old[:shared]))


def _rescaled(record: Record, last: Capture) -> bool:
    """Whether the same codes are said to be other volts than before."""
    return any(
        (new.volts_per_code, new.volts_at_code_zero) != (old.volts_per_code, old.volts_at_code_zero)
        for new, old in zip(record.channels, last.channels, strict=True)
    )
