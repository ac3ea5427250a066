"""Every signal, pattern and system that the simulated unit puts out, through driver and engine, against its truth."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, COLOURS, Clip, Hookup
from peakwhite.daemon.measure.reading import Measured
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.scope import ScopeSource, open_scope
from peakwhite.drivers.capture import Capture

HOOKUPS = {
    "rgb-sync": BENCH_DEFAULT,
    "sync-on-green": Hookup((Clip("CH1", "red"), Clip("CH2", "green"), Clip("CH3", "blue"))),
    "luma-sync": Hookup((Clip("CH1", "luma"),)),
    "composite": Hookup((Clip("CH1", "composite"),)),
}
SYSTEMS = [
    ("525/60", "progressive", 262),
    ("525/60", "progressive", 263),
    ("525/60", "interlaced", None),
    ("625/50", "progressive", 312),
    ("625/50", "progressive", 313),
    ("625/50", "interlaced", None),
]
WITH_WHITE = ["white", "bars-75", "bars-100", "staircase-5", "staircase-10", "pulse-and-bar", "multiburst"]
MOST_LOOKS = 12
"""A free capture may fall into the vertical interval; it then has no level, never a wrong one."""


@dataclass
class Scope:
    """The simulated scope with a source on it."""

    process: Any
    source: ScopeSource
    generation: int = 1

    def show(self, **unit: Any) -> Any:
        """Set the unit; its truth."""
        answer = self.process.ask({"set": {key: value for key, value in unit.items() if value is not None}})
        assert "error" not in answer, answer
        return self.process.ask({"get": "truth"})["truth"]

    def captures(self, task: Task, conditions: Conditions) -> Iterator[Capture]:
        self.generation += 1
        self.source.configure(task, Setup(self.generation, conditions))
        for _ in range(MOST_LOOKS):
            capture = self.source.capture(2.0)
            assert isinstance(capture, Capture)
            yield capture

    def measured(self, task: Task, conditions: Conditions) -> Measured:
        """The first reading with levels."""
        for capture in self.captures(task, conditions):
            measured = measure_capture(capture, conditions)
            if any(channel.peak_white_mv is not None for channel in measured.channels):
                return measured
        raise AssertionError(f"no level in {MOST_LOOKS} captures")


@pytest.fixture(scope="module")
def scope(lasting_fast_scope: Any) -> Iterator[Scope]:
    source = open_scope(lasting_fast_scope.resource)
    yield Scope(lasting_fast_scope, source)
    source.close()


def check_levels(measured: Measured, truth: Any) -> None:
    whites = [channel for channel in measured.channels if channel.peak_white_mv is not None]
    assert whites
    for channel in whites:
        true_mv = truth["signals"][channel.role]["peak_white_mv"]
        assert channel.peak_white_mv is not None
        assert channel.u95_mv is not None
        assert channel.peak_white_mv == pytest.approx(true_mv, abs=2.5), channel.role
        assert abs(channel.peak_white_mv - true_mv) < channel.u95_mv


@pytest.mark.parametrize("pattern", WITH_WHITE)
@pytest.mark.parametrize("signal", HOOKUPS)
def test_the_white_of_every_pattern_on_every_signal(scope: Scope, signal: str, pattern: str) -> None:
    for system, scan in (("525/60", "progressive"), ("625/50", "interlaced")):
        truth = scope.show(system=system, scan=scan, format=signal, pattern=pattern)
        check_levels(scope.measured(Task.LEVELS, Conditions(HOOKUPS[signal])), truth)


@pytest.mark.parametrize(("system", "scan", "lines_per_field"), SYSTEMS)
def test_a_field_tells_its_lines_and_scan(scope: Scope, system: str, scan: str, lines_per_field: int | None) -> None:
    for signal in ("rgb-sync", "luma-sync"):
        truth = scope.show(system=system, scan=scan, lines_per_field=lines_per_field, format=signal, pattern="white")
        measured = scope.measured(Task.FIELD, Conditions(HOOKUPS[signal]))
        check_levels(measured, truth)
        field = measured.sync.field
        assert field is not None
        assert (measured.sync.system, field.scan) == (system, scan)
        assert field.lines_per_field == truth["line"]["lines_per_field"]
        assert field.field_rate_hz == pytest.approx(truth["line"]["field_rate_hz"], rel=2e-4)


@pytest.mark.parametrize("signal", HOOKUPS)
def test_a_small_patch_is_measured_on_a_field(scope: Scope, signal: str) -> None:
    truth = scope.show(system="525/60", scan="progressive", lines_per_field=262, format=signal, pattern="patch")
    check_levels(scope.measured(Task.FIELD, Conditions(HOOKUPS[signal])), truth)


@pytest.mark.parametrize("pattern", ["ramp", "black"])
def test_a_picture_without_a_flat_white_gets_no_level(scope: Scope, pattern: str) -> None:
    scope.show(system="525/60", scan="progressive", format="rgb-sync", pattern=pattern)
    for capture in scope.captures(Task.LEVELS, Conditions(BENCH_DEFAULT)):
        measured = measure_capture(capture, Conditions(BENCH_DEFAULT))
        assert [channel.peak_white_mv for channel in measured.channels] == [None] * 4


def test_a_level_never_depends_on_which_lines_the_trigger_caught(scope: Scope) -> None:
    truth = scope.show(system="525/60", scan="interlaced", format="rgb-sync", pattern="white")
    for capture in scope.captures(Task.LEVELS, Conditions(BENCH_DEFAULT)):
        for channel in measure_capture(capture, Conditions(BENCH_DEFAULT)).channels:
            if channel.role in COLOURS and channel.peak_white_mv is not None:
                true_mv = truth["signals"][channel.role]["peak_white_mv"]
                assert channel.peak_white_mv == pytest.approx(true_mv, abs=2.5)


@pytest.mark.parametrize(
    ("load", "code"), [(False, "termination-missing"), ("double", "terminated-twice"), ("fifty-ohm", "fifty-ohm-load")]
)
def test_a_wrong_load_is_suspected_before_the_unit(scope: Scope, load: object, code: str) -> None:
    scope.show(system="525/60", scan="progressive", format="rgb-sync", pattern="white")
    scope.process.ask({"front": {"terminated": load}})
    try:
        found = set()
        for capture in scope.captures(Task.LEVELS, Conditions(BENCH_DEFAULT)):
            measured = measure_capture(capture, Conditions(BENCH_DEFAULT))
            found |= {hint.code for hint in measured.hints}
        assert code in found
        assert not found & {"termination-missing", "terminated-twice", "fifty-ohm-load", "probe-ratio"} - {code}
    finally:
        scope.process.ask({"front": {"terminated": True}})
