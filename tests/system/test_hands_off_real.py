"""`peakwhite serve` and the user's set-up: given back at the end, or never touched."""

import signal
import socket
from collections.abc import Callable
from typing import Any

from live_client import live_client

USERS = (
    "*RST;:HEAD OFF;:SEL:CH1 ON;:SEL:CH2 ON;:SEL:CH3 ON;:SEL:CH4 ON;:CH1:SCA 0.2;POS -2;:CH2:SCA 0.2;POS -2"
    ";:CH3:SCA 0.2;POS -2;:CH4:SCA 0.1;POS 2;:HOR:MAI:SCA 5E-5;:HOR:RECO 10000"
    ";:TRIG:MAI:EDGE:SOU CH4;SLO FALL;:TRIG:MAI:LEV -0.15;MOD NORM;:ACQ:STOPA RUNST;STATE RUN"
)
LOOK = ":CH1:SCA?;POS?;:CH4:SCA?;:HOR:MAI:SCA?;:HOR:RECO?;:TRIG:MAI:LEV?;MOD?;:ACQ:STOPA?;STATE?"


def said(port: int, message: str) -> str:
    """What the scope answers to its user."""
    with socket.create_connection(("127.0.0.1", port), 30.0) as link, link.makefile("rb") as lines:
        link.sendall(message.encode() + b"\n")
        return lines.readline().decode().strip()


def test_the_user_gets_back_the_set_up_that_was_there_before(children: Any) -> None:
    scope = children.scope("--clock", "real")
    before = said(scope.port, f"{USERS};{LOOK}")
    daemon = children.daemon("serve", "--scope", scope.resource)
    with live_client(daemon) as live:
        live.reading()
    assert said(scope.port, LOOK) != before
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.child.wait() == 0
    assert said(scope.port, LOOK) == before


def test_hands_off_says_what_is_missing_and_measures_what_the_user_stops(
    children: Any, eventually: Callable[..., Any]
) -> None:
    scope = children.scope("--clock", "real", "--seed", "7")
    before = said(scope.port, f"{USERS};{LOOK}")
    daemon = children.daemon("serve", "--scope", scope.resource, "--hands-off")
    with live_client(daemon) as live:
        status = live.status("waiting-for-trigger")
        assert [problem["code"] for problem in status["problems"]] == ["hands-off-running"]
        assert said(scope.port, LOOK) == before
        said(scope.port, ":ACQ:STATE STOP;STATE?")
        live.status("ready")
        assert live.reading()["sync"]["state"] != "none"
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.child.wait() == 0
    assert said(scope.port, LOOK) == before.removesuffix("1") + "0"
