"""The simulated scope as a process: start, end, arguments, clients."""

import json
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Start = Callable[..., Any]


def run(*options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "peakwhite.simulated_scope", *options],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_the_first_line_is_the_contract(start_scope: Start) -> None:
    scope = start_scope()
    contract = json.loads(scope.first_line)
    assert contract == {"scpi": f"TCPIP0::127.0.0.1::{scope.scpi_port}::SOCKET", "control": scope.control_port}


def test_it_ends_when_its_standard_input_closes() -> None:
    result = run()
    assert (result.returncode, result.stderr) == (0, "")


def test_it_ends_with_open_clients_when_its_standard_input_closes(start_scope: Start) -> None:
    scope = start_scope()
    waiting = socket.create_connection(("127.0.0.1", scope.scpi_port), 30)
    waiting.sendall(b"*IDN?\n")
    assert waiting.recv(100)
    assert scope.end() == (0, "")
    waiting.close()


def test_it_ends_on_sigterm_with_status_zero(start_scope: Start) -> None:
    scope = start_scope()
    scope.process.send_signal(signal.SIGTERM)
    assert scope.process.wait(30) == 0


def test_a_client_that_leaves_in_the_middle_leaves_no_trace(start_scope: Start) -> None:
    scope = start_scope("--clock", "fast")
    for _ in range(5):
        client = scope.client()
        client.write("HEAD OFF;:HOR:RECO 1000000;:DAT:STOP 1000000;:ACQ:STOPA SEQ;STATE RUN;*OPC?;:CURV?")
        client.close()
    assert scope.client().ask("*IDN?").startswith("PEAKWHITE")
    assert scope.end() == (0, "")


def test_a_client_that_leaves_while_it_waits_for_a_trigger_does_not_block_the_next(start_scope: Start) -> None:
    scope = start_scope()
    first = scope.client()
    first.write("HEAD OFF;:TRIG:MAI:MOD NORM;LEV 9;:ACQ:STOPA SEQ;STATE RUN;*OPC?")
    first.close()
    second = scope.client()
    assert second.ask("ACQ:STATE?") == "1"
    assert second.ask("TRIG FORC;*OPC?") == "1"


def test_two_clients_at_once_share_one_instrument(start_scope: Start) -> None:
    scope = start_scope()
    first, second = scope.client(), scope.client()
    first.write("HEAD OFF;:CH2:SCA 0.05")
    assert first.ask("CH2:SCA?") == "5.0E-2"
    assert second.ask("CH2:SCA?") == "5.0E-2"


def test_what_a_client_asked_before_it_closed_its_side_is_answered(start_scope: Start) -> None:
    scope = start_scope()
    client = scope.client()
    client.write("*IDN?")
    client.socket.shutdown(socket.SHUT_WR)
    assert client.rest() == b"PEAKWHITE,SIM-CURVE,SIM000001,1.0\n"


def test_the_same_seed_gives_the_same_record(start_scope: Start) -> None:
    records = []
    for _ in range(2):
        client = start_scope("--clock", "fast").client()
        assert client.ask("HEAD OFF;:ACQ:STOPA SEQ;STATE RUN;*OPC?") == "1"
        records.append(client.block("CURV?"))
    assert records[0] == records[1]
    assert len(records[0]) == 2500


def test_a_file_sets_the_unit_up(start_scope: Start, tmp_path: Path) -> None:
    file = tmp_path / "unit.json"
    file.write_text('{"system": "625/50", "red": {"gain_percent": 90}}')
    unit = start_scope("--unit", str(file)).control({"get": "state"})["state"]["unit"]
    assert (unit["system"], unit["red"]["gain_percent"], unit["blue"]["gain_percent"]) == ("625/50", 90.0, 98.0)


@pytest.mark.parametrize(
    ("content", "said"), [('{"colour": 1}', 'no setting "colour"'), ("{", "unit.json"), ("[]", "an object")]
)
def test_a_bad_unit_file_is_refused_in_one_line(tmp_path: Path, content: str, said: str) -> None:
    file = tmp_path / "unit.json"
    file.write_text(content)
    result = run("--unit", str(file))
    assert result.returncode == 2
    assert said in result.stderr
    assert result.stderr.count("\n") == 1


def test_a_taken_port_is_status_three(start_scope: Start) -> None:
    result = run("--port", str(start_scope().scpi_port))
    assert result.returncode == 3
    assert result.stderr.count("\n") == 1


def test_another_identity_can_be_given(start_scope: Start) -> None:
    assert start_scope("--identity", "NOBODY,X1,0,0").client().ask("*IDN?") == "NOBODY,X1,0,0"


def test_a_line_without_end_is_cut_off(start_scope: Start) -> None:
    scope = start_scope()
    client = scope.client()
    client.socket.sendall(b"A" * 200_000)
    try:
        assert client.rest() == b""
    except ConnectionResetError:
        pass
    assert scope.client().ask("*IDN?").startswith("PEAKWHITE")
