"""The acquisition, a simulated scope on a real socket and a real book: another unit, an intermittent fault, warming up."""

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from bench_readings import TurnedClock
from kept_marks import TM_2
from peakwhite.daemon.acquisition import Acquisition, Job, NoTrigger, Origin, Task
from peakwhite.daemon.book import BookKeeper, BookPlace, BookReader
from peakwhite.daemon.book.place import reading_engine
from peakwhite.daemon.book.records import JobText, StageText
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.keeping import Conditioned, Keeping, KeepingSettings
from peakwhite.daemon.keeping.capture_ring import MOST
from peakwhite.daemon.keeping.excursions import LOCKED
from peakwhite.daemon.live.status import Problem, ScopeStatus
from peakwhite.daemon.measure.averaged_line import LineView
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.reading import LatencyMs, Measured, Reading, ScopeTag
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.scope import open_scope
from peakwhite.drivers.capture import Capture
from peakwhite.drivers.errors import UnitInQuestion

pytestmark = pytest.mark.timeout(400)
"""A busy machine takes ten seconds to start each process."""

SOON_S = 60.0
SIGNALS = ("red", "green", "blue", "sync")


@dataclass
class Tee:
    """Where readings go: to the keeping, with the capture that was measured last, and to whoever waits for one."""

    keeping: Keeping
    measured: Capture | None = None
    views_wanted: frozenset[LineView] = frozenset()
    _latest: Reading | None = None
    _came: threading.Condition = field(default_factory=threading.Condition)

    def measure(self, capture: Capture, conditions: Conditions) -> Measured:
        self.measured = capture
        return measure_capture(capture, conditions)

    def publish(self, reading: Reading) -> None:
        assert self.measured is not None
        self.keeping.on_reading(reading, self.measured)
        with self._came:
            self._latest = reading
            self._came.notify_all()

    def publish_lines(self, view: LineView, payload: bytes) -> None:
        raise AssertionError("nobody asked for lines")

    def announce(self, scope: ScopeStatus, problems: Any) -> None:
        self.keeping.on_scope(scope)

    def wait_for(self, wanted: Callable[[Reading], bool], times: int = 1) -> Reading:
        """The newest reading, once so many were as wanted."""
        end, seen, last = time.monotonic() + SOON_S, 0, 0
        with self._came:
            while seen < times:
                assert self._came.wait(end - time.monotonic()), f"{seen} of {times}; the last is {self._latest}"
                if self._latest is not None and self._latest.seq != last and wanted(self._latest):
                    seen, last = seen + 1, self._latest.seq
            assert self._latest is not None
            return self._latest


@dataclass
class Bench:
    """The parts of a run that keeps."""

    scope: Any
    book: BookKeeper
    keeping: Keeping
    tee: Tee
    acquisition: Acquisition
    told: list[tuple[Problem, ...]]
    stages: list[int]
    is_over: bool = False

    def end(self) -> BookReader:
        """End it all as the daemon does; what is read then is all that was kept."""
        if not self.is_over:
            self.is_over = True
            assert self.acquisition.stop()
            self.keeping.stop()
            assert self.book.stop()
        return BookReader(self.book.place)

    def plug(self, is_in: bool, gain_percent: float = 100.0) -> None:
        """Pull or push the plug of a unit with that gain."""
        each = {"disconnected": not is_in, "gain_percent": gain_percent}
        assert self.scope.ask({"set": dict.fromkeys(SIGNALS, each)})["ok"]


def level_mv(reading: Reading, role: str = "red") -> float | None:
    """The level that is seen now."""
    one = next(channel for channel in reading.measured.channels if channel.role == role)
    return None if one.held else one.peak_white_mv


def near(mv: float) -> Callable[[Reading], bool]:
    def is_near(reading: Reading) -> bool:
        level = level_mv(reading)
        return level is not None and abs(level - mv) < 3.0

    return is_near


@pytest.fixture
def bench(simulated_scope: Any, tmp_path: Path) -> Iterator[Bench]:
    """A unit that is named, seen by a scope, with the watch on."""
    book = BookKeeper(BookPlace(tmp_path / "book.sqlite"), "9f3c", bench="left")
    book.start()
    job = book.add_job(JobText("Quayside batch")).result(SOON_S)
    units = [book.add_unit(job, text).result(SOON_S) for text in (TM_2, TM_2)]
    stages = [book.add_stage(unit, StageText("as found")).result(SOON_S) for unit in units]
    setup, told = SetupInForce(Setup()), list[tuple[Problem, ...]]()
    keeping = Keeping(book, setup, KeepingSettings(watch=True), tell=told.append)
    keeping.next_unit(stages[0])
    tee = Tee(keeping)
    job_of_it = Job(tee.measure, lambda *_: {}, setup, tee, "9f3c")
    acquisition = Acquisition(Origin(lambda: open_scope(simulated_scope.resource), "simulated"), job_of_it)
    made = Bench(simulated_scope, book, keeping, tee, acquisition, told, stages)
    made.plug(True)
    acquisition.start()
    yield made
    made.end().close()


def logged_stages(place: BookPlace) -> list[int | None]:
    """Under which stages the log is, in order."""
    engine = reading_engine(place)
    with engine.begin() as connection:
        rows = connection.exec_driver_sql("SELECT stage_id FROM log ORDER BY id").all()
    engine.dispose()
    return list(dict.fromkeys(row[0] for row in rows))


