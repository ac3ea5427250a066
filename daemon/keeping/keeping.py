"""What the daemon keeps and knows of the bench beside the user's marks: fed with every reading, asked before every mark."""

import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import Protocol

from ...drivers.capture import Capture
from ...drivers.errors import BookBusy, UnitInQuestion, outcome_of
from ..book.clock import Clock
from ..book.records import LogBatch, Moment, NewEvent
from ..book.running_log import BATCH_S, PERIOD_S, RunningLog
from ..config import SetupInForce
from ..live.status import Problem, ScopeStatus
from ..measure.reading import Reading
from .fault_watch import BAND_MV, Counted, FaultWatch
from .level_drifts import LevelDrifts
from .traits import traits_of
from .unit_on_bench import Question, UnitOnBench
from .warmth import Conditioned, OnTime

DO_ANSWER = (
    "say that it is the same unit ('peakwhite book bench --same-unit'), or name the next one ('peakwhite book unit')"
)
STARTED_ANEW = "Peakwhite was started anew, and nobody saw what was plugged in until then"


class Book(Protocol):
    """What is written to; `BookKeeper` is one. Neither waits."""

    def keep_log(self, batch: LogBatch) -> None:
        """Keep a stretch of the running log."""
        ...

    def keep_event(self, event: NewEvent) -> "Future[int]":
        """Keep an event. Raises BookBusy; the Future may hold any BookError."""
        ...


@dataclass(frozen=True)
class KeepingSettings:
    """What may be set.

    Attributes:
        watch: whether the watch is on from the beginning.
        band_mv: how far a level may be from what is normal before the watch calls that a fault.
        log: whether there is a running log.
        log_period_s, log_batch_s: of what stretch the log has minimum, mean and maximum, and how often it is written.
    """

    watch: bool = False
    band_mv: float = BAND_MV
    log: bool = True
    log_period_s: float = PERIOD_S
    log_batch_s: float = BATCH_S


@dataclass(frozen=True)
class WatchState:
    """How the watch is set, and what it has seen since it was last switched on."""

    on: bool
    band_mv: float
    counted: Counted


