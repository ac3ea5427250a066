"""What the network links share: addresses, the one limit for all of them, and bytes that came too early."""

import errno
import socket
import time
import tracemalloc
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from peakwhite.drivers import message_link, socket_link, wire
from peakwhite.drivers.errors import LinkTimeout
from peakwhite.drivers.links import open_link
from peakwhite.drivers.wire import HostAddress, Wire, connected

FOUR = [HostAddress(socket.AF_INET, (f"192.0.2.{last}", 0)) for last in range(1, 5)]


@pytest.fixture
def ends() -> Iterator[tuple[Wire, socket.socket]]:
    """A wire and its other end."""
    ours, theirs = socket.socketpair()
    made = Wire(ours)
    yield made, theirs
    made.close()
    theirs.close()


class Network:
    """Four addresses of which nothing comes back, on a clock of its own; `tried` has the time that each was given."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now_s = 0.0
        self.tried: list[float] = []
        for module in (wire, message_link, socket_link):
            monkeypatch.setattr(module, "time", SimpleNamespace(monotonic=lambda: self.now_s))
        monkeypatch.setattr(wire, "_connected_to", self.connect)

    def connect(self, address: HostAddress, port: int, timeout_s: float) -> Any:
        self.tried.append(timeout_s)
        self.now_s += timeout_s
        raise TimeoutError


@pytest.fixture
def network(monkeypatch: pytest.MonkeyPatch) -> Network:
    return Network(monkeypatch)


@pytest.mark.parametrize(
    ("resource", "limit_s"),
    [
        ("TCPIP0::scope.example::5025::SOCKET", 1.0),
        ("TCPIP0::scope.example,1024::inst0::INSTR", 3.0),
        ("TCPIP0::scope.example::inst0::INSTR", 3.0),
        ("TCPIP0::scope.example::hislip0::INSTR", 5.0),
    ],
)
def test_all_addresses_of_a_host_together_have_the_time_that_is_documented(
    network: Network, monkeypatch: pytest.MonkeyPatch, resource: str, limit_s: float
) -> None:
    found = [(*address[:1], socket.SOCK_STREAM, 6, "", address.place) for address in FOUR]
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: found)
    with pytest.raises(LinkTimeout, match=f" within {limit_s:g} s"):
        open_link(resource)
    assert len(network.tried) == len(FOUR)
    assert sum(network.tried) == pytest.approx(limit_s)


def test_what_a_resolver_takes_is_no_part_of_that_time(network: Network, monkeypatch: pytest.MonkeyPatch) -> None:
    def slowly(*_: object, **__: object) -> list[Any]:
        network.now_s += 20.0
        return [(*FOUR[0][:1], socket.SOCK_STREAM, 6, "", FOUR[0].place)]

    monkeypatch.setattr(socket, "getaddrinfo", slowly)
    with pytest.raises(LinkTimeout):
        open_link("TCPIP0::scope.example::hislip0::INSTR")
    assert network.tried == [5.0]


def test_the_address_that_answers_is_taken_after_one_that_does_not() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        places = [HostAddress(socket.AF_INET, (host, 0)) for host in ("127.0.0.2", "127.0.0.1")]
        made = connected(places, listening.getsockname()[1], time.monotonic() + 5.0)
        assert made.getpeername()[0] == "127.0.0.1"
        made.close()


def test_of_addresses_that_all_fail_the_last_one_s_trouble_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    troubles = iter(
        [TimeoutError(), OSError(errno.ENETUNREACH, "no way"), ConnectionRefusedError(errno.ECONNREFUSED, "no")]
    )

    def refuse(*_: object) -> Any:
        raise next(troubles)

    monkeypatch.setattr(wire, "_connected_to", refuse)
    with pytest.raises(ConnectionRefusedError):
        connected(FOUR[:3], 5025, time.monotonic() + 5.0)


def test_a_deadline_holds_for_bytes_that_have_come_already(ends: tuple[Wire, socket.socket]) -> None:
    ends[0].push_back(memoryview(b"early" * 100))
    with pytest.raises(TimeoutError):
        ends[0].fill(memoryview(bytearray(5)), time.monotonic() - 1.0)


def test_taking_a_little_of_what_came_too_early_copies_no_more_than_that(ends: tuple[Wire, socket.socket]) -> None:
    early = bytes(range(250)) * 4000
    ends[0].push_back(memoryview(early))
    tracemalloc.start()
    try:
        taken = b"".join(ends[0].receive(1000, time.monotonic() + 5.0) for _ in range(3))
        assert tracemalloc.get_traced_memory()[1] < 20_000
    finally:
        tracemalloc.stop()
    assert taken == early[:3000]


def test_bytes_that_came_too_early_come_before_those_that_follow(ends: tuple[Wire, socket.socket]) -> None:
    ends[1].sendall(b"0123456789" + b"abcdefghij")
    head, place = memoryview(bytearray(4)), memoryview(bytearray(100))
    came = ends[0].fill_with_next(head, place, time.monotonic() + 5.0)
    assert (bytes(head), bytes(place[:3])) == (b"0123", b"456")
    ends[0].push_back(place[3:came])
    assert ends[0].receive(13, time.monotonic() + 5.0) == b"789abcdefghij"
