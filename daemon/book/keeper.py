"""One thread writes the book. Who gives it something never waits: not for the disk, not for the server, not for room."""

import logging
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, Literal, TypeVar

from sqlalchemy import Connection

from ...drivers.errors import BookBusy, BookError, BookFull, BookUnreachable, outcome_of
from ..counting import BookTally
from ..live.status import Problem
from . import writing
from .place import BookPlace
from .reader import BookReader
from .records import JobText, LogBatch, NewEvent, NewMark, StageText, UnitText
from .writer import BookWriter, Work

T = TypeVar("T")

MOST_WAITING = 32
"""So many things may wait to be written; a mark may hold megabytes."""
MOST_LOGGED = 60
"""So many stretches of the log wait for a disk that is full: an hour of them, in less than a megabyte."""
SLOW_S = 3.0
"""A write that takes longer is told as a problem."""
GIVE_UP_S = 8.0
"""One that waits so long for a server that says nothing is given up."""
RETRY_S = 2.0
"""Between attempts to write the log where the last one failed."""
STOP_DEADLINE_S = 10.0

_FAILING, _BUSY, _SLOW = "failing", "busy", "slow"

DocumentKind = Literal["inspect", "remedy"]

log = logging.getLogger(__name__)


@dataclass(frozen=True, eq=False)
class _Task:
    """Something to be written, and who waits for it."""

    work: Work[Any]
    done: "Future[Any]"


