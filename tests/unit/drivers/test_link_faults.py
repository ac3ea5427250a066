"""Every transport under the faults of the simulated scope: an error in time, and afterwards the link comes back clean."""

import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from peakwhite.drivers.errors import InstrumentError, LinkLost
from peakwhite.drivers.links import Link, identify, open_link

WAYS = ["scpi", "vxi11", "hislip"]
IDENTITY = "PEAKWHITE,SIM-CURVE,SIM000001,1.0"
TRACE = "HEAD OFF;:HOR:RECO 100000;:DAT:SOU CH1;STAR 1;STOP 100000;:ACQ:STOPA SEQ;STATE RUN;*OPC?"


@dataclass
class Scope:
    """The simulated scope: its resources and its control port."""

    contract: dict[str, Any]
    control: socket.socket

    def fault(self, name: str | None) -> None:
        self.control.sendall(json.dumps({"fault": name}).encode() + b"\n")
        assert json.loads(self.control.recv(1000)) == {"ok": True}


@pytest.fixture(scope="module")
def running() -> Iterator[Scope]:
    command = [sys.executable, "-m", "peakwhite.simulated_scope", "--clock", "fast", "--seed", "5"]
    with subprocess.Popen(
        [*command, "--vxi11", "0", "--hislip", "0"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None and process.stdin is not None
        contract = json.loads(process.stdout.readline())
        with socket.create_connection(("127.0.0.1", contract["control"]), 10.0) as control:
            yield Scope(contract, control)
        process.stdin.close()


@pytest.fixture
def scope(running: Scope) -> Iterator[Scope]:
    yield running
    running.fault(None)


@pytest.fixture(params=WAYS)
def link(scope: Scope, request: pytest.FixtureRequest) -> Iterator[Link]:
    opened = open_link(scope.contract[request.param], timeout_s=2.0)
    assert opened.query(TRACE) == "1"
    yield opened
    opened.close()


@pytest.mark.parametrize(
    "fault",
    ["silent", "stall-once", "drop-mid-block", "truncate-block", "header-too-long", "header-too-short", "garbage"],
)
def test_a_block_under_a_fault_is_an_error_and_the_link_comes_back_clean(scope: Scope, link: Link, fault: str) -> None:
    before = bytes(link.query_block("CURV?", 100_000))
    scope.fault(fault)
    with pytest.raises(InstrumentError):
        link.query_block("CURV?", 100_000)
    assert link.dirty
    with pytest.raises(LinkLost):
        link.query("*IDN?")
    scope.fault(None)
    link.clear()
    assert identify(link) == IDENTITY
    assert bytes(link.query_block("CURV?", 100_000)) == before


def test_an_answer_that_comes_late_is_never_that_to_a_later_question(scope: Scope, link: Link) -> None:
    scope.fault("stall-once")
    with pytest.raises(InstrumentError):
        link.query("HOR:RECO?")
    link.clear()
    for _ in range(20):
        assert link.query("CH1:COUP?") == "DC"
        assert identify(link) == IDENTITY


@pytest.mark.parametrize("fault", ["text-before-block", "extra-line-feed"])
def test_what_may_stand_around_a_block_is_taken_off(scope: Scope, link: Link, fault: str) -> None:
    before = bytes(link.query_block("CURV?", 100_000))
    scope.fault(fault)
    assert bytes(link.query_block("CURV?", 100_000)) == before
    assert identify(link) == IDENTITY


@pytest.mark.parametrize("way", WAYS)
def test_a_hundred_links_good_and_bad_leave_no_descriptor_open(scope: Scope, way: str) -> None:
    open_link(scope.contract[way]).close()
    descriptors = len(os.listdir("/proc/self/fd"))
    for turn in range(100):
        if turn % 10 == 5:
            scope.fault("silent")
            link = open_link(scope.contract[way], timeout_s=0.05)
            with pytest.raises(InstrumentError):
                identify(link)
            scope.fault(None)
        elif turn % 10 == 7:
            scope.fault("refuse-connections")
            with pytest.raises(LinkLost):
                open_link(scope.contract[way])
            scope.fault(None)
            continue
        else:
            link = open_link(scope.contract[way])
            assert identify(link) == IDENTITY
        link.close()
    assert len(os.listdir("/proc/self/fd")) == descriptors
