"""The thread that owns the source."""

import random
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from ...drivers.capture import Capture
from ...drivers.errors import InstrumentError
from ..config import Setup, SetupInForce
from ..live.status import Problem, ScopeStatus
from ..measure.reading import LatencyMs, Measured, Reading, ScopeTag
from ..measure.targets import Conditions
from .fields import FieldSchedule
from .held import HeldLevels
from .pace import Pace, retry_delay_s
from .source import NoTrigger, Source, Task
from .watch import ScopeWatch

CAPTURE_DEADLINE_S = 2.0
RESTART_S = 1.0
"""Between a defect of ours and the next attempt."""
LINES_EVERY_S = 0.2
"""The averaged line is computed this often at most."""


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


class Acquisition:
    """Connect, configure, capture, measure, publish, at the pace of the set-up; whatever fails, begin anew.

    Args:
        open_source: opens the source; may block for seconds; raises InstrumentError.
        where: names the source while it is not open.
        measure: what is computed from a capture.
        lines: the averaged line of a capture as a binary frame, so many columns wide; None without sync.
        setup: the set-up in force, looked at before every capture.
        outlet: where readings and status go.
        run: name of this run, carried by every reading.
    """

    def __init__(
        self,
        *,
        open_source: Callable[[], Source],
        where: str,
        measure: Callable[[Capture, Conditions], Measured],
        lines: Callable[[Capture, Conditions, int, int], bytes | None],
        setup: SetupInForce,
        outlet: Outlet,
        run: str,
        time: Time = Time(),
        wait: Callable[[float], bool] | None = None,
    ) -> None:
        self._open_source = open_source
        self._where = where
        self._measure = measure
        self._lines = lines
        self._setup = setup
        self._outlet = outlet
        self._run = run
        self._time = time
        self._ended = threading.Event()
        self._wait = wait or self._ended.wait
        self._watch = ScopeWatch(outlet.announce, time.wall_ns)
        self._thread = threading.Thread(target=self.run, name="acquisition", daemon=True)
        self._seq = 0
        self._lines_s = 0.0

    def start(self) -> None:
        """Begin on a thread of its own."""
        self._thread.start()

    def stop(self, timeout_s: float = 8.0) -> bool:
        """End the thread after the call that it is in; False where that did not return in time."""
        self._ended.set()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def run(self) -> None:
        """What the thread does. Nothing but `stop` ends it."""
        self._watch.connecting(self._where)
        while not self._ended.is_set():
            try:
                self._session()
            except InstrumentError as error:
                self._watch.failed(error)
                self._wait(retry_delay_s(error, self._time.uniform()))
            except Exception as error:  # noqa: BLE001 - the one supervised boundary: a defect must not leave the page silently dead
                self._watch.broke(error)
                self._wait(RESTART_S)

    def _session(self) -> None:
        """One life of the source, from open to close."""
        source = self._open_source()
        try:
            self._capture_on(source)
        finally:
            source.close()

    def _capture_on(self, source: Source) -> None:
        pace, fields, held = Pace(), FieldSchedule(), HeldLevels()
        configured: tuple[Task, Setup] | None = None
        while not self._ended.is_set():
            setup = self._setup.current
            if configured is not None and configured[1] is not setup:
                fields.forget()
                held.forget()
            task = fields.next_task(self._time.now_s())
            if configured != (task, setup):
                source.configure(task, setup)
                configured = (task, setup)
            capture = source.capture(CAPTURE_DEADLINE_S)
            if isinstance(capture, NoTrigger):
                fields.took(task, None, self._time.now_s())
                self._watch.no_trigger()
            else:
                self._watch.caught()
                self._reading_of(source, capture, task, setup, fields, held)
            if self._wait(pace.delay_s(self._time.now_s(), setup.rate_hz)):
                return

    def _reading_of(
        self, source: Source, capture: Capture, task: Task, setup: Setup, fields: FieldSchedule, held: HeldLevels
    ) -> None:
        """Measure a capture and publish the reading, unless its set-up has been replaced meanwhile."""
        fetched_ns, started_s = self._time.wall_ns(), self._time.now_s()
        measured = self._measure(capture, setup.conditions)
        now_s = self._time.now_s()
        fields.took(task, measured, now_s)
        measured = held.held(fields.carried(measured, now_s), now_s)
        self._watch.sound()
        if self._setup.current is not setup:
            return
        self._seq += 1
        latency = LatencyMs(fetch=_fetch_ms(capture, fetched_ns), measure=(now_s - started_s) * 1e3)
        scope = ScopeTag(source.identity, source.resource)
        self._outlet.publish(
            Reading(self._run, self._seq, setup.generation, capture.captured_at_ns, latency, scope, measured)
        )
        self._publish_lines(capture, setup, now_s)

    def _publish_lines(self, capture: Capture, setup: Setup, now_s: float) -> None:
        widths = self._outlet.widths_wanted
        if widths and now_s - self._lines_s >= LINES_EVERY_S:
            self._lines_s = now_s
            for width in widths:
                payload = self._lines(capture, setup.conditions, setup.generation, width)
                if payload is not None:
                    self._outlet.publish_lines(width, payload)


def _fetch_ms(capture: Capture, fetched_ns: int) -> float | None:
    """From the capture being complete to all of it being here; None where the clock was set in between."""
    took_ns = fetched_ns - capture.captured_at_ns
    return took_ns / 1e6 if 0 <= took_ns < 60_000_000_000 else None
