"""Acquisition of every family under every fault of its dialect, through the whole source and a real socket.

What it says in words, that no published level is wrong, and that it comes back by itself once the fault is over.
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest

from family_rig import SimulatedScope, SleepingTime
from peakwhite.daemon.acquisition import Acquisition, Origin
from peakwhite.daemon.acquisition.pace import RETRY_SPREAD, SLOW_RETRY_S
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import Clip, Hookup
from peakwhite.daemon.measure.reading import Reading
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.scope import open_scope
from peakwhite.drivers.family import Family
from peakwhite.drivers.links import open_link
from peakwhite.simulated_scope.faults import Fault
from scripted import Hand, Outlet, a_job

HOOKUP = Hookup((Clip("CH1", "red"), Clip("CH2", "green"), Clip("CH4", "sync")))
TIMEOUT_S = 0.3
PATIENCE = 40
"""Waits of acquisition, between captures or attempts, within which each step of a test has to come about."""
LONGEST_RETRY_S = SLOW_RETRY_S * (1.0 + RETRY_SPREAD)
EXACT_WITHIN_MV = 4.0
"""Half a code of 8 bits at the range for levels."""
FIELD_DUE_S = 11.0
"""A field is captured after so long, for which the scope is set up anew."""


@dataclass(frozen=True)
class Expected:
    """What acquisition makes of a fault.

    Attributes:
        says: patterns that its words match one after the other, each in some status while the fault is on.
        bearable: a dialect may rightly be untouched by it.
        along: faults that are set with it.
        due: time passes until the scope has to be set up anew.
        turns: for so many captures or attempts the fault is on.
    """

    says: tuple[str, ...] = ()
    bearable: bool = False
    along: tuple[Fault, ...] = ()
    due: bool = False
    turns: int = 2


EXPECTED: dict[Fault, Expected] = {
    Fault.REFUSE_CONNECTIONS: Expected(("closed the connection", "refused"), along=(Fault.DROP_MID_BLOCK,)),
    Fault.SWITCHED_OFF: Expected(("closed the connection", "refused")),
    Fault.DROP_MID_BLOCK: Expected(("closed the connection",)),
    Fault.STALL_ONCE: Expected(("no (whole )?answer within",)),
    Fault.SILENT: Expected(("no (whole )?answer within",)),
    Fault.ANSWER_LATE: Expected(("no (whole )?answer within",)),
    # Bearable, since a scope that drops an answer when the next question comes drops the second one too.
    Fault.ANSWER_TWICE: Expected(
        ("more than one line of answer|that nobody asked for|is answered|in place of a block",), bearable=True
    ),
    Fault.TRUNCATE_BLOCK: Expected(("no (whole )?answer within",)),
    Fault.HEADER_TOO_LONG: Expected((r"a block of \d+ bytes where \d+ is the most|no (whole )?answer within",)),
    Fault.HEADER_TOO_SHORT: Expected(("bytes after the end of a block|bytes where .* were meant",)),
    Fault.GARBAGE: Expected(("an answer that is not text|no block within|not a scope",)),
    Fault.PREAMBLE_FIELD_MISSING: Expected(("preamble|no (whole )?answer within",)),
    Fault.SCALE_ZERO: Expected((r"0 volts a code|it stays 0\.0",)),
    Fault.SCALE_NAN: Expected(("'NAN', not a number",)),
    Fault.SCALE_ABSURD: Expected((r"[1-9]\S+ volts a code|it stays 1\.0+E\+06",)),
    Fault.EMPTY_RECORD: Expected(("a block of 0 bytes",)),
    Fault.POINTS_DISAGREE: Expected((r"points of|bytes where \d+ were meant",), bearable=True),
    Fault.TIME_STEP_ZERO: Expected(("0 s a sample|at 0 Hz",), bearable=True),
    Fault.TEXT_BEFORE_BLOCK: Expected(bearable=True),
    Fault.EXTRA_LINE_FEED: Expected(bearable=True),
    Fault.IDENTITY_CHANGES: Expected(("another instrument answers", "no driver knows"), due=True, turns=4),
    Fault.ERROR_QUEUE_OVERFLOW: Expected(("refused a setting",), bearable=True, due=True),
    Fault.ANOTHER_CLIENT: Expected(bearable=True, turns=10),
    Fault.RANGE_TURNED_ONCE: Expected(bearable=True, turns=6),
}


@pytest.fixture
def scope(family: Family, dialects: dict[str, str], scopes: dict[str, SimulatedScope]) -> Iterator[SimulatedScope]:
    """The family's simulated scope, as at first for every test."""
    (dialect,) = (name for name, identity in dialects.items() if family.knows(identity))
    if dialect not in scopes:
        scopes[dialect] = SimulatedScope(dialect)
    yield scopes[dialect]
    scopes[dialect].as_at_first()
    link = open_link(scopes[dialect].resource)
    link.write("*RST;*CLS")
    link.query("*IDN?")
    link.close()


