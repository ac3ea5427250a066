"""A source that gives what a script says, and an outlet that keeps what it is given, with time that a test turns by hand."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from peakwhite.daemon.acquisition import Job, Note, NoTrigger, Task, Time
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.live import Problem, ScopeStatus
from peakwhite.daemon.measure.averaged_line import LineView
from peakwhite.daemon.measure.hookup import Hookup
from peakwhite.daemon.measure.reading import ChannelReading, FieldInfo, Hint, Measured, Reading, SyncReading
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture, ChannelRecord
from peakwhite.drivers.errors import UsageError

WHITE_NOT_IN_RECORD = Hint("white-not-in-record", "likely a dark part", "show white")

Step = Capture | NoTrigger | BaseException


class Hand:
    """Time that stands still until it is moved."""

    def __init__(self) -> None:
        self.s = 1000.0
        self.waits: list[float] = []

    @property
    def time(self) -> Time:
        return Time(now_s=lambda: self.s, wall_ns=lambda: int(self.s * 1e9), uniform=lambda: 0.5)

    def wait(self, seconds: float) -> bool:
        """A wait that takes no time."""
        self.waits.append(seconds)
        self.s += seconds
        return False


def a_capture(hand: Hand | None = None) -> Capture:
    """A capture of one channel; what it holds does not matter, for a scripted measure looks at nothing."""
    record = ChannelRecord("CH1", np.zeros(16, np.uint8), 0.008, 0.0)
    return Capture((record,), 1e-8, 0.0, "scripted", int(hand.s * 1e9) if hand else 0)


def a_measured(
    level_mv: float | None = 700.0,
    *,
    sync: str = "locked",
    info: FieldInfo | None = None,
    role: str = "red",
    hints: tuple[Hint, ...] | None = None,
    of_reading: tuple[Hint, ...] = (),
) -> Measured:
    """A measurement of one channel; without a level it carries the hint that the record held no white."""
    if hints is None:
        hints = (WHITE_NOT_IN_RECORD,) if level_mv is None and sync != "none" else ()
    zone = None if level_mv is None else "on-target"
    channel = ChannelReading("CH1", role, peak_white_mv=level_mv, zone=zone, noise_mv_rms=2.0, hints=hints)  # type: ignore[arg-type]
    return Measured(SyncReading(sync, field=info), (channel,), None, of_reading)  # type: ignore[arg-type]


@dataclass
class Outlet:
    """Keeps what acquisition gives away."""

    readings: list[Reading] = field(default_factory=list)
    told: list[tuple[ScopeStatus, tuple[Problem, ...]]] = field(default_factory=list)
    lines: list[tuple[LineView, bytes]] = field(default_factory=list)
    views_wanted: frozenset[LineView] = frozenset()

    def publish(self, reading: Reading) -> None:
        self.readings.append(reading)

    def publish_lines(self, view: LineView, payload: bytes) -> None:
        self.lines.append((view, payload))

    def announce(self, scope: ScopeStatus, problems: Sequence[Problem]) -> None:
        self.told.append((scope, tuple(problems)))

    @property
    def states(self) -> list[str]:
        return [scope.state for scope, _ in self.told]


@dataclass
class ScriptedSource:
    """Gives one step of the script a capture, and raises the steps that are errors."""

    script: Iterator[Step]
    tasks: list[Task] = field(default_factory=list)
    closed: bool = False
    identity: str = "scripted scope"
    resource: str | None = "TCPIP0::192.0.2.7::5025::SOCKET"
    notes: tuple[Note, ...] = ()
    channels: tuple[str, ...] = ("CH1", "CH2", "CH3", "CH4")

    def check(self, hookup: Hookup) -> None:
        lacking = [channel for channel in hookup.channels if channel not in self.channels]
        if lacking:
            raise UsageError(f"it has no channel '{lacking[0]}'", where="scripted", do="change the hookup")

    def configure(self, task: Task, setup: Setup) -> None:
        self.tasks.append(task)

    def capture(self, deadline_s: float) -> Capture | NoTrigger:
        step = next(self.script)
        if isinstance(step, BaseException):
            raise step
        return step

    def close(self) -> None:
        self.closed = True


def a_source(*steps: Step) -> ScriptedSource:
    """A source with that script."""
    return ScriptedSource(iter(steps))


def a_job(
    hand: Hand,
    outlet: Outlet,
    measured: Iterable[Measured] | Callable[[Capture], Measured],
    setup: SetupInForce | None = None,
) -> Job:
    """A job that measures by a script."""
    script = None if callable(measured) else iter(measured)

    def measure(capture: Capture, conditions: Conditions) -> Measured:
        return measured(capture) if callable(measured) else next(script)  # type: ignore[arg-type]

    return Job(
        measure=measure,
        lines=lambda measured, generation, views: {view: f"{generation}:{view.columns}".encode() for view in views},
        setup=setup or SetupInForce(Setup()),
        outlet=outlet,
        run="test",
        time=hand.time,
    )
