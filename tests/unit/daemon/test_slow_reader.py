"""Real clients on a real socket that stop reading or vanish: their end is quiet, and nobody else notices."""

import asyncio
import contextlib
import logging
import socket
import struct
import time
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from websockets.asyncio.client import connect

from crowd import masked_frame, upgrade_request
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.connections import Door
from peakwhite.daemon.http.app import create_app
from peakwhite.daemon.http.services import Found, Services
from peakwhite.daemon.live import ControlLease, Hub
from peakwhite.daemon.live.frames import mark_frame
from peakwhite.daemon.measure.averaged_line import LineView
from peakwhite.daemon.serving import Server

SEND_DEADLINE_S = 1.5
"""Long enough for a client that does read, on a machine that does other things too."""
VIEW = LineView(800)
PAYLOAD = bytes(4_000_000)
"""More than the system takes for a client that does not read."""
TEXT, CLOSE, PING, PONG = 1, 8, 9, 10


@contextlib.asynccontextmanager
async def served(folder: Path, send_deadline_s: float = SEND_DEADLINE_S) -> AsyncIterator[tuple[Hub, int]]:
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
        send_deadline_s=send_deadline_s,
    )
    server = Server(create_app(services), Door(services.tallies.connections), lambda: None)
    serving = asyncio.create_task(server.serve(sockets=[listening]))
    while not server.started:
        await asyncio.sleep(0.01)
    try:
        yield hub, port
    finally:
        server.should_exit = True
        await serving
        listening.close()


class Client:
    """A client of the live socket, which reads a frame when it is asked to and answers no ping unasked."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.link = socket.socket()
        self.link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        self.link.setblocking(False)

    async def join(self) -> "Client":
        loop = asyncio.get_running_loop()
        await loop.sock_connect(self.link, ("127.0.0.1", self.port))
        await loop.sock_sendall(self.link, upgrade_request(f"ws://127.0.0.1:{self.port}/api/v1/live"))
        while not (await self._exactly(1) == b"\n" and await self._exactly(2) == b"\r\n"):
            pass
        return self

    async def frame(self) -> tuple[int, bytes]:
        """The next frame: what kind it is, and what it says."""
        kind, size = await self._exactly(2)
        if size == 126:
            (size,) = struct.unpack(">H", await self._exactly(2))
        return kind & 0x0F, await self._exactly(size)

    async def answer(self) -> bytes:
        """Read to the next ping and answer it; the frame before it."""
        said = b""
        while (frame := await self.frame())[0] != PING:
            said = frame[1]
        self.link.sendall(masked_frame(PONG, frame[1]))
        return said

    async def rest(self) -> int:
        """How many bytes come until the daemon hangs up."""
        count = 0
        while piece := await asyncio.wait_for(asyncio.get_running_loop().sock_recv(self.link, 65536), 20.0):
            count += len(piece)
        return count

    async def _exactly(self, size: int) -> bytes:
        got = b""
        while len(got) < size:
            piece = await asyncio.wait_for(asyncio.get_running_loop().sock_recv(self.link, size - len(got)), 20.0)
            assert piece, "hung up"
            got += piece
        return got


async def pour(hub: Hub, viewers: int) -> None:
    """Hand out large frames until so many viewers are left."""
    while len(hub._viewers) != viewers or hub.views_wanted:
        hub.publish_lines(VIEW, PAYLOAD)
        await asyncio.sleep(0.01)


def test_who_reads_nothing_finds_the_newest_only(tmp_path: Path) -> None:
    async def scenario() -> None:
        async with served(tmp_path, send_deadline_s=60.0) as (hub, port):
            client = await Client(port).join()
            while not hub.tally.joined:
                await asyncio.sleep(0.01)
            for mark in range(1, 51):
                await asyncio.sleep(0.002)  # the sender has every chance
                hub.tell_mark(mark)
            assert hub.tally.dropped["mark"] == hub.tally.dropped_of[0] == 49
            assert b'"hello"' in await client.answer()
            assert b'"status"' in await client.answer()
            assert (await client.frame())[1] == mark_frame(50).encode()
            client.link.close()

    asyncio.run(scenario())


def test_who_answers_in_time_misses_nothing(tmp_path: Path) -> None:
    async def scenario() -> None:
        async with served(tmp_path) as (hub, port), connect(f"ws://127.0.0.1:{port}/api/v1/live") as reader:
            for mark in range(1, 51):
                hub.tell_mark(mark)
                while await reader.recv() != mark_frame(mark):
                    pass
            assert hub.tally.dropped["mark"] == 0

    asyncio.run(scenario())


def test_who_never_reads_is_told_so_and_counted_as_too_slow_after_the_deadline(tmp_path: Path) -> None:
    async def scenario() -> None:
        async with served(tmp_path) as (hub, port):
            began_s = time.monotonic()
            client = await Client(port).join()
            while not hub.tally.goodbyes["too-slow"]:
                assert not hub.tally.goodbyes["left"]
                await asyncio.sleep(0.01)
            assert time.monotonic() - began_s >= SEND_DEADLINE_S / 2
            await client.answer()
            kind, said = await client.frame()
            assert (kind, struct.unpack(">H", said[:2])) == (CLOSE, (1013,))
            client.link.close()

    asyncio.run(scenario())


@pytest.mark.parametrize("ends_itself", [False, True])
def test_the_end_of_a_client_that_stops_reading_is_quiet_and_the_others_go_on(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, ends_itself: bool
) -> None:
    async def scenario() -> None:
        async with served(tmp_path) as (hub, port), connect(f"ws://127.0.0.1:{port}/api/v1/live") as other:
            client = await Client(port).join()
            slow = client.link
            slow.sendall(masked_frame(TEXT, b'{"type":"lines","width":800}'))
            while not hub.views_wanted:
                await asyncio.sleep(0.01)
            hub.publish_lines(VIEW, PAYLOAD)
            await client.answer()  # hello
            await client.answer()  # status; what comes now is more than the system takes
            pouring = asyncio.create_task(pour(hub, viewers=1))
            if ends_itself:
                await asyncio.sleep(SEND_DEADLINE_S / 2)
                slow.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
                slow.close()
            await asyncio.wait_for(pouring, 20.0)
            hub.tell_status()
            await asyncio.wait_for(other.recv(), 20.0)
            while [task for task in asyncio.all_tasks() if "run_asgi" in repr(task)][
                1:
            ]:  # of the slow one, beside the other's
                await asyncio.sleep(0.01)
            if not ends_itself:
                assert await client.rest() < len(PAYLOAD)
            slow.close()

    with caplog.at_level(logging.INFO):
        asyncio.run(scenario())
    assert [record.getMessage() for record in caplog.records if record.levelno >= logging.ERROR] == []


def test_a_client_that_sends_nonsense_and_vanishes_ends_quietly(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async def scenario() -> None:
        async with served(tmp_path) as (hub, port):
            client = await Client(port).join()
            client.link.sendall(masked_frame(TEXT, b"nonsense"))
            client.link.close()
            while hub._viewers or [task for task in asyncio.all_tasks() if "run_asgi" in repr(task)]:
                await asyncio.sleep(0.01)

    with caplog.at_level(logging.INFO):
        asyncio.run(scenario())
    assert [record.getMessage() for record in caplog.records if record.levelno >= logging.ERROR] == []
