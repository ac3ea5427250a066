"""The server: its socket, how it begins and ends, and who may reach it."""

import asyncio
import contextlib
import errno
import logging
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Awaitable, Callable, Iterator
from contextlib import AbstractContextManager, nullcontext
from functools import partial
from typing import Any

import uvicorn

from ..drivers.errors import PortTaken, UsageError
from .connections import Connection, Door, is_ours
from .live_connections import LiveConnection

UNREAD_MS = 20_000
"""Connections inherit it: what a client has not taken for so long ends its connection, which closing alone would not."""
WAITING = 128
"""So many connections wait in the system until they are taken."""
TAKEN_AT_ONCE = 16
"""asyncio takes as many as its backlog before anything else has its turn."""
FREE_BIND = {socket.AF_INET: (socket.IPPROTO_IP, 15), socket.AF_INET6: (socket.IPPROTO_IPV6, 78)}
"""IP_FREEBIND and IPV6_FREEBIND of Linux (ip(7), linux/in6.h), which `socket` does not name."""

log = logging.getLogger(__name__)


class Server(uvicorn.Server):
    """uvicorn, which says when it is up and when it begins to end, and whose signals are handled by `ending`."""

    def __init__(
        self, app: object, door: Door, when_up: Callable[[], None], when_ending: Callable[[], None] = lambda: None
    ) -> None:
        super().__init__(
            uvicorn.Config(
                app,  # type: ignore[arg-type]
                http=partial(Connection, door=door),  # type: ignore[arg-type]  # called, as a class would be
                backlog=TAKEN_AT_ONCE,
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,  # whom a proxy speaks for is for access/peer.py to judge
                ws=LiveConnection,
                ws_per_message_deflate=False,
                ws_max_size=65536,
                timeout_graceful_shutdown=3,
            )
        )
        self._when_up = when_up
        self._when_ending = when_ending
        logging.getLogger("uvicorn.error").addFilter(is_ours)

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to serve, then say so."""
        await super().startup(sockets)
        for one in sockets or ():
            one.listen(WAITING)  # asyncio has made it as small as its backlog
        if not self.should_exit:
            self._when_up()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Say that it begins to end, then end."""
        self._when_ending()
        await super().shutdown(sockets)

    def capture_signals(self) -> AbstractContextManager[None]:  # type: ignore[override]
        """Leave the signals alone: the library would raise them again after a clean stop."""
        return nullcontext()


@contextlib.contextmanager
def ending(server: uvicorn.Server) -> Iterator[None]:
    """While this lasts, SIGINT and SIGTERM end the server."""

    def end(number: int, frame: object) -> None:
        server.should_exit = True

    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextlib.contextmanager
def on_hangup(reload: Callable[[], Awaitable[None]], server: uvicorn.Server) -> Iterator[None]:
    """While this lasts SIGHUP reloads; where it says that our terminal was closed, it ends the server. On the running loop.

    Windows has no such signal.
    """
    if not hasattr(signal, "SIGHUP"):
        yield
        return
    loop, reloading = asyncio.get_running_loop(), set[asyncio.Future[None]]()
    ends_with_terminal = _on_terminal() and signal.getsignal(signal.SIGHUP) != signal.SIG_IGN

    def hear() -> None:
        if ends_with_terminal and not _on_terminal():
            server.should_exit = True
            return
        reloading.add(one := asyncio.ensure_future(reload()))
        one.add_done_callback(reloading.discard)

    loop.add_signal_handler(signal.SIGHUP, hear)
    try:
        yield
    finally:
        loop.remove_signal_handler(signal.SIGHUP)


def _on_terminal() -> bool:
    """Whether a terminal is among our standard streams; one that was closed is none any more."""
    return any(os.isatty(stream) for stream in range(3))


def listen(host: str, port: int) -> socket.socket:
    """A socket bound to that address. Raises PortTaken, UsageError."""
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    except OSError as error:
        raise UsageError(f"'{host}' is no address: {error}", where="host", do="use 127.0.0.1") from error
    listening = socket.socket(family, kind, protocol)
    try:
        if os.name == "posix":
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNREAD_MS)
        _bind(listening, address)
        listening.listen(WAITING)
    except OSError as error:
        listening.close()
        raise PortTaken(
            f"cannot listen there: {error.strerror}",
            where=f"{host}:{port}",
            do="end the other program, or use --port 0",
        ) from error
    return listening


def _bind(listening: socket.socket, address: tuple[Any, ...]) -> None:
    """Bind, on Linux also to an address that this computer does not have yet: its network may come up later. Raises OSError."""
    try:
        listening.bind(address)
    except OSError as error:
        if error.errno != errno.EADDRNOTAVAIL or sys.platform != "linux":
            raise
        listening.setsockopt(*FREE_BIND[listening.family], 1)
        listening.bind(address)
        log.warning("%s is no address of this computer yet; it is listened to once it is", address[0])


def hosts_of(port: int) -> frozenset[str]:
    """What a browser of this computer may write in Host to reach us; the address it connects to is right besides."""
    names = ("127.0.0.1", "localhost", "[::1]")
    return frozenset(f"{name}:{port}" for name in names) | (frozenset(names) if port == 80 else frozenset())


def address_up(url: str, browser: bool) -> None:
    """Print the address, the one line on stdout, and open it where a browser can be."""
    print(url, flush=True)
    if browser and (os.name != "posix" or sys.platform == "darwin" or _has_display(os.environ)):
        silent = subprocess.DEVNULL
        subprocess.Popen(
            (sys.executable, "-m", "webbrowser", url),
            stdin=silent,
            stdout=silent,
            stderr=silent,
            start_new_session=True,
        )


def _has_display(environment: "os._Environ[str]") -> bool:
    return bool(environment.get("DISPLAY") or environment.get("WAYLAND_DISPLAY"))
