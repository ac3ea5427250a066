"""The thread that owns the source."""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ...drivers.errors import InstrumentError
from ..live.status import Problem, ScopeStatus
from ..measure.hookup import Hookup
from .pace import rest_s, retry_delay_s
from .session import Job, Session
from .source import Source
from .watch import ScopeWatch

RESTART_S = 1.0
"""Between a defect of ours and the next attempt."""
STOP_DEADLINE_S = 8.0
"""Longer than any blocking call of a source."""
IDLE_S = 1.0
"""Between signs of life while no source is named."""


@dataclass(frozen=True)
class Origin:
    """Where captures come from.

    Attributes:
        open_source: opens the source; may block for seconds; raises InstrumentError.
        where: names the source while it is not open.
        at_end: what to do once it is left for good and not open; takes the seconds for which the scope has to be left alone
            first. Never raises.
    """

    open_source: Callable[[], Source]
    where: str
    at_end: Callable[[float], None] = lambda rest_s: None


class Acquisition:
    """Connect, configure, capture, measure, publish; whatever fails, begin anew.

    Args:
        origin: where captures come from first, None where nothing is named.
        job: what is done with the captures.
        wait: waits so many seconds; True when the source is to be left.
    """

    def __init__(self, origin: Origin | None, job: Job, wait: Callable[[float], bool] | None = None) -> None:
        self._next: tuple[Origin | None] | None = (origin,)
        self._job = job
        self._lock = threading.Lock()
        self._leave = threading.Event()
        self._wait_for = wait or self._leave.wait
        self._source: Source | None = None
        self._thread = threading.Thread(target=self.run, name="acquisition", daemon=True)

    def _announce(self, scope: ScopeStatus, problems: Sequence[Problem]) -> None:
        self._job.outlet.announce(scope, problems)
        self._job.on_scope(scope)

    def start(self) -> None:
        """Begin on a thread of its own."""
        self._thread.start()

    def stop(self) -> bool:
        """End the thread after the call that it is in; False where that did not return in time."""
        self._go_on(None)
        self._thread.join(STOP_DEADLINE_S)
        return not self._thread.is_alive()

    def change_to(self, origin: Origin | None) -> None:
        """Leave the source after the call that the thread is in, and go on with that one, or with none. Any thread may call it."""
        self._go_on((origin,))

    def check(self, hookup: Hookup) -> None:
        """Raises UsageError where the scope that is open now lacks a channel of the hookup. Any thread may call it."""
        source = self._source
        if source is not None:
            source.check(hookup)

    def run(self) -> None:
        """What the thread does. Nothing but `stop` ends it."""
        while (taken := self._take()) is not None:
            watch = ScopeWatch(self._announce, self._job.time.wall_ns, self._job.tally)
            if taken[0] is None:
                watch.unnamed()
                while not self._wait(IDLE_S):
                    pass
            else:
                self._use(taken[0], watch)

    def _go_on(self, following: tuple[Origin | None] | None) -> None:
        with self._lock:
            self._next = following
            self._leave.set()

    def _take(self) -> tuple[Origin | None] | None:
        """What comes next; None where acquisition is to end."""
        with self._lock:
            taken, self._next = self._next, None
            self._leave.clear()
        return taken

    def _use(self, origin: Origin, watch: ScopeWatch) -> None:
        """Capture from there until it is to be left."""
        watch.connecting(origin.where)
        leaving, rested_s = False, 0.0
        while not leaving:
            self._beat()
            try:
                leaving = self._live_once(origin, watch)
            except InstrumentError as error:
                watch.failed(error)
                rested_s = self._job.time.now_s() + rest_s(error)
                leaving = self._wait(retry_delay_s(error, self._job.time.uniform()))
            except Exception as error:  # noqa: BLE001 - the one supervised boundary: a defect must not leave the page silently dead
                watch.broke(error)
                leaving = self._wait(RESTART_S)
        origin.at_end(max(rested_s - self._job.time.now_s(), 0.0))

    def _live_once(self, origin: Origin, watch: ScopeWatch) -> bool:
        """One life of the source; True when it is to be left. Raises InstrumentError when the source is gone."""
        source = self._source = origin.open_source()
        self._beat()
        try:
            session = Session(source, self._job, watch, self._leave.is_set)
            while not self._wait(session.step()):
                pass
            return True
        finally:
            self._source = None
            source.close()

    def _wait(self, seconds: float) -> bool:
        """Wait so long; True when the source is to be left."""
        self._beat()
        leaving = self._wait_for(seconds)
        self._beat()
        return leaving

    def _beat(self) -> None:
        """All goes on: said no longer apart than one capture, or one opening, takes."""
        self._job.tally.beat_s = self._job.time.now_s()
