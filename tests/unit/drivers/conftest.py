"""Small servers and a scripted link that the driver tests speak to."""

import socket
import threading
from collections.abc import Callable, Iterator, Sequence

import pytest

from peakwhite.drivers.links import Link

Handler = Callable[[socket.socket], None]
Pairs = Sequence[tuple[str, str | bytes | None]]


class LoopbackServer:
    """Listens on loopback and hands every connection to a handler of its own thread."""

    def __init__(self, handler: Handler) -> None:
        self._handler = handler
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._accepted: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept)]
        self._threads[0].start()
        self.resource = f"TCPIP0::127.0.0.1::{self._listening.getsockname()[1]}::SOCKET"

    def close(self) -> None:
        for endpoint in [self._listening, *self._accepted]:
            try:
                endpoint.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass  # it has gone already
            endpoint.close()
        for thread in self._threads:
            thread.join(30.0)
            assert not thread.is_alive()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listening.accept()
            except OSError:
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._accepted.append(connection)
            self._threads.append(threading.Thread(target=self._handle, args=(connection,)))
            self._threads[-1].start()

    def _handle(self, connection: socket.socket) -> None:
        with connection:
            try:
                self._handler(connection)
            except OSError:
                pass  # the other side went away, as some tests have it do


@pytest.fixture
def serve() -> Iterator[Callable[[Handler], str]]:
    """Start a server on loopback with that handler; gives the resource string of its raw socket."""
    servers: list[LoopbackServer] = []

    def start(handler: Handler) -> str:
        servers.append(LoopbackServer(handler))
        return servers[-1].resource

    yield start
    for server in servers:
        server.close()


class ScriptedLink:
    """A link that expects exactly these messages in this order and gives these answers (None: a write)."""

    def __init__(self, pairs: Pairs) -> None:
        self.resource = "script"
        self.dirty = False
        self.left = list(pairs)

    def _next(self, command: str) -> str | bytes | None:
        assert self.left, f"nothing was expected after the script, yet {command!r} came"
        expected, answer = self.left.pop(0)
        assert command == expected
        return answer

    def write(self, command: str) -> None:
        assert self._next(command) is None

    def query(self, command: str) -> str:
        answer = self._next(command)
        assert isinstance(answer, str)
        return answer

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        answer = self._next(command)
        assert isinstance(answer, bytes)
        assert len(answer) <= limit_bytes
        return memoryview(answer)

    def clear(self) -> None:
        raise AssertionError("no driver clears its link")

    def close(self) -> None:
        raise AssertionError("no driver closes its link")


@pytest.fixture
def script() -> Iterator[Callable[[Pairs], Link]]:
    """Make a scripted link; at the end of the test nothing of its script may be left over."""
    links: list[ScriptedLink] = []

    def make(pairs: Pairs) -> Link:
        links.append(ScriptedLink(pairs))
        return links[-1]

    yield make
    for link in links:
        assert link.left == []
