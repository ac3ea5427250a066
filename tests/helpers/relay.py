"""A relay between clients and a server, that can fall silent: connections stay, and nothing comes through any more."""

import socket
import threading
from contextlib import suppress
from types import TracebackType
from typing import Self


class Relay:
    """Listens on loopback, at `port`, and passes everything on until `speaks` is cleared."""

    def __init__(self, host: str, port: int) -> None:
        self._server = host, port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.speaks = threading.Event()
        self.speaks.set()
        self._lines: list[socket.socket] = [self._listener]
        self._threads: list[threading.Thread] = []
        self._start(self._accept)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.speaks.set()
        for line in self._lines:
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join()
        for line in self._lines:
            line.close()

    def _start(self, *call: "object") -> None:
        target, *arguments = call
        assert callable(target)
        thread = threading.Thread(target=target, args=arguments)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                server = socket.create_connection(self._server)
                self._lines += [client, server]
                self._start(self._pass_on, client, server)
                self._start(self._pass_on, server, client)

    def _pass_on(self, source: socket.socket, target: socket.socket) -> None:
        with suppress(OSError):
            while content := source.recv(1 << 16):
                self.speaks.wait()
                target.sendall(content)
        with suppress(OSError):
            target.shutdown(socket.SHUT_WR)
