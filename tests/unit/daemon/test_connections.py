"""How many connections are taken and how long they may take, at a server of ours over real sockets."""

import asyncio
import logging
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

import pytest
from starlette.types import Receive, Scope, Send

from bench_network import own_address
from crowd import masked_frame
from peakwhite.daemon.connections import MOST, Door, most_connections
from peakwhite.daemon.counting import ConnectionTally
from peakwhite.daemon.http.body import WholeBody
from peakwhite.daemon.serving import Server, listen

HEAD = b"GET / HTTP/1.1\r\nHost: x\r\n\r\n"
POST = b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 20\r\n\r\n"
UPGRADE = (
    b"GET / HTTP/1.1\r\nHost: x\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"
    b"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: cGVha3doaXRlIGNyb3dkIQ==\r\n"
)


async def application(scope: Scope, receive: Receive, send: Send) -> None:
    """Says hello; a GET before anything is read, a live socket until its client leaves."""
    if scope["type"] == "websocket":
        await send({"type": "websocket.accept"})
        while (await receive())["type"] != "websocket.disconnect":
            pass
    elif scope["type"] == "http" and scope["path"] == "/closed":
        await send({"type": "http.response.start", "status": 401, "headers": [(b"content-length", b"0")]})
        await send({"type": "http.response.body", "body": b""})
    elif scope["type"] == "http":
        await WholeBody(hello)(scope, receive, send)


async def hello(scope: Scope, receive: Receive, send: Send) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"5")]})
    await send({"type": "http.response.body", "body": b"hello"})


