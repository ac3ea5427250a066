"""`peakwhite record-scope` on a simulated scope: what is in the file, and what the scope is left with."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from family_rig import SimulatedScope
from peakwhite.daemon.cli import run
from peakwhite.drivers.links import open_link

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


def test_a_conversation_is_written_down_and_the_set_up_given_back(
    scope: SimulatedScope, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = asked(scope, LOOK)
    assert run(["record-scope", str(tmp_path / "talk.json"), "--scope", scope.resource]) == 0
    assert asked(scope, LOOK) == before
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
