"""One life of a source: what is captured, what is published, what is held."""

from collections.abc import Callable
from dataclasses import replace
from random import Random

import pytest

from peakwhite.daemon.acquisition import Note, NoTrigger, Task
from peakwhite.daemon.acquisition.fields import FIELD_EVERY_S
from peakwhite.daemon.acquisition.held import HOLD_S
from peakwhite.daemon.acquisition.session import LINES_EVERY_S, MOST_VIEWS, Session
from peakwhite.daemon.acquisition.watch import ScopeWatch
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.measure.averaged_line import LineView
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.reading import FieldInfo, Hint, Measured, Reading
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture
from scripted import WHITE_NOT_IN_RECORD, Hand, Outlet, ScriptedSource, a_capture, a_job, a_measured, a_source

FIELD = FieldInfo(262.0, 60.05, "progressive", 0.0)


class Bench:
    """A session over a source whose captures measure as a script says; time moves a twentieth of a second a step."""

    def __init__(self, *measured: Measured) -> None:
        self.hand = Hand()
        self.outlet = Outlet()
        self.setup = SetupInForce(Setup())
        self.source: ScriptedSource = a_source(*(a_capture() for _ in measured))
        job = a_job(self.hand, self.outlet, measured, self.setup)
        self.session = Session(self.source, job, ScopeWatch(self.outlet.announce, self.hand.time.wall_ns))

    def step(self, times: int = 1) -> Reading:
        for _ in range(times):
            self.hand.wait(self.session.step())
        return self.outlet.readings[-1]


def level_mv(reading: Reading) -> float | None:
    return reading.measured.channels[0].peak_white_mv


def test_readings_are_counted_and_carry_run_setup_and_source() -> None:
    bench = Bench(a_measured(), a_measured())
    bench.step(2)
    assert [(reading.run, reading.seq, reading.setup) for reading in bench.outlet.readings] == [
        ("test", 1, 1),
        ("test", 2, 1),
    ]
    assert bench.outlet.readings[0].scope.identity == "scripted scope"


def test_latency_is_what_fetching_and_measuring_took() -> None:
    hand, outlet = Hand(), Outlet()

    def measure(capture: object) -> Measured:
        hand.s += 0.003
        return a_measured()

    source = a_source(replace(a_capture(hand), fetch_ms=2.0))
    hand.s += 100.0
    Session(source, a_job(hand, outlet, measure), ScopeWatch(outlet.announce, hand.time.wall_ns)).step()
    latency = outlet.readings[0].latency_ms
    assert latency.fetch == 2.0
    assert latency.measure == pytest.approx(3.0, abs=0.01)


def test_a_capture_that_was_not_fetched_from_a_scope_has_no_fetch_time() -> None:
    hand, outlet = Hand(), Outlet()
    source = a_source(a_capture(hand))
    Session(source, a_job(hand, outlet, [a_measured()]), ScopeWatch(outlet.announce, hand.time.wall_ns)).step()
    assert outlet.readings[0].latency_ms.fetch is None


def test_captures_are_spaced_by_the_rate_however_long_they_take() -> None:
    hand, outlet = Hand(), Outlet()

    def measure(capture: object) -> Measured:
        hand.s += 0.02
        return a_measured(sync="none")

    session = Session(
        a_source(*(a_capture() for _ in range(20))),
        a_job(hand, outlet, measure),
        ScopeWatch(outlet.announce, hand.time.wall_ns),
    )
    hand.wait(session.step())
    began_s = hand.s
    for _ in range(10):
        hand.wait(session.step())
    assert hand.s - began_s == pytest.approx(10 / 20.0)