class Keeping:
    """Feeds the running log and the watch, follows how warm unit and scope are, and asks when the unit may be another.

    `on_reading` and `on_scope` belong to the acquisition's thread, everything else may be called from any. Nothing waits.

    Args:
        book: where log and events go.
        setup: the set-up in force.
        settings: see KeepingSettings.
        tell: is given the problems whenever they change: the question that is open, or none.
        changed: is called whenever the watch has counted something.
        clock: what everything is dated by.
    """

    def __init__(
        self,
        book: Book,
        setup: SetupInForce,
        settings: KeepingSettings | None = None,
        *,
        tell: Callable[[tuple[Problem, ...]], None] = lambda problems: None,
        changed: Callable[[], None] = lambda: None,
        clock: Clock | None = None,
    ) -> None:
        settings = settings or KeepingSettings()
        self._book = book
        self._setup = setup
        self._tell = tell
        self._changed = changed
        self._clock = clock or Clock()
        self._lock = threading.Lock()
        self._telling = threading.Lock()
        self._log = RunningLog(settings.log_period_s, settings.log_batch_s)
        self._log_on = settings.log
        self._watch = FaultWatch(settings.band_mv)
        self._watch_on, self._band_mv = settings.watch, settings.band_mv
        self._being_written: Future[int] | None = None
        self._drifts = LevelDrifts()
        self._unit_on, self._scope_on = OnTime(), OnTime()
        self._identity: str | None = None
        self._unit = UnitOnBench()
        self._stage_id: int | None = None
        self._unit_id: int | None = None
        self._told_counted = self._watch.counted
        self._asked: tuple[bool, float] | None = None

    # From the acquisition's thread.

    def on_reading(self, reading: Reading, capture: Capture) -> None:
        """A reading was published, and this is what it was measured from."""
        now = self.now()
        with self._lock:
            self._follow(reading, now.monotonic_s)
            stage_id = self._stage_in_no_doubt(now)
            batch = self._log.take(reading, now, stage_id) if self._log_on else None
            setup = self._setup.current
            events: tuple[NewEvent, ...] = ()
            if self._watch_on and setup.generation == reading.setup:
                events = self._watch.take(reading, capture, setup.conditions, now, stage_id)
        self._give(batch, *events)
        self._tell_problems(now)
        self._tell_counted()

    def on_scope(self, status: ScopeStatus) -> None:
        """How the scope is, told on change."""
        now, event, batch = self.now(), None, None
        with self._lock:
            now_s = now.monotonic_s
            if status.state in ("ready", "waiting-for-trigger"):
                self._scope_on.here(now_s)
            if status.state == "waiting-for-trigger":
                self._unit.unsynced(now_s)
                self._unit_on.away(now_s)
                if self._watch_on:
                    event = self._watch.no_sync(now, self._stage_in_no_doubt(now))
            if status.state in ("lost", "absent"):
                self._scope_on.away(now_s)
                self._unit.unseen(now_s)
                self._unit_on.away(now_s)
                event = self._watch.end()
            if status.state != "ready":
                batch = self._log.end()
        self._give(batch, event)
        self._tell_problems(now)
        self._tell_counted()

    # From any thread.

    def now(self) -> Moment:
        """This moment, as a mark carries it."""
        return self._clock.now()

    @property
    def stage_id(self) -> int | None:
        """The stage under which log and events are kept, and marks where the user names none; None before one is named."""
        return self._stage_id

    @property
    def question(self) -> tuple[Question, int] | None:
        """What is asked of the user now, and since when in ns since 1970; None where nothing is."""
        now = self.now()
        with self._lock:
            question = None if self._doubt(now) is None else self._unit.question(now.monotonic_s)
        return None if question is None else (question, _utc_ns(question, now))

    @property
    def problems(self) -> tuple[Problem, ...]:
        """The question that is open now, or none."""
        with self._lock:
            return self._problems(self.now())

    def may_keep(self) -> None:
        """Raises UnitInQuestion where another unit may have been plugged in, and nobody has said so far which it is."""
        with self._lock:
            why = self._doubt(self.now())
        if why is not None:
            raise why

    def same_unit(self) -> None:
        """The unit on the bench is the one that was named last."""
        with self._lock:
            self._unit.same()
        self._tell_problems(self.now())

    def put_on_bench(self, stage_id: int | None, unit_id: int | None, *, is_of_before: bool = False) -> None:
        """That stage was chosen, and it is of that unit; None where none is. Where it was chosen already nothing changes.

        `is_of_before`: it was chosen in an earlier run, since which another unit may have come.
        """
        with self._lock:
            if stage_id == self._stage_id:
                return
            is_same = stage_id is None or unit_id == self._unit_id
            if stage_id is not None:
                self._unit_id = unit_id
        if stage_id is None or is_same:
            self.use_stage(stage_id)
        else:
            self.next_unit(stage_id)
        if is_of_before and stage_id is not None:
            now = self.now()
            with self._lock:
                self._unit.ask(STARTED_ANEW, now.monotonic_s)
            self._tell_problems(now)

    def next_unit(self, stage_id: int) -> None:
        """The unit on the bench, or the one that is plugged in next, is another; what follows belongs to that stage of it."""
        now = self.now()
        with self._lock:
            question = self._unit.question(now.monotonic_s)
            batch, event = self._log.end(), self._watch.end()
            if self._stage_id is not None:
                self._watch.forget()
                self._drifts.forget()
                self._unit_on.forget()
                if question is not None and question.is_back:
                    self._unit_on.here(question.since_s)
            self._unit.other()
            self._stage_id = stage_id
        self._give(batch, event)
        self._tell_problems(now)

    def use_stage(self, stage_id: int | None) -> None:
        """What follows belongs to that stage of the same unit, or to none. It answers no question."""
        with self._lock:
            self._stage_id = stage_id
        self._tell_problems(self.now())

    def unit_on(self, minutes_ago: float = 0.0) -> None:
        """The unit was switched on so long ago."""
        with self._lock:
            self._unit_on.said(self._now_s(), minutes_ago)

    def scope_on(self, minutes_ago: float = 0.0) -> None:
        """The scope was switched on so long ago."""
        with self._lock:
            self._scope_on.said(self._now_s(), minutes_ago)

    def warmth(self, now: Moment) -> Conditioned:
        """How far unit and scope have warmed up by now; `of_mark` is what a mark carries of it."""
        now_s = now.monotonic_s
        with self._lock:
            minutes = self._unit_on.minutes(now_s), self._scope_on.minutes(now_s)
            return Conditioned(*minutes, self._drifts.drifts(now_s))

    @property
    def watch(self) -> WatchState:
        """How the watch is set, and what it has seen."""
        with self._lock:
            return WatchState(self._watch_on, self._band_mv, self._watch.counted)

    def set_watch(self, on: bool, band_mv: float | None = None) -> None:
        """Switch the watch on, which begins anew then, or off. The band, where one is given, holds from then on."""
        with self._lock:
            event = self._watch.end()
            self._band_mv = self._band_mv if band_mv is None else band_mv
            if on:
                self._watch = FaultWatch(self._band_mv)
            else:
                self._watch.forget()
            self._watch_on = on
        self._give(event)
        self._tell_counted()

    def stop(self) -> None:
        """Hand over what waits; call it before the book is stopped."""
        with self._lock:
            batch, event = self._log.end(), self._watch.end()
        self._give(batch, event)

    def _follow(self, reading: Reading, now_s: float) -> None:
        """Unit and scope as that reading shows them."""
        if reading.scope.identity != self._identity:
            self._identity = reading.scope.identity
            self._scope_on.forget()
        self._scope_on.here(now_s)
        if reading.measured.sync.state == "none":
            self._unit.unsynced(now_s)
            self._unit_on.away(now_s)
        else:
            self._unit.synced(traits_of(reading), now_s)
            self._unit_on.here(now_s)
        self._drifts.take(reading, now_s)

    def _stage_in_no_doubt(self, now: Moment) -> int | None:
        return None if self._doubt(now) is not None else self._stage_id

    def _doubt(self, now: Moment) -> UnitInQuestion | None:
        """Why it is not known which unit is on the bench. Without a name there is none that could be wrong."""
        question = self._unit.question(now.monotonic_s)
        if question is None or self._stage_id is None:
            return None
        return UnitInQuestion(f"it may be another unit: {question.text}", where="bench", do=DO_ANSWER)

    def _problems(self, now: Moment) -> tuple[Problem, ...]:
        question, doubt = self._unit.question(now.monotonic_s), self._doubt(now)
        if question is None or doubt is None:
            return ()
        return (Problem(outcome_of(doubt).problem_code, doubt.what, doubt.do, _utc_ns(question, now)),)

    def _tell_problems(self, now: Moment) -> None:
        """Tell the question when it is another one, not when only its seconds have gone on."""
        with self._telling:  # so that two threads tell in the order in which they looked
            with self._lock:
                problems = self._problems(now)
                question = self._unit.question(now.monotonic_s) if problems else None
                asked = None if question is None else (question.is_back, question.since_s)
                changed, self._asked = asked != self._asked, asked
            if changed:
                self._tell(problems)

    def _tell_counted(self) -> None:
        with self._lock:
            counted = self._watch.counted
            is_other, self._told_counted = counted != self._told_counted, counted
        if is_other:
            self._changed()

    def _give(self, *made: LogBatch | NewEvent | None) -> None:
        """To the book; an event is counted as not kept where one is still being written, or where it cannot be."""
        for one in made:
            if isinstance(one, LogBatch):
                self._book.keep_log(one)
            elif isinstance(one, NewEvent):
                self._give_event(one)

    def _give_event(self, event: NewEvent) -> None:
        watch, before, given = self._watch, self._being_written, None
        if before is None or before.done():
            with suppress(BookBusy):
                given = self._being_written = self._book.keep_event(event)
        if given is None:
            with self._lock:
                watch.not_kept()
        else:
            given.add_done_callback(partial(self._written, watch))

    def _written(self, watch: FaultWatch, done: "Future[int]") -> None:
        with self._lock:
            if done.cancelled() or done.exception() is not None:
                watch.not_kept()
            else:
                watch.kept()
        self._tell_counted()

    def _now_s(self) -> float:
        return self.now().monotonic_s


def _utc_ns(question: Question, now: Moment) -> int:
    """Since when that is asked, ns since 1970."""
    return now.utc_ns - round((now.monotonic_s - question.since_s) * 1e9)
