"""A hundred times lost and back over every transport: no thread, descriptor or session is left. `tests.bench` does a thousand."""

import json
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from emulated_usb import Bus, install
from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.acquisition.pace import RETRY_S, RETRY_SPREAD, SLOW_RETRY_S, USB_REST_S, retry_delay_s
from peakwhite.daemon.config import Setup
from peakwhite.daemon.sources.scope import open_scope
from peakwhite.drivers.errors import LinkLost, LinkTimeout, UnknownInstrument
from reconnects import NETWORK_FAULTS, USB, Reconnects, held_now, usb_faults
from usb_bridge import Bridge

TIMES = 100


@dataclass
class Scope:
    """The simulated scope's ways in, and its control port."""

    resources: dict[str, str]
    control: socket.socket

    def fault(self, name: str | None) -> None:
        self.control.sendall(json.dumps({"fault": name}).encode() + b"\n")
        assert json.loads(self.control.recv(1000)) == {"ok": True}


@pytest.fixture(scope="module")
def scope() -> Iterator[Scope]:
    command = [sys.executable, "-m", "peakwhite.simulated_scope", "--clock", "fast", "--seed", "5"]
    command += ["--vxi11", "0", "--hislip", "0"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None and process.stdin is not None
        contract: dict[str, Any] = json.loads(process.stdout.readline())
        with socket.create_connection(("127.0.0.1", contract["control"]), 10.0) as control:
            yield Scope(contract, control)
        process.stdin.close()


def bounded(waits: list[float], most_s: float) -> bool:
    return max(waits) <= most_s


@pytest.mark.parametrize("way", ["scpi", "vxi11", "hislip"])
def test_over_the_network_nothing_is_left_of_a_hundred_lost_links(scope: Scope, way: str) -> None:
    warm_up = Reconnects(scope.resources[way], 1, lambda turn: scope.fault("drop-mid-block"), lambda: scope.fault(None))
    warm_up.run()
    before = held_now()
    faults = NETWORK_FAULTS
    lossy = Reconnects(
        scope.resources[way], TIMES, lambda turn: scope.fault(faults[turn % len(faults)]), lambda: scope.fault(None)
    )
    lossy.run()
    assert lossy.done == TIMES
    assert held_now() == before
    assert bounded(lossy.hand.waits, RETRY_S)


def test_over_usb_nothing_is_left_of_a_hundred_lost_links(scope: Scope, monkeypatch: pytest.MonkeyPatch) -> None:
    bridge = Bridge(scope.resources["scpi"])
    device = bridge.device("SN0001")
    install(Bus(device), monkeypatch)
    strike, heal = usb_faults(device)
    Reconnects(USB, 1, strike, heal, timeout_s=0.6).run()
    before = held_now()
    lossy = Reconnects(USB, TIMES, strike, heal, timeout_s=0.6)
    lossy.run()
    assert lossy.done == TIMES
    assert (held_now(), device.handles) == (before, 0)
    assert bounded(lossy.hand.waits, USB_REST_S * (1 + RETRY_SPREAD))
    bridge.close()


@pytest.mark.parametrize("uniform", [0.0, 0.5, 1.0])
@pytest.mark.parametrize(
    ("error", "where", "least_s", "most_s"),
    [
        (LinkLost, "TCPIP0::192.0.2.1::5025::SOCKET", RETRY_S * 0.8, RETRY_S * 1.2),
        (LinkTimeout, "TCPIP0::192.0.2.1::5025::SOCKET", RETRY_S * 0.8, RETRY_S * 1.2),
        (LinkLost, USB, RETRY_S * 0.8, RETRY_S * 1.2),
        (LinkTimeout, USB, 5.0, 6.0),
        (UnknownInstrument, USB, SLOW_RETRY_S * 0.8, SLOW_RETRY_S * 1.2),
    ],
)
def test_the_back_off_is_bounded_whatever_chance_says(
    error: Callable[..., Any], where: str, least_s: float, most_s: float, uniform: float
) -> None:
    assert least_s <= retry_delay_s(error("gone", where=where, do="wait"), uniform) <= most_s


def test_another_thread_may_check_a_hookup_since_nothing_is_asked_of_the_scope(scope: Scope) -> None:
    source = open_scope(scope.resources["scpi"])
    source.close()
    source.check(Setup().conditions.hookup)
    with pytest.raises(LinkLost):
        source.configure(Task.LEVELS, Setup())