def test_a_slow_scope_is_followed_by_no_burst() -> None:
    hand, outlet = Hand(), Outlet()
    took_s = iter([1.0, 0.0, 0.0, 0.0])

    def measure(capture: object) -> Measured:
        hand.s += next(took_s)
        return a_measured(sync="none")

    session = Session(
        a_source(*(a_capture() for _ in range(4))),
        a_job(hand, outlet, measure),
        ScopeWatch(outlet.announce, hand.time.wall_ns),
    )
    delays = []
    for _ in range(4):
        delays.append(session.step())
        hand.wait(delays[-1])
    assert delays == pytest.approx([0.0, 0.05, 0.05, 0.05])


def test_a_reading_of_a_setup_that_is_no_longer_in_force_is_dropped() -> None:
    hand, outlet, setup = Hand(), Outlet(), SetupInForce(Setup())

    def measure(capture: object) -> Measured:
        if setup.current.generation == 1:
            setup.swap(Conditions(BENCH_DEFAULT))
        return a_measured()

    source = a_source(a_capture(), a_capture())
    session = Session(source, a_job(hand, outlet, measure, setup), ScopeWatch(outlet.announce, hand.time.wall_ns))
    session.step()
    assert outlet.readings == []
    session.step()
    assert [(reading.seq, reading.setup) for reading in outlet.readings] == [(1, 2)]
    assert source.tasks == [Task.LEVELS, Task.LEVELS]


def test_without_lock_no_field_is_taken() -> None:
    bench = Bench(*[a_measured(sync="none")] * 3)
    bench.step(3)
    assert bench.source.tasks == [Task.LEVELS]


def test_one_field_is_taken_after_lock_and_one_every_ten_seconds() -> None:
    steps = int(2 * FIELD_EVERY_S * 20)
    bench = Bench(*[a_measured(info=FIELD)] * steps)
    began = []
    for _ in range(steps):
        now_s = bench.hand.s
        before = len(bench.source.tasks)
        bench.step()
        began += [now_s] * (Task.FIELD in bench.source.tasks[before:])
    assert len(began) == 2
    assert began[1] - began[0] >= FIELD_EVERY_S


def test_what_the_field_told_is_carried_with_its_age() -> None:
    bench = Bench(a_measured(), a_measured(info=FIELD), a_measured(), a_measured())
    assert bench.step().measured.sync.field is None
    assert bench.step().measured.sync.field == FIELD
    bench.step()
    bench.hand.s += 1.0
    info = bench.step().measured.sync.field
    assert info is not None
    assert (info.lines_per_field, info.scan) == (262.0, "progressive")
    assert info.age_s == pytest.approx(1.1, abs=0.06)


def test_another_setup_forgets_the_field_and_the_levels() -> None:
    bench = Bench(a_measured(), a_measured(info=FIELD), a_measured(None))
    bench.step(2)
    bench.setup.swap(Conditions(BENCH_DEFAULT))
    reading = bench.step()
    assert reading.measured.sync.field is None
    assert (level_mv(reading), reading.measured.channels[0].held) == (None, False)


def taken(bench: Bench, levels: Callable[[int, Task], float | None], steps: int) -> list[Task]:
    """Tasks of so many captures of a unit whose level depends on number and task of the capture."""
    tasks: list[Task] = []

    def capture(deadline_s: float) -> Capture:
        tasks.append(bench.source.tasks[-1])
        return a_capture()

    def measure(capture: Capture, conditions: Conditions) -> Measured:
        return a_measured(levels(len(tasks), tasks[-1]), info=FIELD if tasks[-1] is Task.FIELD else None)

    bench.source.capture = capture  # type: ignore[method-assign]
    job = replace(a_job(bench.hand, bench.outlet, [], bench.setup), measure=measure)
    bench.session = Session(bench.source, job, ScopeWatch(bench.outlet.announce, bench.hand.time.wall_ns))
    bench.step(steps)
    return tasks


@pytest.mark.parametrize("in_lines", [None, 300.0])
def test_white_that_few_records_hold_is_taken_from_fields_from_then_on(in_lines: float | None) -> None:
    def level_mv(number: int, task: Task) -> float | None:
        return 700.0 if task is Task.FIELD or number % 2 else in_lines

    tasks = taken(Bench(), level_mv, 200)
    assert tasks[:2] == [Task.LEVELS, Task.FIELD]
    assert set(tasks[-100:]) == {Task.FIELD}


