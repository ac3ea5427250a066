"""`peakwhite serve` ended while its scope is lost: the scope gets back what its user had set."""

import signal
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from peakwhite.drivers.links import Link, open_link

LOOK = ":HEAD?;:CH1:SCA?;:CH2:POS?;:HOR:MAI:SCA?;:TRIG:MAI:MOD?;:ACQ:STATE?;:DAT:SOU?;STAR?;STOP?;ENC?;WID?"


@pytest.fixture
def user(simulated_scope: Any) -> Iterator[Link]:
    """The scope's user."""
    link = open_link(simulated_scope.resource)
    yield link
    link.close()


@pytest.mark.parametrize("fault", ["drop-mid-block", "silent"])
def test_a_scope_that_is_lost_when_the_daemon_ends_is_given_back(
    children: Any, simulated_scope: Any, user: Link, eventually: Callable[..., Any], fault: str
) -> None:
    before = user.query(LOOK)
    daemon = children.daemon("serve", "--scope", simulated_scope.resource)
    eventually(lambda: user.query(LOOK) != before)
    eventually(lambda: daemon.request("GET", "api/v1/reading")[0] == 200)
    simulated_scope.ask({"fault": fault})
    eventually(lambda: "scope lost" in daemon.child.stderr)
    simulated_scope.ask({"fault": None})
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.child.wait() == 0
    assert user.query(LOOK) == before
    assert "could not be given back" not in daemon.child.stderr


def test_a_scope_that_is_gone_when_the_daemon_ends_is_said_not_to_have_its_set_up(
    children: Any, simulated_scope: Any, eventually: Callable[..., Any]
) -> None:
    daemon = children.daemon("serve", "--scope", simulated_scope.resource)
    eventually(lambda: daemon.request("GET", "api/v1/reading")[0] == 200)
    simulated_scope.signal(signal.SIGKILL)
    eventually(lambda: "scope lost" in daemon.child.stderr)
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.child.wait() == 0
    last = daemon.child.stderr.splitlines()[-1]
    assert "its set-up could not be given back (no connection" in last and last.endswith("; set it by hand")
