"""Traps of libraries and of instruments that no other test of links walks into; DEVELOPERS lists all of them."""

import errno
import os
import socket
from collections.abc import Callable, Iterator

import pytest

from emulated_usb import Bus, Device, install, stalled, timed_out
from peakwhite.drivers import visa_link
from peakwhite.drivers.errors import LinkLost, LinkTimeout
from peakwhite.drivers.links import identify, open_link

NAME = "USB0::0x1AB1::0x04CE::SN0001::0::INSTR"
IDENTITY = "MAKER,MODEL,SN0001,1.0"
GET_CAPABILITIES = ("control", 7)
"""What pyvisa-py asks whenever it opens a device."""


def answer(message: bytes) -> bytes:
    return {b"*IDN?": IDENTITY.encode() + b"\n", b"*STB?": b"0\n"}.get(message, b"")


@pytest.fixture
def device() -> Device:
    return Device(answer)


@pytest.fixture
def bus(device: Device, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bus]:
    bus = Bus(device)
    install(bus, monkeypatch)
    yield bus
    assert [each.handles for each in bus.devices] == [0] * len(bus.devices)


def test_a_time_out_over_usb_does_not_open_the_device_again(device: Device, bus: Bus) -> None:
    link = open_link(NAME, timeout_s=0.6)
    for _ in range(3):
        with pytest.raises(LinkTimeout):
            link.query("NOTHING?")
        link.clear()
        assert identify(link) == IDENTITY
    assert device.log.count(GET_CAPABILITIES) == 1
    link.close()


def test_a_device_that_refuses_to_be_opened_again_is_told_to_be_replugged(
    device: Device, bus: Bus, monkeypatch: pytest.MonkeyPatch
) -> None:
    open_link(NAME).close()

    def refuse(*anything: object) -> None:
        raise stalled()

    for request in ("get_configuration", "set_configuration"):
        monkeypatch.setattr(bus, request, refuse)
    with pytest.raises(LinkLost, match="unplug the scope and plug it in again"):
        open_link(NAME)


def test_a_device_that_takes_nothing_is_a_time_out_within_the_time(
    device: Device, bus: Bus, monkeypatch: pytest.MonkeyPatch
) -> None:
    link = open_link(NAME, timeout_s=0.5)
    patience_ms: list[int] = []

    def take_nothing(device: Device, endpoint: int, interface: int, data: object, timeout: int) -> int:
        patience_ms.append(timeout)
        raise timed_out()

    monkeypatch.setattr(bus, "bulk_write", take_nothing)
    with pytest.raises(LinkTimeout):
        link.query("*IDN?")
    assert patience_ms and max(patience_ms) <= 500
    link.close()


def test_a_closed_link_leaves_those_to_other_scopes_open(device: Device, bus: Bus) -> None:
    other = Device(lambda message: answer(message).replace(b"SN0001", b"SN0002"), serial="SN0002", address=6)
    bus.devices.append(other)
    first, second = open_link(NAME), open_link(NAME.replace("SN0001", "SN0002"))
    first.close()
    assert identify(second) == "MAKER,MODEL,SN0002,1.0"
    second.close()


def test_no_other_library_is_looked_for_than_pyvisa_py(bus: Bus) -> None:
    open_link(NAME).close()
    assert str(visa_link.resource_manager().visalib.library_path) == "py"


@pytest.fixture
def many_descriptors() -> Iterator[None]:
    """So many open that the next ones have numbers beyond 1023, where `select` ends."""
    taken = [os.open(os.devnull, os.O_RDONLY)]
    try:
        while taken[-1] < 1024:
            taken.append(os.dup(taken[0]))
        yield
    except OSError as error:
        if error.errno != errno.EMFILE:
            raise
        pytest.skip("this process may not open so many files")
    finally:
        for descriptor in taken:
            os.close(descriptor)


def test_a_raw_socket_works_beyond_descriptor_1023(
    many_descriptors: None, serve: Callable[[Callable[[socket.socket], None]], str]
) -> None:
    def echo(connection: socket.socket) -> None:
        while message := connection.recv(100):
            connection.sendall(message)

    link = open_link(serve(echo))
    assert [link.query(question) for question in ("A?", "B?")] == ["A?", "B?"]
    link.close()