class BookKeeper:
    """Takes what is to be kept from any thread, and answers each with a Future that is done once it is durable.

    Every method that gives a Future raises BookBusy where too much waits already. A Future may hold BookFull,
    BookUnreachable, NotInBook: nothing of what was given was written then (a server that falls silent at the very commit
    leaves that open, and is told as BookUnreachable).

    Args:
        place: where the book is.
        run: name of this run.
        bench: the bench that writes, by default the name of the computer.
        tell: is given all problems of the book whenever they change, on whatever thread noticed.
        wall_ns, now_s: nanoseconds since 1970 UTC, and seconds of a clock that does not jump.
        address: where this process may be asked to write, for commands that want to.

    Raises BookInUse, BookNewer. A book that cannot be reached or written now is a problem that is told, not an error.
    """

    def __init__(
        self,
        place: BookPlace,
        run: str,
        *,
        bench: str | None = None,
        tell: Callable[[tuple[Problem, ...]], None] = lambda problems: None,
        wall_ns: Callable[[], int] = time.time_ns,
        now_s: Callable[[], float] = time.monotonic,
        address: str = "",
    ) -> None:
        self.tally = BookTally()
        self._tell = tell
        self._wall_ns = wall_ns
        self._now_s = now_s
        self._wake = threading.Condition()
        self._tasks: deque[_Task] = deque()
        self._logs: deque[LogBatch] = deque(maxlen=MOST_LOGGED)
        self._stopping = False
        self._retry_s: float | None = None
        self._problems: dict[str, Problem] = {}
        self._writer = BookWriter(place, run, bench=bench, wall_ns=wall_ns, address=address)
        self._thread = threading.Thread(target=self._run, name="book", daemon=True)
        try:
            self._writer.open()
        except (BookUnreachable, BookFull) as error:
            self._failed(error)
        except BookError:
            self._writer.close()
            raise
        self._tell_set_aside()

    @property
    def place(self) -> BookPlace:
        """Where is written now: beside the place that was given, where that book is damaged."""
        return self._writer.place

    @property
    def bench(self) -> str:
        """The bench that writes."""
        return self._writer.bench

    @property
    def problems(self) -> tuple[Problem, ...]:
        """What is wrong with the book now."""
        with self._wake:
            return tuple(self._problems.values())

    @property
    def waiting(self) -> dict[str, int]:
        """How many things wait to be written, and how many stretches of the log."""
        return {"writes": len(self._tasks), "log": len(self._logs)}

    def reader(self) -> BookReader:
        """Reads the book that is written now; the caller closes it. Raises BookUnreachable."""
        return BookReader(self.place)

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def stop(self) -> bool:
        """Write what waits, once more where that failed, and let the book go; False where that took too long."""
        with self._wake:
            self._stopping = True
            self._wake.notify()
        if self._thread.ident is not None:
            self._thread.join(STOP_DEADLINE_S)
        if self._thread.is_alive():
            return False
        self._writer.close()
        return True

    def keep(self, mark: NewMark) -> "Future[int]":
        """Keep a mark: done, with its number, once it is durable."""
        return self.submit(lambda connection, run_id: self._writer.keep_in(connection, run_id, mark))

    def keep_event(self, event: NewEvent) -> "Future[int]":
        """Keep an event with the captures around it: done, with its number, once it is durable."""

        def work(connection: Connection, run_id: int) -> int:
            self._writer.adopt_stage(connection, event.stage_id)
            return writing.keep_event(connection, run_id, event)

        return self.submit(work)

    def add_job(self, text: JobText) -> "Future[int]":
        """Add a job."""
        return self.submit(lambda connection, _: writing.add_job(connection, text, self._wall_ns()))

    def add_unit(self, job_id: int, text: UnitText) -> "Future[int]":
        """Add a unit to a job."""
        return self.submit(lambda connection, _: writing.add_unit(connection, job_id, text, self._wall_ns()))

    def add_stage(self, unit_id: int, text: StageText) -> "Future[int]":
        """Add a stage to a unit."""
        return self.submit(lambda connection, _: writing.add_stage(connection, unit_id, text, self._wall_ns()))

    def change_text(self, number: int, text: JobText | UnitText | StageText) -> "Future[None]":
        """Say something else of the job, unit or stage of that number."""
        return self.submit(lambda connection, _: writing.change_text(connection, number, text))

    def change_mark(self, mark_id: int, *, note: str | None = None, stage_id: int | None = None) -> "Future[None]":
        """Give a mark another note or another stage, or both."""
        return self.submit(lambda connection, _: writing.change_mark(connection, mark_id, note=note, stage_id=stage_id))

    def add_document(self, mark_id: int, kind: DocumentKind, text: str) -> "Future[None]":
        """Add to a mark what was computed of it later, as JSON."""
        return self.submit(lambda connection, _: writing.add_document(connection, mark_id, kind, text))

    def undo(self) -> "Future[int | None]":
        """Take back the last mark of this bench: done with its number, None where there is none."""
        return self.submit(lambda connection, _: writing.undo(connection, self.bench, self._wall_ns()))

    def remove(self, mark_id: int) -> "Future[None]":
        """Take a mark back. It stays in the book."""
        return self.submit(lambda connection, _: writing.set_removed(connection, mark_id, self._wall_ns()))

    def restore(self, mark_id: int) -> "Future[None]":
        """Put back a mark that was taken back."""
        return self.submit(lambda connection, _: writing.set_removed(connection, mark_id, None))

    def keep_log(self, batch: LogBatch) -> None:
        """Keep a stretch of the running log, as soon as that can be done: where the disk is full, it is tried again.

        The oldest are given up where more than MOST_LOGGED wait. What waits of the same stretch is in this one.
        """
        with self._wake:
            if self._logs and batch.holds(self._logs[-1]):
                self._logs.pop()
            self._logs.append(batch)
            self._wake.notify()

    def submit(self, work: Work[T]) -> "Future[T]":
        """Do some other thing in one transaction. Raises BookBusy."""
        done: Future[T] = Future()
        with self._wake:
            full = len(self._tasks) >= MOST_WAITING or self._stopping
            self.tally.refused += full
            if not full:
                self._tasks.append(_Task(work, done))
                self._wake.notify()
        if full:
            raise self._busy()
        return done

    def _busy(self) -> BookBusy:
        if self._stopping:
            return BookBusy("the book is being closed", where=str(self.place), do="start the daemon again")
        busy = BookBusy("more waits to be kept than can be held", where=str(self.place), do="try again in a moment")
        self._set_problem(_BUSY, busy)
        return busy

    def _run(self) -> None:
        """What the thread does, until it is stopped and nothing waits."""
        while (task := self._next()) is not None:
            if isinstance(task, LogBatch):
                self._write_log(task)
            elif task.done.set_running_or_notify_cancel():
                self._write(task)
            if len(self._tasks) <= MOST_WAITING // 2:
                self._set_problem(_BUSY, None)

    def _next(self) -> "_Task | LogBatch | None":
        """What is to be written next; waits for it. None once there is nothing and never will be."""
        with self._wake:
            while True:
                if self._tasks:
                    return self._tasks.popleft()
                wait_s = None if self._retry_s is None else self._retry_s - self._now_s()
                if self._logs and (self._stopping or wait_s is None or wait_s <= 0.0):
                    return self._logs.popleft()
                if self._stopping:
                    return None
                self._wake.wait(wait_s if self._logs else None)

    def _write(self, task: _Task) -> None:
        try:
            written = self._write_in_time(task.work)
        except BookError as error:
            self._failed(error)
            task.done.set_exception(error)
        except Exception as error:  # noqa: BLE001 - whoever waits for it is told; the thread goes on with the next
            task.done.set_exception(error)
        else:
            self._worked()
            task.done.set_result(written)

    def _write_log(self, batch: LogBatch) -> None:
        def work(connection: Connection, run_id: int) -> None:
            self._writer.adopt_stage(connection, batch.stage_id)
            writing.keep_log(connection, run_id, batch)

        try:
            self._write_in_time(work)
        except BookError as error:
            with self._wake:
                if not self._stopping and len(self._logs) < MOST_LOGGED:
                    self._logs.appendleft(batch)
            self._failed(error)
        except Exception as error:  # a defect of ours must not end the thread
            log.error("a stretch of the log could not be kept", exc_info=error)
        else:
            self._worked()

    def _write_in_time(self, work: Work[T]) -> T:
        """As the writer's `write`; that it takes long is told meanwhile, and a server that says nothing is given up."""
        timers = (threading.Timer(SLOW_S, self._slow), threading.Timer(GIVE_UP_S, self._writer.give_up))
        for timer in timers:
            timer.daemon = True
            timer.start()
        began_s = self._now_s()
        try:
            written = self._writer.write(work)
            self.tally.written += 1
            self.tally.write.add(self._now_s() - began_s)
            return written
        except BookError:
            self.tally.failed += 1
            raise
        finally:
            for timer in timers:
                timer.cancel()
                timer.join()
            self._set_problem(_SLOW, None)

    def _slow(self) -> None:
        what = f"what is to be kept has waited for more than {SLOW_S:g} s"
        do = "see whether its disk or server is well, and what else writes to it"
        self._set_problem(_SLOW, BookUnreachable(what, where=str(self.place), do=do))

    def _worked(self) -> None:
        self._retry_s = None
        self._set_problem(_FAILING, None)
        self._tell_set_aside()

    def _failed(self, error: BookError) -> None:
        self._retry_s = self._now_s() + RETRY_S
        self._set_problem(_FAILING, error)
        self._tell_set_aside()

    def _tell_set_aside(self) -> None:
        aside = self._writer.set_aside
        for damaged in aside:
            self._set_problem(f"aside {damaged.where}", damaged)

    def _set_problem(self, key: str, error: BookError | None) -> None:
        """Tell a problem, or that it is over; nothing where it was told already."""
        with self._wake:
            known = self._problems.get(key)
            problem = None if error is None else self._problem(key, error, known)
            if problem == known:
                return
            if problem is None:
                del self._problems[key]
            else:
                self._problems[key] = problem
            problems = self.problems
        if problem is not None:
            log.warning("%s; %s", problem.text, problem.do)
        elif key == _FAILING:
            log.warning("the book is written again")
        elif key in (_BUSY, _SLOW):
            log.warning("the book keeps up again")
        self._tell(problems)

    def _problem(self, key: str, error: BookError, known: Problem | None) -> Problem:
        code, text, do = outcome_of(error).problem_code, f"{error.where}: {error.what}", error.do
        if key == _FAILING:
            text, do = f"nothing is kept and logging has stopped: {text}", f"{do}; keeping goes on by itself"
        elif key not in (_BUSY, _SLOW):
            text = f"{text}; what is kept now goes to {self.place}"
        same = known is not None and (known.code, known.text) == (code, text)
        return known if same and known is not None else Problem(code, text, do, self._wall_ns())
