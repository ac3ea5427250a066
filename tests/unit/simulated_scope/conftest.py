"""A simulated scope as a child process, and clients for its two ports."""

import json
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any

import pytest


class Client:
    """A line-and-block client over a plain socket."""

    def __init__(self, port: int, timeout_s: float = 30.0) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), timeout_s)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._stream = self.socket.makefile("rb")

    def write(self, message: str) -> None:
        self.socket.sendall(message.encode() + b"\n")

    def line(self) -> str:
        return self._stream.readline().decode("latin-1").rstrip("\n")

    def ask(self, message: str) -> str:
        self.write(message)
        return self.line()

    def rest(self) -> bytes:
        """All until the other side closes."""
        return self._stream.read()

    def exactly(self, count: int) -> bytes:
        return self._stream.read(count)

    def block(self, message: str) -> bytes:
        """The data of a definite-length block, read by its header alone."""
        self.write(message)
        assert self._stream.read(1) == b"#"
        digits = int(self._stream.read(1))
        data = self._stream.read(int(self._stream.read(digits)))
        assert self._stream.read(1) == b"\n"
        return data

    def close(self) -> None:
        self._stream.close()
        self.socket.close()


class ScopeProcess:
    """A running simulated scope."""

    def __init__(self, *options: str) -> None:
        command = [sys.executable, "-m", "peakwhite.simulated_scope", "--seed", "1", *options]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        assert self.process.stdout is not None
        self.first_line = self.process.stdout.readline().decode()
        contract = json.loads(self.first_line)
        self.scpi_port = int(contract["scpi"].split("::")[2])
        self.control_port = int(contract["control"])
        self._clients = ExitStack()
        self._errors, self._errors_read = "", False
        self._control = self.client(self.control_port)

    def client(self, port: int | None = None, timeout_s: float = 30.0) -> Client:
        client = Client(self.scpi_port if port is None else port, timeout_s)
        self._clients.callback(client.close)
        return client

    def control(self, request: object) -> dict[str, Any]:
        answer: dict[str, Any] = json.loads(self._control.ask(json.dumps(request)))
        return answer

    def end(self) -> tuple[int, str]:
        """Closes standard input and all clients; exit status and standard error, again when asked again."""
        if not self._errors_read:
            _, errors = self.process.communicate(timeout=30)
            self._errors, self._errors_read = errors.decode(), True
        self._clients.close()
        return self.process.returncode, self._errors


@pytest.fixture(scope="module")
def start_scope() -> Iterator[Callable[..., ScopeProcess]]:
    """Starts scopes that end with the module; one that printed a traceback fails."""
    started: list[ScopeProcess] = []

    def start(*options: str) -> ScopeProcess:
        started.append(ScopeProcess(*options))
        return started[-1]

    yield start
    assert [scope.end() for scope in started] == [(0, "")] * len(started)
