"""The thread that owns the source."""

import threading
from collections.abc import Callable, Sequence

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


class Acquisition:
    """Connect, configure, capture, measure, publish; whatever fails, begin anew.

    Args:
        open_source: opens the source; may block for seconds; raises InstrumentError.
        where: names the source while it is not open.
        job: what is done with the captures.
        wait: waits so many seconds; True when acquisition is to end.
        at_end: what to do once it has ended and no source is open; takes the seconds for which the scope has to be left
            alone first. Never raises.
    """

    def __init__(
        self,
        open_source: Callable[[], Source],
        where: str,
        job: Job,
        wait: Callable[[float], bool] | None = None,
        at_end: Callable[[float], None] | None = None,
    ) -> None:
        self._open_source = open_source
        self._where = where
        self._job = job
        self._ended = threading.Event()
        self._wait_for = wait or self._ended.wait
        self._at_end = at_end
        self._watch = ScopeWatch(self._announce, job.time.wall_ns, job.tally)
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
        self._ended.set()
        self._thread.join(STOP_DEADLINE_S)
        return not self._thread.is_alive()

    def check(self, hookup: Hookup) -> None:
        """Raises UsageError where the scope that is open now lacks a channel of the hookup. Any thread may call it."""
        source = self._source
        if source is not None:
            source.check(hookup)

    def run(self) -> None:
        """What the thread does. Nothing but `stop` ends it."""
        self._watch.connecting(self._where)
        ending, rested_s = False, 0.0
        while not ending:
            self._beat()
            try:
                ending = self._live_once()
            except InstrumentError as error:
                self._watch.failed(error)
                rested_s = self._job.time.now_s() + rest_s(error)
                ending = self._wait(retry_delay_s(error, self._job.time.uniform()))
            except Exception as error:  # noqa: BLE001 - the one supervised boundary: a defect must not leave the page silently dead
                self._watch.broke(error)
                ending = self._wait(RESTART_S)
        if self._at_end is not None:
            self._at_end(max(rested_s - self._job.time.now_s(), 0.0))

    def _live_once(self) -> bool:
        """One life of the source; True when acquisition is to end. Raises InstrumentError when the source is gone."""
        source = self._source = self._open_source()
        self._beat()
        try:
            session = Session(source, self._job, self._watch)
            while not self._wait(session.step()):
                pass
            return True
        finally:
            self._source = None
            source.close()

    def _wait(self, seconds: float) -> bool:
        """Wait so long; True when acquisition is to end."""
        self._beat()
        ended = self._wait_for(seconds)
        self._beat()
        return ended

    def _beat(self) -> None:
        """All goes on: said no longer apart than one capture, or one opening, takes."""
        self._job.tally.beat_s = self._job.time.now_s()
