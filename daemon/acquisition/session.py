"""One life of a source, from open to close: configure, capture, measure, publish."""

import random
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import count
from typing import Protocol

from ...drivers.capture import Capture
from ...drivers.errors import UsageError
from ..config import Setup, SetupInForce
from ..live.status import Problem, ScopeStatus
from ..measure.reading import LatencyMs, Measured, Reading, ScopeTag
from ..measure.targets import Conditions
from .fields import FieldSchedule
from .held import HeldLevels
from .highest import HighestSeen
from .pace import Pace
from .source import Note, NoTrigger, Source, Task
from .watch import ScopeWatch

CAPTURE_DEADLINE_S = 2.0
LINES_EVERY_S = 0.2
"""The averaged line is computed this often at most."""
NOTHING_CLIPPED = Note(
    "nothing-to-measure", "no channel is clipped to anything, so that nothing is measured", "say what is clipped where"
)


class Outlet(Protocol):
    """Where readings and status go; the hub of `live` is one."""

    @property
    def widths_wanted(self) -> frozenset[int]:
        """Widths of the averaged line that somebody asks for now."""
        ...

    def publish(self, reading: Reading) -> None:
        """Take a reading."""
        ...

    def publish_lines(self, width: int, payload: bytes) -> None:
        """Take an averaged line of that width."""
        ...

    def announce(self, scope: ScopeStatus, problems: Sequence[Problem]) -> None:
        """Take how the scope is."""
        ...


@dataclass(frozen=True)
class Time:
    """What acquisition knows of time and chance; tests bring their own."""

    now_s: Callable[[], float] = time.monotonic
    wall_ns: Callable[[], int] = time.time_ns
    uniform: Callable[[], float] = random.random


@dataclass(frozen=True)
class Job:
    """What is done with captures, whatever source they come from.

    Attributes:
        measure: what is computed from a capture.
        lines: the averaged line of a capture as a binary frame: conditions, generation, columns; None without sync.
        setup: the set-up in force, looked at before every capture.
        outlet: where readings and status go.
        run: name of this run, carried by every reading.
        time: clocks and chance.
        numbers: counts the readings.
        highest: the highest levels seen, which outlive a link.
        on_reading: given every reading that was published, with its capture; on the acquisition's thread, so never slow.
        on_scope: told how the scope is, as the outlet is; likewise.
    """

    measure: Callable[[Capture, Conditions], Measured]
    lines: Callable[[Capture, Conditions, int, int], bytes | None]
    setup: SetupInForce
    outlet: Outlet
    run: str
    time: Time = field(default_factory=Time)
    numbers: "count[int]" = field(default_factory=lambda: count(1))
    highest: HighestSeen = field(default_factory=HighestSeen)
    on_reading: Callable[[Reading, Capture], None] = lambda reading, capture: None
    on_scope: Callable[[ScopeStatus], None] = lambda status: None


class Session:
    """Captures from one open source. What it learned of fields, held levels and pace ends with it."""

    def __init__(self, source: Source, job: Job, watch: ScopeWatch) -> None:
        self._source = source
        self._job = job
        self._watch = watch
        self._pace = Pace()
        self._fields = FieldSchedule()
        self._held = HeldLevels()
        self._configured: tuple[Task, Setup] | None = None
        self._lines_s = 0.0
        self._checked: Setup | None = None
        self._unfit: Note | None = None

    def step(self) -> float:
        """One capture under the set-up in force; gives the seconds to wait before the next. Raises InstrumentError."""
        setup = self._job.setup.current
        unfit = self._why_unfit(setup)
        if unfit is not None:
            self._watch.unfit(unfit)
            return self._pace.delay_s(self._job.time.now_s(), setup.rate_hz)
        task = self._configure(setup)
        capture = self._source.capture(CAPTURE_DEADLINE_S)
        if isinstance(capture, NoTrigger):
            self._fields.took(task, None, self._job.time.now_s())
            if capture.disturbed:
                self._watch.caught(self._source.notes)
            else:
                self._watch.no_trigger(self._source.notes)
        else:
            self._watch.caught(self._source.notes)
            self._measure(capture, task, setup)
        return self._pace.delay_s(self._job.time.now_s(), setup.rate_hz)

    def _why_unfit(self, setup: Setup) -> Note | None:
        """Why nothing can be captured under that set-up, None where it can: a mistake of the user's, not of the scope."""
        if self._checked is not setup:
            self._checked, self._unfit = setup, _unfit(self._source, setup)
        return self._unfit

    def _configure(self, setup: Setup) -> Task:
        """Set the source up where task or set-up are others than before."""
        if self._configured is not None and self._configured[1] is not setup:
            self._fields.forget()
            self._held.forget()
        task = self._fields.next_task(self._job.time.now_s())
        if self._configured != (task, setup):
            self._configured = None
            self._source.configure(task, setup)
            self._configured = (task, setup)
        return task

    def _measure(self, capture: Capture, task: Task, setup: Setup) -> None:
        """Measure a capture and publish the reading, unless the set-up that it was made under is no longer in force."""
        job = self._job
        started_s = job.time.now_s()
        measured = job.measure(capture, setup.conditions)
        now_s = job.time.now_s()
        self._watch.sound()
        fit = self._fields.took(task, measured, now_s)
        if not fit or job.setup.current is not setup:
            return
        measured = self._held.held(self._fields.carried(measured, now_s), now_s)
        measured = job.highest.carried(measured, setup.conditions, now_s)
        reading = Reading(
            run=job.run,
            seq=next(job.numbers),
            setup=setup.generation,
            captured_at_ns=capture.captured_at_ns,
            latency_ms=LatencyMs(capture.fetch_ms, (now_s - started_s) * 1e3),
            scope=ScopeTag(self._source.identity, self._source.resource),
            measured=measured,
        )
        job.outlet.publish(reading)
        job.on_reading(reading, capture)
        self._publish_lines(capture, setup, now_s)

    def _publish_lines(self, capture: Capture, setup: Setup, now_s: float) -> None:
        """The averaged line in every width that somebody asks for."""
        widths = self._job.outlet.widths_wanted
        if widths and now_s - self._lines_s >= LINES_EVERY_S:
            self._lines_s = now_s
            for width in widths:
                payload = self._job.lines(capture, setup.conditions, setup.generation, width)
                if payload is not None:
                    self._job.outlet.publish_lines(width, payload)


def _unfit(source: Source, setup: Setup) -> Note | None:
    hookup = setup.conditions.hookup
    if not hookup.clips:
        return NOTHING_CLIPPED
    try:
        source.check(hookup)
    except UsageError as error:
        return Note("hookup", f"{error.where}: {error.what}", error.do)
    return None