def test_records_of_the_vertical_interval_do_not_keep_fields_going() -> None:
    random = Random(7)
    tasks = taken(Bench(), lambda number, task: None if task is Task.LEVELS and random.random() < 0.12 else 700.0, 4000)
    assert tasks.count(Task.FIELD) == 4000 / 20 / FIELD_EVERY_S


@pytest.mark.parametrize("towards_mv", [500.0, 900.0])
def test_a_trimmer_turned_far_does_not_keep_fields_going(towards_mv: float) -> None:
    def level_mv(number: int, task: Task) -> float:
        return 700.0 + (towards_mv - 700.0) * min(1.0, max(0.0, (number - 100) / 100))

    tasks = taken(Bench(), level_mv, 600)
    assert set(tasks[-100:]) == {Task.LEVELS} or tasks[-100:].count(Task.FIELD) == 1
    assert tasks.count(Task.FIELD) < 16


def test_a_field_that_told_nothing_is_soon_taken_again() -> None:
    bench = Bench(*[a_measured()] * 100)
    bench.step(100)
    assert bench.source.tasks.count(Task.FIELD) == 3


def test_a_field_without_sync_is_not_shown() -> None:
    bench = Bench(a_measured(), a_measured(sync="none"), a_measured())
    bench.step(3)
    assert [reading.measured.sync.state for reading in bench.outlet.readings] == ["locked", "locked"]


@pytest.mark.parametrize(
    "lost", [a_measured(None), a_measured(None, sync="none"), a_measured(None, sync="vertical-interval", hints=())]
)
def test_a_level_that_is_not_seen_is_held_with_its_age(lost: Measured) -> None:
    bench = Bench(a_measured(sync="blanking-only"), lost, lost)
    bench.step()
    bench.hand.s += 2.0
    channel = bench.step().measured.channels[0]
    assert (channel.peak_white_mv, channel.zone, channel.held) == (700.0, "on-target", True)
    assert channel.age_s == pytest.approx(2.05, abs=0.06)
    assert channel.hints == lost.channels[0].hints
    bench.hand.s += HOLD_S
    channel = bench.step().measured.channels[0]
    assert (channel.peak_white_mv, channel.zone, channel.held, channel.age_s) == (None, None, False, 0.0)


@pytest.mark.parametrize("sync", ["locked", "none", "vertical-interval"])
def test_a_channel_that_the_record_calls_dead_is_not_held(sync: str) -> None:
    dead = a_measured(None, sync=sync, hints=(WHITE_NOT_IN_RECORD, Hint("channel-dead", "likely open", "wiggle it")))
    bench = Bench(a_measured(sync="blanking-only"), dead, a_measured(None, sync="none"))
    bench.step()
    for _ in range(2):
        channel = bench.step().measured.channels[0]
        assert (channel.peak_white_mv, channel.zone, channel.held) == (None, None, False)


def test_a_level_is_not_held_for_another_role_on_the_channel() -> None:
    bench = Bench(a_measured(sync="none"), a_measured(None, sync="none", role="green"))
    bench.step()
    assert bench.step().measured.channels[0].held is False


def test_the_averaged_line_is_computed_only_while_somebody_asks_and_not_too_often() -> None:
    bench = Bench(*[a_measured(sync="none")] * 20)
    bench.step(5)
    assert bench.outlet.lines == []
    bench.outlet.views_wanted = frozenset({LineView(400), LineView(800)})
    began_s = bench.hand.s
    bench.step(10)
    times = (bench.hand.s - began_s) / LINES_EVERY_S
    assert {view.columns for view, _ in bench.outlet.lines} == {400, 800}
    assert 2 <= len(bench.outlet.lines) / 2 <= times + 1
    assert bench.outlet.lines[0][1].startswith(b"1:")


