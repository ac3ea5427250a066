"""`peakwhite record-scope` on a simulated scope: what is in the file, and what the scope is left with."""

import json
import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from family_rig import SimulatedScope
from peakwhite.daemon.cli import run
from peakwhite.drivers.errors import LinkLost
from peakwhite.drivers.links import open_link
from peakwhite.drivers.present_setup import ScopeSetup
from peakwhite.drivers.tektronix_tds import TektronixTds
from peakwhite.drivers.transcript import RecordingLink

LOOK = ":HEAD OFF;:CH1:SCA?;POS?;:HOR:MAI:SCA?;:TRIG:MAI:LEV?;:ACQ:STOPA?;STATE?"


@pytest.fixture(scope="module")
def scope() -> Iterator[SimulatedScope]:
    started = SimulatedScope("curve")
    yield started
    started.end()


def asked(scope: SimulatedScope, message: str) -> str:
    link = open_link(scope.resource)
    try:
        return link.query(message)
    finally:
        link.close()


def given_back(scope: SimulatedScope, before: str) -> bool:
    """Whether the set-up is what it was, once the scope has carried out what was last sent over a link that is closed."""
    end_s = time.monotonic() + 30.0
    while asked(scope, LOOK) != before:
        if time.monotonic() > end_s:
            return False
    return True


def test_a_conversation_is_written_down_and_the_set_up_given_back(
    scope: SimulatedScope, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = asked(scope, LOOK)
    assert run(["record-scope", str(tmp_path / "talk.json"), "--scope", scope.resource]) == 0
    assert given_back(scope, before)
    written = (tmp_path / "talk.json").read_text(encoding="utf-8")
    talk = json.loads(written)
    assert (talk["family"], talk["link"], talk["error"]) == ("tektronix-tds", "socket", None)
    assert talk["record"]["channels"]["CH1"]["samples"] >= 1000
    assert any("block" in exchange for exchange in talk["exchanges"])
    assert "SIM000001" not in written and "127.0.0.1" not in written
    assert "look through it" in capsys.readouterr().out


def test_what_ended_the_conversation_is_in_the_file_and_on_stderr(
    scope: SimulatedScope, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scope.tell(fault="scale-zero")
    try:
        assert run(["record-scope", str(tmp_path / "talk.json"), "--scope", scope.resource]) == 3
    finally:
        scope.tell(fault=None)
    talk = json.loads((tmp_path / "talk.json").read_text(encoding="utf-8"))
    assert "0 volts a code" in talk["error"]
    assert talk["record"] is None
    assert "0 volts a code" in capsys.readouterr().err


def test_a_file_that_is_there_is_not_written_over(
    scope: SimulatedScope, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "talk.json").write_text("mine")
    assert run(["record-scope", str(tmp_path / "talk.json"), "--scope", scope.resource]) == 2
    assert (tmp_path / "talk.json").read_text() == "mine"
    assert "another name" in capsys.readouterr().err


def test_without_a_scope_it_says_how_to_name_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = tmp_path / "peakwhite.toml"
    settings.write_text("")
    assert run(["record-scope", str(tmp_path / "talk.json"), "--config", str(settings)]) == 2
    assert "--scope" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("fault", "said", "begun"),
    [
        ("silent", "no answer", 1),
        ("garbage", "", 1),
        ("answer-late", "no answer", 1),
        ("identity-changes", "no driver knows", 1),
        ("truncate-block", "", 20),
        ("drop-mid-block", "", 20),
    ],
)
def test_a_conversation_that_ends_early_leaves_a_file_with_what_ended_it(
    scope: SimulatedScope, tmp_path: Path, capsys: pytest.CaptureFixture[str], fault: str, said: str, begun: int
) -> None:
    file = tmp_path / "talk.json"
    before = asked(scope, LOOK)
    scope.tell(fault=fault)
    try:
        assert run(["record-scope", str(file), "--scope", scope.resource]) == 3
    finally:
        scope.tell(fault=None)
    talk = json.loads(file.read_text(encoding="utf-8"))
    told = capsys.readouterr().err
    assert talk["error"] and said in talk["error"] and talk["record"] is None
    assert " ".join(talk["error"].replace("XXX000000", "SIM000002").split()) in told
    assert told.count("\n") == 1 and told.endswith(f"; what was said until then is in {file}\n")
    assert len(talk["exchanges"]) >= begun and talk["exchanges"][0]["sent"] == "*IDN?"
    assert given_back(scope, before)


def test_what_no_driver_knows_is_written_down_with_what_it_calls_itself(scope: SimulatedScope, tmp_path: Path) -> None:
    scope.tell(fault="identity-changes")
    try:
        assert run(["record-scope", str(tmp_path / "talk.json"), "--scope", scope.resource]) == 3
    finally:
        scope.tell(fault=None)
    talk = json.loads((tmp_path / "talk.json").read_text(encoding="utf-8"))
    assert talk["family"] is None
    assert talk["identity"] == talk["exchanges"][0]["text"]


def test_a_scope_that_is_not_reached_leaves_no_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["record-scope", str(tmp_path / "talk.json"), "--scope", "TCPIP0::127.0.0.1::1::SOCKET"]) == 3
    assert not (tmp_path / "talk.json").exists()
    assert "talk.json" not in capsys.readouterr().err