def test_another_unit_is_plugged_in_and_nothing_is_kept_under_the_old_name(bench: Bench) -> None:
    bench.tee.wait_for(near(714.3), 10)
    bench.keeping.may_keep()
    bench.plug(False)
    bench.tee.wait_for(lambda reading: reading.measured.sync.state == "none")
    began_s = time.monotonic()
    bench.tee.wait_for(lambda reading: reading.measured.sync.state == "none" and time.monotonic() - began_s > 3.5)
    bench.plug(True, 96.0)
    bench.tee.wait_for(near(0.96 * 714.3), 5)
    with pytest.raises(UnitInQuestion, match="is back; say that it is the same unit "):
        bench.keeping.may_keep()
    bench.keeping.next_unit(bench.stages[1])
    bench.keeping.may_keep()
    bench.tee.wait_for(near(0.96 * 714.3), 10)
    with bench.end() as reader:
        (event,) = reader.events()
        shown = reader.event_captures(event.id)
    assert (event.kind, event.stage_id) == ("sync-lost", bench.stages[0])
    states = {one.position: (one.reading or {})["sync"]["state"] for one in shown}
    assert states[-1] in LOCKED and (states[0], states[1]) == ("none", "none")
    assert logged_stages(bench.book.place) == [bench.stages[0], None, bench.stages[1]]
    assert [problem.code for problem in bench.told[-2]] == ["unit-in-question"] and bench.told[-1] == ()


def test_an_intermittent_fault_is_kept_with_the_captures_before_and_after(bench: Bench) -> None:
    bench.tee.wait_for(near(714.3), MOST)  # so that none is left of those with which ranges were found
    assert bench.scope.ask({"set": {"red": {"gain_percent": 90.0}}})["ok"]
    bench.tee.wait_for(near(0.9 * 714.3), 2)
    assert bench.scope.ask({"set": {"red": {"gain_percent": 100.0}}})["ok"]
    bench.tee.wait_for(near(714.3), 30)
    with bench.end() as reader:
        (event,) = reader.events()
        shown = reader.event_captures(event.id)
    assert (event.kind, event.channel, event.stage_id) == ("level", "CH1", bench.stages[0])
    assert event.text.startswith("red went to 64")
    levels = {one.position: _measured_again(one.capture) for one in shown}
    assert min(levels) <= -5 and max(levels) >= 5
    assert levels[0] == pytest.approx(0.9 * 714.3, abs=3.0)
    assert all(level is None or abs(level - 714.3) < 3.0 for position, level in levels.items() if position < 0)
    assert [level for _, level in sorted(levels.items()) if level][-1] == pytest.approx(714.3, abs=3.0)


def _measured_again(capture: Capture) -> float | None:
    """The level of red in a capture that was read back; None where it lies in the vertical interval."""
    return measure_capture(capture, SetupInForce(Setup()).current.conditions).channels[0].peak_white_mv


class WarmingUp:
    """A unit on the fast clock: six readings a minute, each with the scene's time."""

    def __init__(self, scope: Any, pct_per_min: float, time_constant_s: float) -> None:
        self.scope = scope
        self.clock = TurnedClock()
        self.setup = SetupInForce(Setup())
        self.keeping = Keeping(_NoBook(), self.setup, clock=self.clock.clock)
        self.source = open_scope(scope.resource)
        self.source.configure(Task.LEVELS, self.setup.current)
        assert scope.ask({"set": {"warm_up": {"pct_per_min": pct_per_min, "time_constant_s": time_constant_s}}})["ok"]

    def goes_on(self, minutes: float) -> Conditioned:
        for _ in range(round(minutes * 6)):
            assert self.scope.ask({"advance": 10.0})["ok"]
            self.clock.s += 10.0
            capture = self.source.capture(2.0)
            assert not isinstance(capture, NoTrigger)
            measured = measure_capture(capture, self.setup.current.conditions)
            tag = ScopeTag(self.source.identity, self.source.resource)
            reading = Reading("9f3c", 1, 1, capture.captured_at_ns, LatencyMs(None, None), tag, measured)
            self.keeping.on_reading(reading, capture)
        return self.keeping.warmth(self.keeping.now())


class _NoBook:
    def keep_log(self, batch: object) -> None:
        """What is logged does not matter here."""

    def keep_event(self, event: object) -> Any:
        raise AssertionError("the watch is off")


@pytest.fixture
def warming_up(children: Any) -> Iterator[Callable[[float, float], WarmingUp]]:
    """Makes units that warm up by so many per cent a minute at first, with that time constant in seconds."""
    made: list[WarmingUp] = []

    def make(pct_per_min: float, time_constant_s: float) -> WarmingUp:
        scope = children.scope("--clock", "fast", "--seed", "5")
        made.append(WarmingUp(scope, pct_per_min, time_constant_s))
        return made[-1]

    yield make
    for one in made:
        one.source.close()


def test_a_unit_that_warms_up_is_cold_until_twenty_minutes_and_settled_then(
    warming_up: Callable[[float, float], WarmingUp],
) -> None:
    unit = warming_up(0.5, 240.0)
    early = unit.goes_on(6.0)
    assert early.is_drifting and early.of_mark.cold
    role, drift = early.fastest or ("", None)
    assert role in SIGNALS and drift is not None and 0.5 < drift.mv_per_min < 3.6
    late = unit.goes_on(16.0)
    assert (late.is_drifting, late.why_cold) == (False, None)
    assert not late.of_mark.cold


def test_a_unit_that_still_drifts_after_twenty_minutes_is_cold(
    warming_up: Callable[[float, float], WarmingUp],
) -> None:
    found = warming_up(0.5, 3600.0).goes_on(21.0)
    assert found.unit_on_min is not None and found.unit_on_min > 20.0
    assert found.of_mark.cold and "drifts by +" in (found.why_cold or "")
