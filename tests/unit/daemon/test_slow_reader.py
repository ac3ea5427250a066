"""Real clients on a real socket that stop reading or vanish: their end is quiet, and nobody else notices."""

import asyncio
import contextlib
import logging
import socket
import time
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import uvicorn
from websockets.asyncio.client import connect

from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.http.app import create_app
from peakwhite.daemon.http.services import Found, Services
from peakwhite.daemon.live import ControlLease, Hub
from peakwhite.daemon.measure.averaged_line import LineView

SEND_DEADLINE_S = 0.3
VIEW = LineView(800)
PAYLOAD = bytes(200_000)


@contextlib.asynccontextmanager
async def served(folder: Path) -> AsyncIterator[tuple[Hub, int]]:
    """The application under its server, as `compose` sets it up, with a short send deadline; hub and port."""

    async def no_scan() -> list[Found]:
        return []

    listening = socket.create_server(("127.0.0.1", 0))
    port: int = listening.getsockname()[1]
    setup = SetupInForce(Setup())
    lease = ControlLease(lambda: 0.0)
    hub = Hub(lease, lambda: setup.current.generation, lambda: 0.0)
    services = Services(
        hub=hub,
        lease=lease,
        setup=setup,
        version="1.2.3",
        run="abcd",
        hosts=frozenset({f"127.0.0.1:{port}"}),
        page=folder,
        scan=no_scan,
        check_hookup=lambda hookup: None,
        trimmers=None,
        now_s=time.monotonic,
        send_deadline_s=SEND_DEADLINE_S,
    )
    config = uvicorn.Config(create_app(services), log_config=None, ws_per_message_deflate=False)
    server = uvicorn.Server(config)
    server.capture_signals = contextlib.nullcontext  # type: ignore[method-assign, assignment]
    serving = asyncio.create_task(server.serve(sockets=[listening]))
    while not server.started:
        await asyncio.sleep(0.01)
    try:
        yield hub, port
    finally:
        server.should_exit = True
        await serving
        listening.close()


async def a_client(port: int) -> socket.socket:
    """A client of the live socket with a small buffer, which reads nothing more."""
    loop = asyncio.get_running_loop()
    client = socket.socket()
    client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    client.setblocking(False)
    await loop.sock_connect(client, ("127.0.0.1", port))
    request = (
        f"GET /api/v1/live HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"
        "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\nSec-WebSocket-Version: 13\r\n\r\n"
    )
    await loop.sock_sendall(client, request.encode())
    answer = b""
    while b"\r\n\r\n" not in answer:
        answer += await loop.sock_recv(client, 256)
    return client


def text_frame(message: bytes) -> bytes:
    """A short message as a client sends it, masked with zeros."""
    return bytes((0x81, 0x80 | len(message))) + bytes(4) + message


async def pour(hub: Hub, viewers: int) -> None:
    """Hand out large frames until so many viewers are left."""
    while len(hub._viewers) != viewers or hub.views_wanted:
        hub.publish_lines(VIEW, PAYLOAD)
        await asyncio.sleep(0.01)


@pytest.mark.parametrize("ends_itself", [False, True])
def test_the_end_of_a_client_that_stops_reading_is_quiet_and_the_others_go_on(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, ends_itself: bool
) -> None:
    async def scenario() -> None:
        async with served(tmp_path) as (hub, port), connect(f"ws://127.0.0.1:{port}/api/v1/live") as other:
            slow = await a_client(port)
            slow.sendall(text_frame(b'{"type":"lines","width":800}'))
            while not hub.views_wanted:
                await asyncio.sleep(0.01)
            pouring = asyncio.create_task(pour(hub, viewers=1))
            if ends_itself:
                await asyncio.sleep(SEND_DEADLINE_S / 2)
                slow.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
                slow.close()
            await asyncio.wait_for(pouring, 20.0)
            hub.tell_status()
            await asyncio.wait_for(other.recv(), 5.0)
            while [task for task in asyncio.all_tasks() if "run_asgi" in repr(task)][
                1:
            ]:  # of the slow one, beside the other's
                await asyncio.sleep(0.01)
            slow.close()

    with caplog.at_level(logging.INFO):
        asyncio.run(scenario())
    assert [record.getMessage() for record in caplog.records if record.levelno >= logging.ERROR] == []


def test_a_client_that_sends_nonsense_and_vanishes_ends_quietly(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async def scenario() -> None:
        async with served(tmp_path) as (hub, port):
            client = await a_client(port)
            client.sendall(text_frame(b"nonsense"))
            client.close()
            while hub._viewers or [task for task in asyncio.all_tasks() if "run_asgi" in repr(task)]:
                await asyncio.sleep(0.01)

    with caplog.at_level(logging.INFO):
        asyncio.run(scenario())
    assert [record.getMessage() for record in caplog.records if record.levelno >= logging.ERROR] == []