def test_a_published_reading_does_not_hold_its_capture() -> None:
    basis = object()
    bench = Bench(replace(a_measured(), basis=basis))  # type: ignore[arg-type]
    assert bench.step().measured.basis is None


def test_of_many_views_a_few_are_drawn_at_a_time_each_in_its_turn() -> None:
    bench = Bench(*[a_measured(sync="none")] * 40)
    wanted = [LineView(400, float(start), start + 1.0) for start in range(2 * MOST_VIEWS + 1)]
    bench.outlet.views_wanted = frozenset(wanted)
    while len(bench.outlet.lines) < 3 * MOST_VIEWS:
        before = len(bench.outlet.lines)
        bench.step()
        assert len(bench.outlet.lines) - before <= MOST_VIEWS
    drawn = [view for view, _ in bench.outlet.lines]
    assert len(set(drawn[: len(wanted)])) == len(wanted)


def test_no_trigger_is_told_and_nothing_is_published() -> None:
    hand, outlet = Hand(), Outlet()
    source = a_source(NoTrigger(0.65), NoTrigger(0.65), a_capture())
    session = Session(source, a_job(hand, outlet, [a_measured()]), ScopeWatch(outlet.announce, hand.time.wall_ns))
    session.step()
    session.step()
    assert outlet.states == ["waiting-for-trigger"]
    assert outlet.readings == []
    session.step()
    assert outlet.states == ["waiting-for-trigger", "ready"]


def test_a_hookup_with_a_channel_that_the_scope_lacks_is_told_and_the_scope_is_kept() -> None:
    bench = Bench(a_measured(), a_measured())
    bench.step()
    bench.setup.swap(Conditions(Hookup((Clip("CH9", "red"),))))
    bench.step(3)
    scope, problems = bench.outlet.told[-1]
    assert (scope.state, [problem.code for problem in problems]) == ("ready", ["hookup"])
    assert "no channel 'CH9'" in problems[0].text
    assert len(bench.outlet.told) == 2
    bench.setup.swap(Conditions(BENCH_DEFAULT))
    assert bench.step().setup == 3
    assert bench.outlet.told[-1][1] == ()
    assert not bench.source.closed


def test_with_nothing_clipped_nothing_is_captured_and_the_status_says_so() -> None:
    bench = Bench(a_measured(), a_measured())
    bench.step()
    bench.setup.swap(Conditions(Hookup()))
    bench.step(3)
    scope, problems = bench.outlet.told[-1]
    assert (scope.state, [problem.code for problem in problems]) == ("ready", ["nothing-to-measure"])
    assert "nothing is measured" in scope.text
    assert (bench.source.tasks, len(bench.outlet.readings)) == ([Task.LEVELS], 1)
    assert bench.hand.waits[-3:] == pytest.approx([0.05] * 3)


def test_what_the_source_says_of_its_range_is_a_problem_while_it_says_so() -> None:
    bench = Bench(*[a_measured(sync="none")] * 5)
    bench.step()
    bench.source.notes = (Note("range-widened", "red: widened", "nothing"),)
    bench.step(2)
    scope, problems = bench.outlet.told[-1]
    assert (scope.state, [(problem.code, problem.text) for problem in problems]) == (
        "ready",
        [("range-widened", "red: widened")],
    )
    bench.source.notes = ()
    bench.step(2)
    assert [[problem.code for problem in problems] for _, problems in bench.outlet.told] == [[], ["range-widened"], []]


def test_a_reading_that_misses_the_sync_of_its_hookup_leaves_the_scope_ready() -> None:
    bench = Bench(a_measured(sync="blanking-only", of_reading=(Hint("sync-not-found", "likely off", "look"),)))
    assert [hint.code for hint in bench.step().measured.hints] == ["sync-not-found"]
    assert bench.outlet.states == ["ready"]
    assert bench.outlet.told[-1][1] == ()
