"""A device that connects and says nothing, again and again: a whole daemon with few descriptors, beyond loopback."""

import resource
import socket
from contextlib import ExitStack
from typing import Any
from urllib.request import urlopen

import pytest

from bench_network import own_address, state_of

FLOOD = 240


def ended(connection: socket.socket) -> bool:
    """Whether the daemon has closed it, within the time-out of the socket."""
    try:
        return connection.recv(1) == b""
    except ConnectionResetError:
        return True
    except TimeoutError:
        return False


@pytest.mark.skipif(own_address() is None, reason="this machine has no address beyond loopback")
def test_a_silent_flood_shuts_nobody_out(children: Any) -> None:
    state_of(children.folder).add("phone", "operator")
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (200, hard))  # the child inherits it
    try:
        daemon = children.daemon("serve", "--host", "0.0.0.0")
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))

    def healthy() -> bool:
        with urlopen(f"http://127.0.0.1:{daemon.port}/healthz", timeout=30) as answer:
            return bool(answer.status == 200)

    with ExitStack() as stack:
        flood = [stack.enter_context(socket.create_connection((own_address(), daemon.port), 30)) for _ in range(FLOOD)]
        assert healthy()
        for one in flood[64:]:
            assert ended(one)
        for one in flood[:64]:
            assert ended(one)  # they have 10 s, from when they came
        stack.enter_context(again := socket.create_connection((own_address(), daemon.port), 30))
        again.sendall(f"GET /healthz HTTP/1.1\r\nHost: {own_address()}:{daemon.port}\r\n\r\n".encode())
        assert again.recv(64).startswith(b"HTTP/1.1 200 ")
    told = daemon.child.stderr
    assert told.count("what comes beyond is closed at once") == 1
    assert "Traceback" not in told and "out of system resource" not in told
