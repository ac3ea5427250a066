"""How the scope is, told on change: the state machine absent, connecting, ready, waiting-for-trigger, lost."""

import logging
from collections.abc import Callable, Sequence

from ...drivers.errors import InstrumentError, outcome_of
from ..counting import CaptureTally
from ..live.status import Problem, ScopeState, ScopeStatus
from .source import Note

Announce = Callable[[ScopeStatus, Sequence[Problem]], None]

log = logging.getLogger(__name__)


class ScopeWatch:
    """Follows what happens to the scope and announces every change, once.

    A scope that fails before it was ever ready is `absent`, later `lost`; it stays so until it has answered a capture, so
    that retries do not flicker on the page. One line is logged when it goes and one when it is back.
    """

    def __init__(self, announce: Announce, wall_ns: Callable[[], int], tally: CaptureTally | None = None) -> None:
        self._announce = announce
        self._wall_ns = wall_ns
        self._tally = tally or CaptureTally()
        self._was_ready = False
        self._down_since_ns: int | None = None
        self._broken: Problem | None = None
        self._status: ScopeStatus | None = None
        self._problem: Problem | None = None
        self._notes: tuple[Problem, ...] = ()

    def unnamed(self) -> None:
        """Nobody has said which scope."""
        do = "choose one in the view Hookup, start with --scope RESOURCE, or put resource under [scope] in the settings file"
        self._tell("absent", "no scope is named", do, None)

    def connecting(self, where: str) -> None:
        """The first attempt begins."""
        self._tell("connecting", f"connecting to {where}", None, None)

    def caught(self, notes: Sequence[Note] = ()) -> None:
        """A capture came, and the source says this of how it is set."""
        self._back()
        self._tell("ready", "capturing", None, None, notes)

    def unfit(self, why: Note) -> None:
        """The scope is there, but what is clipped where leaves nothing to capture."""
        self._back()
        self._tell("ready", why.text, why.do, why.code)

    def no_trigger(self, notes: Sequence[Note] = ()) -> None:
        """The scope answers, but did not trigger; the source may know why."""
        self._back()
        do = "check the sync probe, and that the unit is on"
        self._tell("waiting-for-trigger", "the scope finds no trigger", do, None, notes)

    def failed(self, error: InstrumentError) -> None:
        """The scope could not be reached, or the link to it broke."""
        self._tally.failed(outcome_of(error).problem_code)
        if self._down_since_ns is None:
            self._down_since_ns = self._wall_ns()
            log.warning("scope %s: %s", "lost" if self._was_ready else "not there", error)
        state: ScopeState = "lost" if self._was_ready else "absent"
        self._tell(state, f"{error.where}: {error.what}", error.do, outcome_of(error).problem_code)

    def broke(self, error: Exception) -> None:
        """Acquisition itself failed: a defect of ours. It is logged in full, shown, and acquisition begins anew."""
        self._tally.defects += 1
        text = f"acquisition failed: {type(error).__name__}: {error}"
        if self._broken is None or self._broken.text != text:
            log.error("%s; starting it again", text, exc_info=error)
            do = "it starts again by itself; please report it with the log"
            self._broken = Problem("internal", text, do, self._wall_ns())
        self._publish()

    def _back(self) -> None:
        if self._down_since_ns is not None:
            log.warning("scope back after %.1f s", (self._wall_ns() - self._down_since_ns) / 1e9)
            self._tally.reconnects += self._was_ready
        self._down_since_ns = None
        self._was_ready = True

    def _tell(
        self, state: ScopeState, text: str, do: str | None, problem_code: str | None, notes: Sequence[Note] = ()
    ) -> None:
        old = self._status
        noted = [(note.code, note.text) for note in notes] != [(note.code, note.text) for note in self._notes]
        if noted:
            since = {note.code: note.since_ns for note in self._notes}
            self._notes = tuple(
                Problem(note.code, note.text, note.do, since.get(note.code) or self._wall_ns()) for note in notes
            )
        if old is not None and (old.state, old.text, old.do) == (state, text, do):
            if noted:
                self._publish()
            return
        since_ns = old.since_ns if old is not None and old.state == state else self._wall_ns()
        self._status = ScopeStatus(state, since_ns, text, do)
        self._problem = None if problem_code is None else Problem(problem_code, text, do or "", since_ns)
        self._publish()

    def _publish(self) -> None:
        if self._status is not None:
            told = (self._problem, self._broken, *self._notes)
            self._announce(self._status, [item for item in told if item is not None])

    def sound(self) -> None:
        """Acquisition has worked again: the problem of `broke` is over."""
        if self._broken is not None:
            self._broken = None
            self._publish()
