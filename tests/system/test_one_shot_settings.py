"""One-shot commands and what [scope] of the settings says: hands off, and giving the set-up back or not."""

import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.timeout(400)
"""A busy machine takes ten seconds to start each process."""

USERS = (
    "*RST;:HEAD OFF;:SEL:CH1 ON;:SEL:CH2 ON;:SEL:CH3 ON;:SEL:CH4 ON;:CH1:SCA 0.2;POS -2;:CH2:SCA 0.2;POS -2"
    ";:CH3:SCA 0.2;POS -2;:CH4:SCA 0.1;POS 2;:HOR:MAI:SCA 5E-3;:HOR:RECO 250000"
    ";:TRIG:MAI:EDGE:SOU CH4;SLO FALL;:TRIG:MAI:LEV -0.15;MOD NORM;:ACQ:STOPA RUNST;STATE RUN"
)
LOOK = ":CH1:SCA?;POS?;:CH4:SCA?;:HOR:MAI:SCA?;:HOR:RECO?;:TRIG:MAI:LEV?;MOD?;:ACQ:STOPA?;STATE?"
TIE = ("calibrate", "tie")
CAPTURE = ("capture", "unit.npz")


@pytest.fixture
def even_scope(children: Any) -> Any:
    """A unit whose colours are alike, as one output is."""
    started = children.scope("--clock", "fast", "--seed", "9")
    even = {role: {"gain_percent": 100.0} for role in ("red", "green", "blue")}
    assert "error" not in started.ask({"set": even})
    return started


def said(port: int, message: str) -> str:
    """What the scope answers to its user."""
    with socket.create_connection(("127.0.0.1", port), 30.0) as link, link.makefile("rb") as lines:
        link.sendall(message.encode() + b"\n")
        return lines.readline().decode().strip()


def peakwhite(scope: Any, folder: Path, table: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a command under these settings of [scope], with somebody who presses Enter."""
    settings = folder / "settings.toml"
    settings.write_text(f'[scope]\nresource = "{scope.resource}"\n{table}\n')
    environment = os.environ | {"XDG_CONFIG_HOME": str(folder), "XDG_STATE_HOME": str(folder)}
    command = (sys.executable, "-m", "peakwhite.daemon", *arguments, "--config", str(settings))
    return subprocess.run(
        command,
        check=False,
        capture_output=True,
        encoding="utf-8",
        env=environment,
        cwd=folder,
        timeout=100,
        input="\n\n",
    )


@pytest.mark.parametrize("command", [CAPTURE, TIE], ids=["capture", "calibrate"])
@pytest.mark.parametrize("restore", [True, False])
def test_a_one_shot_command_gives_the_set_up_back_unless_it_is_told_not_to(
    even_scope: Any, tmp_path: Path, command: tuple[str, ...], restore: bool
) -> None:
    before = said(even_scope.port, f"{USERS};{LOOK}")
    done = peakwhite(even_scope, tmp_path, f"restore = {str(restore).lower()}", *command)
    assert done.returncode == 0, done.stderr
    assert (said(even_scope.port, LOOK) == before) is restore


def test_capture_hands_off_keeps_the_beginning_of_what_the_user_stopped_and_changes_nothing(
    even_scope: Any, tmp_path: Path
) -> None:
    said(even_scope.port, f"{USERS};STATE?")
    before = said(even_scope.port, f":ACQ:STATE STOP;{LOOK}")
    done = peakwhite(even_scope, tmp_path, "hands_off = true", *CAPTURE)
    assert done.returncode == 0, done.stderr
    assert "100000 samples over 20 ms" in done.stdout
    assert said(even_scope.port, LOOK) == before


def test_capture_hands_off_says_what_its_user_has_to_do(even_scope: Any, tmp_path: Path) -> None:
    before = said(even_scope.port, f"{USERS};{LOOK}")
    done = peakwhite(even_scope, tmp_path, "hands_off = true", *CAPTURE)
    assert (done.returncode, done.stdout) == (3, "")
    assert "press Run/Stop or Single on the scope" in done.stderr
    assert said(even_scope.port, LOOK) == before


def test_calibrate_hands_off_takes_a_stopped_record_once_and_changes_nothing(even_scope: Any, tmp_path: Path) -> None:
    said(even_scope.port, f"{USERS};STATE?")
    before = said(even_scope.port, f":ACQ:STATE STOP;{LOOK}")
    done = peakwhite(even_scope, tmp_path, "hands_off = true", *TIE)
    assert said(even_scope.port, LOOK) == before
    assert done.returncode == 0, done.stderr