class Client:
    """One connection to the server."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    async def until(self, text: bytes) -> None:
        await asyncio.wait_for(self.reader.readuntil(text), 20)

    async def hung_up(self) -> bytes:
        """What comes until the server hangs up."""
        try:
            return await asyncio.wait_for(self.reader.read(), 20)
        except ConnectionResetError:
            return b""


Connect = Callable[[bytes], Awaitable[Client]]


@asynccontextmanager
async def served(door: Door, host: str = "127.0.0.1") -> AsyncIterator[Connect]:
    """A server with that door; gives what connects to it and says something. Everything is closed in the end."""
    up = asyncio.Event()
    clients: list[Client] = []
    server = Server(application, door, up.set)
    with listen(host, 0) as listening:
        address = listening.getsockname()
        serving = asyncio.create_task(server.serve(sockets=[listening]))
        await up.wait()

        async def connected(said: bytes) -> Client:
            client = Client(*await asyncio.open_connection(*address))
            clients.append(client)
            client.writer.write(said)
            return client

        try:
            yield connected
        finally:
            for client in clients:
                client.writer.transport.abort()
            server.should_exit = True
            await serving


def a_door(most: int = 500, most_of_one: int = 500, say_by_s: float = 60.0, quiet_s: float = 60.0) -> Door:
    return Door(ConnectionTally(), most=most, most_of_one=most_of_one, say_by_s=say_by_s, quiet_s=quiet_s)


@pytest.mark.parametrize(
    "said", [b"", b"GET / HT", HEAD + b"GET", POST + b"half a body", POST.replace(b"/ ", b"/closed ") + b"half"]
)
def test_a_client_that_does_not_say_what_it_wants_is_hung_up_on(said: bytes) -> None:
    async def run() -> None:
        door = a_door(say_by_s=0.2)
        async with served(door) as connected:
            client = await connected(said)
            if b"closed" in said:
                await client.until(b"401")
                client.writer.write(b"b")  # uvicorn's own limit, of connections that are kept, ends with this
            await client.hung_up()
        assert door.tally.refused == {"too-many": 0, "too-late": 1, "invalid": 0}

    asyncio.run(run())


def test_bytes_that_drip_win_no_time() -> None:
    async def run() -> None:
        async with served(a_door(say_by_s=0.3)) as connected:
            client = await connected(b"GET / HTTP/1.1\r\n")
            ended = asyncio.ensure_future(client.hung_up())
            while not ended.done():
                client.writer.write(b"a: b\r\n")
                await asyncio.wait((ended,), timeout=0.02)

    asyncio.run(run())


def test_a_live_socket_may_be_silent_as_long_as_it_likes() -> None:
    async def run() -> None:
        door = a_door(say_by_s=1.0)
        async with served(door) as connected:
            silent, live = await connected(b""), await connected(UPGRADE + b"\r\n")
            await live.until(b"\r\n\r\n")
            await silent.hung_up()  # came first, so the other's time would be over soon after
            again = await connected(b"")
            await again.hung_up()
            live.writer.write(masked_frame(9, b"there?"))
            await live.until(b"there?")

    asyncio.run(run())


def test_what_comes_beyond_the_limit_is_closed_at_once_and_the_log_has_two_lines_of_it(
    caplog: pytest.LogCaptureFixture,
) -> None:
    async def run() -> None:
        door = a_door(most=3, quiet_s=1.0)
        async with served(door) as connected:
            kept = [await connected(HEAD[:-2]) for _ in range(3)]
            for _ in range(50):
                assert await (await connected(HEAD)).hung_up() == b""
            assert door.tally.refused == {"too-many": 50, "too-late": 0, "invalid": 0}
            for one in kept:
                one.writer.write(b"\r\n")
                await one.until(b"hello")
            kept[0].writer.close()
            await kept[0].writer.wait_closed()
            while (
                b"hello"
                not in await (await connected(HEAD.replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n"))).hung_up()
            ):
                pass
            while len(caplog.messages) < 2:
                await asyncio.sleep(0.02)

    with caplog.at_level(logging.WARNING):
        asyncio.run(run())
    first, last = caplog.messages
    assert first == "3 connections are open, what comes beyond is closed at once"
    assert last.startswith("no connection was closed for 1 s, before that 5")


@pytest.mark.skipif(own_address() is None, reason="this machine has no address beyond loopback")
def test_one_device_cannot_take_the_place_of_the_others() -> None:
    async def run() -> None:
        door = a_door(most_of_one=4)
        async with served(door, "0.0.0.0") as connected:
            here = [await connected(UPGRADE + b"\r\n") for _ in range(8)]
            for one in here:
                await one.until(b"\r\n\r\n")
        async with served(door, str(own_address())) as connected:
            live = [await connected(UPGRADE + b"\r\n") for _ in range(4)]
            for one in live:
                await one.until(b"\r\n\r\n")
            assert await (await connected(HEAD)).hung_up() == b""
        assert door.tally.refused == {"too-many": 1, "too-late": 0, "invalid": 0}

    asyncio.run(run())


def test_an_ipv6_network_counts_as_one_device() -> None:
    class Other:
        def __init__(self, host: str) -> None:
            self.client: tuple[str, int] | None = (host, 1)

    async def run() -> None:
        others = [Other(f"2001:db8::{number}") for number in range(4)]
        door = a_door(most_of_one=3)
        assert not door.takes(("2001:db8::3", 1), others)
        assert door.takes(("2001:db8:0:1::3", 1), others)
        assert door.takes(("::1", 1), others + [Other("::1") for _ in range(4)])

    asyncio.run(run())


def test_half_of_the_descriptors_is_left_for_all_else() -> None:
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    try:
        resource.setrlimit(resource.RLIMIT_NOFILE, (200, hard))
        assert most_connections() == 100
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    assert most_connections() <= MOST


@pytest.mark.parametrize(
    ("said", "frame"),
    [
        (b"\x16\x03\x01 this is no HTTP\r\n\r\n", b""),
        (HEAD + b"nonsense\r\n\r\n", b""),
        (
            POST.replace(b"/ ", b"/closed ").replace(b"Content-Length: 20", b"Transfer-Encoding: chunked") + b"zz\r\n",
            b"",
        ),
        (HEAD[:-2] + b"Connection: close, upgrade\r\nUpgrade: h2c\r\n\r\n", b""),
        (UPGRADE + b"a: b\r\n" * 200 + b"\r\n", b""),
        (UPGRADE + b"a: " + b"b" * 9000 + b"\r\n\r\n", b""),
        (UPGRADE.replace(b"Version: 13", b"Version: 12") + b"\r\n", b""),
        (UPGRADE + b"\r\n", masked_frame(1, b"\xff\xfe")),
        (UPGRADE + b"\r\n", masked_frame(3, b"")),
    ],
)
def test_nothing_that_a_client_does_wrong_writes_a_line_of_the_log(
    said: bytes, frame: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    async def run() -> None:
        async with served(a_door()) as connected:
            client = await connected(said)
            if frame:
                await client.until(b"\r\n\r\n")
                client.writer.write(frame)
            await client.hung_up()

    with caplog.at_level(logging.WARNING):
        asyncio.run(run())
    assert caplog.messages == []


def test_what_is_no_http_is_counted() -> None:
    async def run() -> None:
        door = a_door()
        async with served(door) as connected:
            assert (await (await connected(b"nonsense\r\n\r\n")).hung_up()).startswith(b"HTTP/1.1 400 ")
        assert door.tally.refused == {"too-many": 0, "too-late": 0, "invalid": 1}

    asyncio.run(run())


def test_the_system_keeps_more_connections_waiting_than_are_taken_at_once() -> None:
    """Or a page that everybody opens again at once, after the daemon began anew, takes a second for some."""

    async def run() -> None:
        async with served(a_door()) as connected:
            first = await connected(HEAD)
            host, port = first.writer.get_extra_info("peername")
            sockets = [socket.socket() for _ in range(100)]
            for one in sockets:
                one.settimeout(0.5)  # a connection for which there is no room is tried again after a second
                one.connect((host, port))  # the loop has no turn meanwhile, so none is taken
                one.close()
            await first.until(b"hello")

    asyncio.run(run())