class Bench:
    """Acquisition in the test's own thread; a test says in turn what to wait for and what then happens."""

    def __init__(self, scope: SimulatedScope) -> None:
        self.hand, self.outlet, self.scope = Hand(), Outlet(), scope
        truth = scope.tell(get="truth")["truth"]["signals"]
        self.right_mv = {role: float(truth[role]["peak_white_mv"]) for role in ("red", "green")}
        clock = SleepingTime().clock
        job = a_job(
            self.hand,
            self.outlet,
            lambda capture: measure_capture(capture, Conditions(HOOKUP)),
            SetupInForce(Setup(conditions=Conditions(HOOKUP))),
        )
        self._acquisition = Acquisition(
            Origin(lambda: open_scope(scope.resource, timeout_s=TIMEOUT_S, clock=clock), scope.resource),
            job,
            self._wait,
        )
        self._plot: Iterator[None] = iter(())

    def run(self, plot: Iterator[None]) -> None:
        """Go through the plot: it is carried on at every wait of acquisition, and its end is that of acquisition."""
        self._plot = plot
        self._acquisition.run()

    def _wait(self, seconds: float) -> bool:
        self.hand.wait(seconds)
        return next(self._plot, self) is self

    @property
    def longest_wait_s(self) -> float:
        """The longest between two captures or attempts."""
        return max(self.hand.waits)

    def until(self, come_about: Callable[[], bool]) -> Iterator[None]:
        """Wait for it. Raises AssertionError where it takes too long."""
        for _ in range(PATIENCE):
            if come_about():
                return
            yield
        last = self.outlet.told[-1][0]
        raise AssertionError(f"not seen: the last status is {last.state}, {last.text}")

    def seen_after(self, count: int) -> Callable[[], bool]:
        """Whether it is ready and a level of this very record was published after the first `count` readings."""
        return lambda: self.outlet.states[-1] == "ready" and any(map(is_seen, self.outlet.readings[count:]))


def is_seen(reading: Reading) -> bool:
    return all(channel.peak_white_mv is not None and not channel.held for channel in reading.measured.channels[:2])


def wrong_levels(bench: Bench) -> list[str]:
    """Published levels that lie further from the truth than the simulated scope, which is exact, lets them."""
    wrong = []
    for channel in (channel for reading in bench.outlet.readings for channel in reading.measured.channels[:2]):
        level_mv, u95_mv = channel.peak_white_mv, channel.u95_mv
        if level_mv is None or channel.clipped:  # that says itself that it is a lower bound
            continue
        assert u95_mv is not None and channel.role is not None
        if abs(level_mv - bench.right_mv[channel.role]) > min(u95_mv, EXACT_WITHIN_MV):
            wrong.append(f"{channel.role} {level_mv:.0f} mV")
    return wrong


def plot(bench: Bench, fault: Fault, words: list[str]) -> Iterator[None]:
    """A capture or two, the fault, what comes of it, its end, and back."""
    expected, outlet = EXPECTED[fault], bench.outlet
    yield from bench.until(bench.seen_after(0))
    for each in (*expected.along, fault):
        bench.scope.tell(fault=each)
    before = len(outlet.told)
    bench.hand.s += FIELD_DUE_S if expected.due else 0.0
    for _ in range(expected.turns):
        yield
    troubles = [status for status, _ in outlet.told[before:] if status.state != "ready"]
    assert all(status.do for status in troubles)
    words += [status.text for status in troubles]
    bench.scope.tell(fault=None)
    yield from bench.until(bench.seen_after(len(outlet.readings)))


def test_every_fault_has_its_expectation() -> None:
    assert EXPECTED.keys() == set(Fault)


@pytest.mark.parametrize("fault", Fault)
def test_acquisition_says_what_is_wrong_publishes_nothing_wrong_and_comes_back(
    scope: SimulatedScope, fault: Fault
) -> None:
    bench, words = Bench(scope), list[str]()
    bench.run(plot(bench, fault, words))
    assert not wrong_levels(bench)
    expected, told = EXPECTED[fault], iter(words)
    if words or not expected.bearable:
        for pattern in expected.says:
            assert any(re.search(pattern, text) for text in told), (pattern, words)
    assert bench.longest_wait_s <= LONGEST_RETRY_S
