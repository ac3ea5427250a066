"""One life of a source, from open to close: configure, capture, measure, publish."""

import math
import random
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import count
from typing import Protocol

from ...drivers.capture import Capture
from ...drivers.errors import UsageError
from ..config import Setup, SetupInForce
from ..counting import CaptureTally
from ..live.status import Problem, ScopeStatus
from ..measure.averaged_line import LineView
from ..measure.reading import LatencyMs, Measured, Reading, ScopeTag
from ..measure.targets import Conditions
from .fields import FieldSchedule
from .held import HeldLevels
from .highest import HighestSeen
from .pace import Pace
from .source import Note, NoTrigger, Source, Task
from .suspicions import Suspicions
from .watch import ScopeWatch

CAPTURE_DEADLINE_S = 2.0
LINES_EVERY_S = 0.2
"""The averaged line is computed this often at most."""
MOST_VIEWS = 4
"""So many views of it at a time; where more are wanted, those that have waited longest."""
NOTHING_CLIPPED = Note(
    "nothing-to-measure", "no channel is clipped to anything, so that nothing is measured", "say what is clipped where"
)


class Outlet(Protocol):
    """Where readings and status go; the hub of `live` is one."""

    @property
    def views_wanted(self) -> frozenset[LineView]:
        """Views of the averaged line that somebody asks for now."""
        ...

    def publish(self, reading: Reading) -> None:
        """Take a reading."""
        ...

    def publish_lines(self, view: LineView, payload: bytes) -> None:
        """Take that view of the averaged line."""
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
        lines: views of the averaged line of what was measured as binary frames: generation, views; none without sync.
        setup: the set-up in force, looked at before every capture.
        outlet: where readings and status go.
        run: name of this run, carried by every reading.
        time: clocks and chance.
        numbers: counts the readings.
        highest: the highest levels seen, which outlive a link.
        suspicions: what the hookup is suspected of, likewise.
        on_reading: given every reading that was published, with its capture; on the acquisition's thread, so never slow.
        on_scope: told how the scope is, as the outlet is; likewise.
        tally: what is counted.
    """

    measure: Callable[[Capture, Conditions], Measured]
    lines: Callable[[Measured, int, Collection[LineView]], Mapping[LineView, bytes]]
    setup: SetupInForce
    outlet: Outlet
    run: str
    time: Time = field(default_factory=Time)
    numbers: "count[int]" = field(default_factory=lambda: count(1))
    highest: HighestSeen = field(default_factory=HighestSeen)
    suspicions: Suspicions = field(default_factory=Suspicions)
    on_reading: Callable[[Reading, Capture], None] = lambda reading, capture: None
    on_scope: Callable[[ScopeStatus], None] = lambda status: None
    tally: CaptureTally = field(default_factory=CaptureTally)


class Session:
    """Captures from one open source. What it learned of fields, held levels and pace ends with it."""

    def __init__(
        self, source: Source, job: Job, watch: ScopeWatch, is_left: Callable[[], bool] = lambda: False
    ) -> None:
        self._source = source
        self._job = job
        self._watch = watch
        self._is_left = is_left
        self._pace = Pace()
        self._fields = FieldSchedule()
        self._held = HeldLevels()
        self._configured: tuple[Task, Setup] | None = None
        self._lines_s = 0.0
        self._drawn_s: dict[LineView, float] = {}
        self._checked: Setup | None = None
        self._unfit: Note | None = None

    def step(self) -> float:
        """One capture under the set-up in force; gives the seconds to wait before the next. Raises InstrumentError.

        None is taken of a source that is to be left.
        """
        setup = self._job.setup.current
        # Asked after that: a set-up that was put in force for the next source is not used on this one.
        if self._is_left():
            return 0.0
        unfit = self._why_unfit(setup)
        if unfit is not None:
            self._watch.unfit(unfit)
            return self._delay_s(setup)
        task = self._configure(setup)
        capture = self._source.capture(CAPTURE_DEADLINE_S)
        if isinstance(capture, NoTrigger):
            self._fields.took(task, None, self._job.time.now_s())
            self._job.tally.untriggered += 1
            if capture.disturbed:
                self._watch.caught(self._source.notes)
            else:
                self._watch.no_trigger(self._source.notes)
        else:
            self._watch.caught(self._source.notes)
            self._job.tally.captured += 1
            self._measure(capture, task, setup)
        return self._delay_s(setup)

    def _delay_s(self, setup: Setup) -> float:
        return self._pace.delay_s(self._job.time.now_s(), setup.rate_hz, self._job.time.uniform())

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
        drawn = measured
        measured = self._held.held(self._fields.carried(replace(measured, basis=None), now_s), now_s)
        measured = job.highest.carried(measured, setup.conditions, now_s)
        measured = job.suspicions.carried(measured, setup.conditions, now_s)
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
        _count(job.tally, reading.latency_ms, job.time.now_s() - started_s)
        job.on_reading(reading, capture)
        self._publish_lines(drawn, setup, now_s)

    def _publish_lines(self, measured: Measured, setup: Setup, now_s: float) -> None:
        """The averaged line in the views that somebody asks for, a few at a time."""
        wanted = self._job.outlet.views_wanted
        if wanted and now_s - self._lines_s >= LINES_EVERY_S:
            self._lines_s = now_s
            drawn_s = {view: self._drawn_s.get(view, -math.inf) for view in wanted}
            views = sorted(drawn_s, key=lambda view: drawn_s[view])[:MOST_VIEWS]
            self._drawn_s = drawn_s | dict.fromkeys(views, now_s)
            frames = self._job.lines(measured, setup.generation, views)
            for view, payload in frames.items():
                self._job.outlet.publish_lines(view, payload)


def _count(tally: CaptureTally, latency: LatencyMs, published_s: float) -> None:
    """Count a reading that was handed out so long after its capture was there."""
    tally.readings += 1
    fetch_s = 0.0 if latency.fetch is None else latency.fetch / 1e3
    if latency.fetch is not None:
        tally.fetch.add(fetch_s)
    if latency.measure is not None:
        tally.measure.add(latency.measure / 1e3)
    tally.publish.add(fetch_s + published_s)


def _unfit(source: Source, setup: Setup) -> Note | None:
    hookup = setup.conditions.hookup
    if not hookup.clips:
        return NOTHING_CLIPPED
    try:
        source.check(hookup)
    except UsageError as error:
        return Note("hookup", f"{error.where}: {error.what}", error.do)
    return None
