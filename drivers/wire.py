"""A TCP connection on which every wait has a deadline, and on which the other side's end is noticed at once."""

import math
import socket
import time
from collections.abc import Sequence
from typing import Any, NamedTuple

from .errors import InstrumentError

KEEPALIVE_S = 60
"""Idle connections show a sign of life this often: some instruments and routers drop those that do not after minutes."""
PATIENCE_GRAIN_S = 0.02
"""The time-out of the socket is set anew only when it is so far from what is left: a call to the system each."""

WRITE_ASCII = "write it with letters, digits and signs of ASCII"


class HostAddress(NamedTuple):
    """One of a host's addresses: its family, and what `socket.connect` takes, with any port."""

    family: int
    place: tuple[Any, ...]


def looked_up(host: str) -> tuple[HostAddress, ...]:
    """The addresses of a host, at least one. Raises OSError, UnicodeError.

    A name is looked up by the system's resolver, which takes the time that its own settings give it (5 to 30 s where no name
    server answers): no call of it can be ended from outside, so that no limit of ours holds for it, nor counts its time.
    Who waits for the thread that is in it waits no longer than he wants to, as `Acquisition.stop` does: nothing is open
    then that would have to be given back. An address in digits takes no time.
    """
    found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
    return tuple(HostAddress(family, place) for family, _, _, _, place in found)


def connected(host: Sequence[HostAddress], port: int, deadline_s: float) -> socket.socket:
    """A connected socket that sends at once what it is given. Raises TimeoutError, OSError.

    The first address that takes the connection is it; each is given an equal part of what is left of the time.
    """
    trouble: OSError = TimeoutError()
    for tried, address in enumerate(host):
        try:
            return _connected_to(address, port, _left_s(deadline_s) / (len(host) - tried))
        except OSError as error:
            trouble = error
    raise trouble


def _connected_to(address: HostAddress, port: int, timeout_s: float) -> socket.socket:
    connection = socket.socket(address.family, socket.SOCK_STREAM)
    try:
        connection.settimeout(timeout_s)
        connection.connect((address.place[0], port, *address.place[2:]))
    except BaseException:
        connection.close()
        raise
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    if hasattr(socket, "TCP_KEEPIDLE"):
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, KEEPALIVE_S)
    return connection


class Wire:
    """A stream of bytes; `deadline_s` is on the clock of `time.monotonic`. All methods raise TimeoutError, OSError."""

    def __init__(self, connection: socket.socket) -> None:
        self._socket = connection
        self._patience_s = math.inf
        self._ahead = memoryview(b"")

    def send(self, data: bytes, deadline_s: float) -> None:
        self._wait_no_longer_than(deadline_s)
        self._socket.sendall(data)

    def fill(self, place: memoryview, deadline_s: float) -> None:
        """Receive exactly as many bytes as `place` has."""
        while place:
            self._wait_no_longer_than(deadline_s)
            count = self._come_too_early(place) or self._socket.recv_into(place)
            if count == 0:
                raise ConnectionResetError("the other side closed it")
            place = place[count:]

    def fill_with_next(self, head: memoryview, place: memoryview, deadline_s: float) -> int:
        """Fill `head`, and with the same call to the system as much of `place` as has come; how much that is.

        What of it is not meant for `place` is to be given back by `push_back`.
        """
        if self._ahead or not hasattr(self._socket, "recvmsg_into"):
            self.fill(head, deadline_s)
            return 0
        self._wait_no_longer_than(deadline_s)
        count = self._socket.recvmsg_into([head, place])[0]
        if count == 0:
            raise ConnectionResetError("the other side closed it")
        if count < len(head):
            self.fill(head[count:], deadline_s)
            return 0
        return count - len(head)

    def push_back(self, data: memoryview) -> None:
        """Bytes that came too early, of the last `fill_with_next`: they are received next, each copied once."""
        if data:
            self._ahead = memoryview(bytes(data))

    def _come_too_early(self, place: memoryview) -> int:
        first, self._ahead = self._ahead[: len(place)], self._ahead[len(place) :]
        place[: len(first)] = first
        return len(first)

    def receive(self, count: int, deadline_s: float) -> bytes:
        """Exactly so many bytes; `count` is one of ours, never one that the other side announced."""
        received = bytearray(count)
        self.fill(memoryview(received), deadline_s)
        return bytes(received)

    def discard(self, count: int, deadline_s: float) -> None:
        """Receive so many bytes and forget them."""
        scratch = memoryview(bytearray(min(count, 1 << 16)))
        while count > 0:
            part = scratch[: min(count, len(scratch))]
            self.fill(part, deadline_s)
            count -= len(part)

    def finish(self, deadline_s: float) -> None:
        """Say that nothing more will be sent, and discard what comes until the other side closes too."""
        self._socket.shutdown(socket.SHUT_WR)
        while True:
            self._wait_no_longer_than(deadline_s)
            if not self._socket.recv(1 << 16):
                return

    def close(self) -> None:
        self._socket.close()

    def _wait_no_longer_than(self, deadline_s: float) -> None:
        left_s = _left_s(deadline_s)
        if abs(left_s - self._patience_s) > PATIENCE_GRAIN_S:
            self._socket.settimeout(left_s)
            self._patience_s = left_s


def _left_s(deadline_s: float) -> float:
    left_s = deadline_s - time.monotonic()
    if left_s <= 0.0:
        raise TimeoutError
    return left_s


def message_of(command: str, *, where: str) -> bytes:
    """A command as it goes out. Raises InstrumentError where it is not ASCII, all that program messages are made of."""
    if not command.isascii():
        raise InstrumentError(f"a command that is not ASCII ({command[:40]!a})", where=where, do=WRITE_ASCII)
    return command.encode("ascii") + b"\n"


def reason(error: BaseException) -> str:
    """What an error of the system says, in a few words."""
    said = (error.strerror if isinstance(error, OSError) else None) or str(error) or type(error).__name__
    return said.strip().partition("\n")[0][:120].rstrip(".")