def test_a_folder_that_is_not_there_is_refused_before_the_scope_is_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "absent" / "talk.json"
    assert run(["record-scope", str(file), "--scope", "TCPIP0::127.0.0.1::1::SOCKET"]) == 3
    assert "there is no such folder" in capsys.readouterr().err


def in_the_middle_of_an_answer(link: RecordingLink, command: str, limit_bytes: int) -> memoryview:
    """The block is on its way when the signal comes."""
    link.link.write(command)
    os.kill(os.getpid(), SENT[-1])
    raise AssertionError("the signal was not heeded")


def between_exchanges(driver: TektronixTds, trigger_wait_s: float) -> bool:
    os.kill(os.getpid(), SENT[-1])
    raise AssertionError("the signal was not heeded")


SENT: list[signal.Signals] = []


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize(
    ("of", "name", "interrupted"),
    [(TektronixTds, "acquire", between_exchanges), (RecordingLink, "query_block", in_the_middle_of_an_answer)],
)
def test_the_set_up_is_given_back_when_a_signal_ends_it(
    scope: SimulatedScope,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    number: signal.Signals,
    of: type,
    name: str,
    interrupted: Callable[..., object],
) -> None:
    before, handlers = asked(scope, LOOK), [signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM)]
    SENT.append(number)
    monkeypatch.setattr(of, name, interrupted)
    arguments = ["record-scope", str(tmp_path / "talk.json"), "--scope", scope.resource]
    assert ended(arguments) == 128 + number
    assert given_back(scope, before)
    assert not (tmp_path / "talk.json").exists()
    assert [signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM)] == handlers


def ended(arguments: list[str]) -> object:
    """The exit status, also where it is that of SystemExit."""
    try:
        return run(arguments)
    except SystemExit as end:
        return end.code


def test_a_second_signal_does_not_keep_the_set_up_from_being_given_back(
    scope: SimulatedScope, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, restore = asked(scope, LOOK), TektronixTds.restore

    def signalled(driver: TektronixTds, setup: ScopeSetup) -> None:
        os.kill(os.getpid(), signal.SIGINT)
        os.kill(os.getpid(), signal.SIGTERM)
        restore(driver, setup)

    SENT.append(signal.SIGTERM)
    monkeypatch.setattr(TektronixTds, "acquire", between_exchanges)
    monkeypatch.setattr(TektronixTds, "restore", signalled)
    assert ended(["record-scope", str(tmp_path / "talk.json"), "--scope", scope.resource]) == 143
    assert given_back(scope, before)


def test_a_set_up_that_cannot_be_given_back_is_said(
    scope: SimulatedScope, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def lost(driver: TektronixTds, setup: ScopeSetup) -> None:
        raise LinkLost("it is gone", where="scope", do="plug it in")

    monkeypatch.setattr(TektronixTds, "restore", lost)
    assert run(["record-scope", str(tmp_path / "talk.json"), "--scope", scope.resource]) == 3
    assert "its set-up could not be given back, so set it by hand" in capsys.readouterr().err
