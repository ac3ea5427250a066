"""What a scope is left with by the commands that take a few captures and end, however they end."""

import io
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from family_rig import SimulatedScope
from peakwhite.daemon.cli import run
from peakwhite.drivers.links import Link, open_link
from peakwhite.drivers.present_setup import ScopeSetup
from peakwhite.drivers.records import Record
from peakwhite.drivers.tektronix_tds import TektronixTds

LOOK = ":HEAD?;:CH1:SCA?;:CH2:POS?;:HOR:MAI:SCA?;:TRIG:MAI:MOD?;:ACQ:STATE?;:DAT:SOU?;STAR?;STOP?;ENC?;WID?"
SIGNALS = [signal.SIGINT, signal.SIGTERM]
SENT: list[signal.Signals] = []
Commands = dict[str, list[str]]


@pytest.fixture(scope="module")
def scope() -> Iterator[SimulatedScope]:
    started = SimulatedScope("curve")
    yield started
    started.end()


@pytest.fixture
def user(scope: SimulatedScope) -> Iterator[Link]:
    """The scope's user."""
    link = open_link(scope.resource)
    yield link
    scope.as_at_first()
    link.close()


@pytest.fixture
def commands(scope: SimulatedScope, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Commands:
    """Commands that use the scope."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setattr("sys.stdin", io.StringIO("\n535.2\n535.2\n\n0.1\n0.1\n"))
    return {
        "capture": ["capture", str(tmp_path / "unit.npz"), "--scope", scope.resource],
        "calibrate": ["calibrate", "multimeter", "--channel", "CH1", "--scope", scope.resource],
    }


def ended(arguments: list[str]) -> object:
    """The exit status, also where it is that of SystemExit."""
    try:
        return run(arguments)
    except SystemExit as end:
        return end.code


@pytest.mark.parametrize("command", ["capture", "calibrate"])
@pytest.mark.parametrize("fault", ["truncate-block", "drop-mid-block"])
def test_the_set_up_is_given_back_when_the_link_breaks(
    scope: SimulatedScope,
    user: Link,
    commands: Commands,
    capsys: pytest.CaptureFixture[str],
    command: str,
    fault: str,
) -> None:
    before = user.query(LOOK)
    scope.tell(fault=fault)
    assert run(commands[command]) == 3
    scope.tell(fault=None)
    told = [line for line in capsys.readouterr().err.splitlines() if "caution" not in line]
    assert "could not be given back" not in told[-1] and len([line for line in told if "peakwhite: " in line]) == 1
    assert user.query(LOOK) == before


def between_exchanges(driver: TektronixTds, trigger_wait_s: float) -> bool:
    os.kill(os.getpid(), SENT[-1])
    raise AssertionError("the signal was not heeded")


def in_the_middle_of_an_answer(driver: TektronixTds, channels: Sequence[str], most_points: int | None = None) -> Record:
    driver._link.write(":CURV?")
    os.kill(os.getpid(), SENT[-1])
    raise AssertionError("the signal was not heeded")


@pytest.mark.parametrize("number", SIGNALS)
@pytest.mark.parametrize("command", ["capture", "calibrate"])
@pytest.mark.parametrize(
    ("name", "interrupted"), [("acquire", between_exchanges), ("fetch", in_the_middle_of_an_answer)]
)
def test_the_set_up_is_given_back_when_a_signal_ends_it(
    user: Link,
    commands: Commands,
    monkeypatch: pytest.MonkeyPatch,
    number: signal.Signals,
    command: str,
    name: str,
    interrupted: Callable[..., object],
) -> None:
    before, handlers = user.query(LOOK), [signal.getsignal(one) for one in SIGNALS]
    SENT.append(number)
    monkeypatch.setattr(TektronixTds, name, interrupted)
    assert ended(commands[command]) == 128 + number
    assert user.query(LOOK) == before
    assert [signal.getsignal(one) for one in SIGNALS] == handlers


@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_while_the_set_up_is_given_back_ends_it_afterwards(
    user: Link, commands: Commands, monkeypatch: pytest.MonkeyPatch, number: signal.Signals
) -> None:
    before, restore = user.query(LOOK), TektronixTds.restore

    def signalled(driver: TektronixTds, setup: ScopeSetup) -> None:
        os.kill(os.getpid(), number)
        restore(driver, setup)

    monkeypatch.setattr(TektronixTds, "restore", signalled)
    assert ended(commands["capture"]) == 128 + number
    assert user.query(LOOK) == before


def test_a_set_up_that_cannot_be_given_back_is_said_with_the_failure_in_one_line(
    scope: SimulatedScope,
    user: Link,
    commands: Commands,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    acquire = TektronixTds.acquire

    def silenced(driver: TektronixTds, trigger_wait_s: float) -> bool:
        scope.tell(fault="silent")
        return acquire(driver, trigger_wait_s)

    monkeypatch.setattr(TektronixTds, "acquire", silenced)
    assert run(commands["capture"]) == 3
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "; its set-up could not be given back (no answer within 2 s" in told
    assert told.endswith("), so set it by hand\n")
