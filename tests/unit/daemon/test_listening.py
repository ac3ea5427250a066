"""The daemon's socket: on an address that is there, and on one that this computer has only later."""

import logging
import os
import socket
import subprocess
import sys

import pytest

from peakwhite.daemon.serving import listen
from peakwhite.drivers.errors import PortTaken

LATER = """
import fcntl, socket, struct
from peakwhite.daemon.serving import listen
SIOCSIFFLAGS, SIOCSIFADDR, IFF_UP = 0x8914, 0x8916, 1
control = socket.socket()
fcntl.ioctl(control, SIOCSIFFLAGS, struct.pack("16sh", b"lo", IFF_UP))
with control, listen("192.0.2.77", 0) as listening, socket.socket() as client:
    address, port = listening.getsockname()[:2]
    try:
        client.connect((address, port))
    except OSError as error:
        print("not yet")
    given = struct.pack("16sH2s4s8s", b"lo", socket.AF_INET, b"", socket.inet_aton(address), b"")
    fcntl.ioctl(control, SIOCSIFADDR, given)
    with socket.create_connection((address, port), 10):
        print("reached")
"""
"""Run in a network of its own, of one computer, which gets that address only after it is listened to."""


def in_a_network_of_its_own(program: str) -> "subprocess.CompletedProcess[str]":
    command = ["unshare", "--net", sys.executable, "-c", program]
    return subprocess.run(command, capture_output=True, check=False, encoding="utf-8", timeout=60)


def may_have_networks() -> bool:
    return sys.platform == "linux" and os.geteuid() == 0 and in_a_network_of_its_own("").returncode == 0


@pytest.mark.skipif(not may_have_networks(), reason="no network of its own can be had here")
def test_where_the_network_is_not_up_yet_it_listens_and_is_reached_once_it_is() -> None:
    done = in_a_network_of_its_own(LATER)
    assert done.stdout.split("\n")[:2] == ["not yet", "reached"], done.stderr
    assert "192.0.2.77 is no address of this computer yet" in done.stderr


@pytest.mark.skipif(sys.platform != "linux", reason="Linux alone lets one listen to an address that is not there")
@pytest.mark.parametrize("address", ["192.0.2.77", "2001:db8::77"])
def test_an_address_that_is_not_there_yet_is_listened_to_and_that_is_said(
    address: str, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING), listen(address, 0) as listening:
        assert listening.getsockname()[0] == address
    assert [record.getMessage() for record in caplog.records] == [
        f"{address} is no address of this computer yet; it is listened to once it is"
    ]


def test_a_port_that_is_taken_is_still_an_error() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(PortTaken):
        listen("127.0.0.1", taken.getsockname()[1])
