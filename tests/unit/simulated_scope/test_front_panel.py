"""Who has the front panel: transports that know a remote state lock it with a message, and give it back when asked."""

import json
import socket
import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import pytest

from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.sources.scope import open_scope
from peakwhite.drivers.errors import LinkTimeout
from peakwhite.drivers.links import open_link

MESSAGE_WAYS = ["vxi11", "hislip"]


class Scope:
    """The simulated scope's ways in, and its control port."""

    def __init__(self, contract: dict[str, Any], control: socket.socket) -> None:
        self.resources = contract
        self._control = control

    def tell(self, **request: Any) -> Any:
        self._control.sendall(json.dumps(request).encode() + b"\n")
        return json.loads(self._control.recv(1 << 16))

    @property
    def locked(self) -> bool:
        return bool(self.tell(get="state")["state"]["remote"])


@pytest.fixture(scope="module", params=["curve", "preamble"])
def scope(request: pytest.FixtureRequest) -> Iterator[Scope]:
    command = [sys.executable, "-m", "peakwhite.simulated_scope", "--clock", "fast", "--seed", "5"]
    command += ["--dialect", request.param, "--vxi11", "0", "--hislip", "0"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None and process.stdin is not None
        contract = json.loads(process.stdout.readline())
        with socket.create_connection(("127.0.0.1", contract["control"]), 10.0) as control:
            yield Scope(contract, control)
        process.stdin.close()


@pytest.mark.parametrize("way", MESSAGE_WAYS)
def test_a_closed_link_gives_the_front_panel_back(scope: Scope, way: str) -> None:
    link = open_link(scope.resources[way])
    link.query("*IDN?")
    assert scope.locked
    link.close()
    assert not scope.locked


@pytest.mark.parametrize("way", MESSAGE_WAYS)
def test_a_closed_source_gives_it_back_after_the_users_set_up(scope: Scope, way: str) -> None:
    source = open_scope(scope.resources[way])
    source.configure(Task.LEVELS, Setup())
    assert scope.locked
    source.close()
    assert not scope.locked


@pytest.mark.parametrize("way", MESSAGE_WAYS)
def test_a_link_that_broke_and_came_back_gives_it_back_too(scope: Scope, way: str) -> None:
    link = open_link(scope.resources[way], timeout_s=1.5)
    scope.tell(fault="silent")
    with pytest.raises(LinkTimeout):
        link.query("*IDN?")
    scope.tell(fault=None)
    link.clear()
    link.query("*IDN?")
    link.close()
    assert not scope.locked


def test_a_raw_socket_locks_nothing(scope: Scope) -> None:
    link = open_link(scope.resources["scpi"])
    link.query("*IDN?")
    assert not scope.locked
    link.close()


@pytest.mark.parametrize("scope", ["curve"], indirect=True)
def test_a_dialect_that_can_lock_the_panel_unlocks_it_over_a_raw_socket(scope: Scope) -> None:
    source = open_scope(scope.resources["scpi"])
    source.configure(Task.LEVELS, Setup())
    other = open_link(scope.resources["scpi"])
    other.query("LOC ALL;*OPC?")
    assert scope.locked
    source.close()
    other.query("*OPC?")
    assert not scope.locked
    other.close()
