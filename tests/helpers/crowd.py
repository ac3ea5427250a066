"""Many clients of the live socket in one process, good ones and bad ones, over bare sockets so that they cost little themselves."""

import asyncio
import random
import socket
import struct
from collections.abc import Iterable
from contextlib import suppress
from urllib.parse import urlsplit

HANG_UP_S = 60.0
READING = b'{"type":"reading"'
LENGTHS = {126: ">H", 127: ">Q"}
"""How long a frame is, where its second byte says that this stands behind it."""


def address_of(url: str) -> tuple[str, int]:
    """Host and port."""
    place = urlsplit(url)
    assert place.hostname is not None and place.port is not None
    return place.hostname, place.port


def upgrade_request(url: str) -> bytes:
    """The request that opens a live socket; its key is always the same, which no server minds."""
    place = urlsplit(url)
    return (
        f"GET {place.path} HTTP/1.1\r\nHost: {place.netloc}\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"
        "Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: cGVha3doaXRlIGNyb3dkIQ==\r\n\r\n"
    ).encode()


def masked_frame(opcode: int, payload: bytes) -> bytes:
    """A whole frame as clients send them, masked with zeros."""
    size = len(payload)
    short, long = (
        (size, b"")
        if size < 126
        else (126, struct.pack(">H", size))
        if size < 65536
        else (127, struct.pack(">Q", size))
    )
    return bytes((0x80 | opcode, 0x80 | short)) + long + bytes(4) + payload


class Looker(asyncio.Protocol):
    """A viewer that counts the readings it is sent, and answers pings. `close_code` is the server's, once it has closed."""

    def __init__(self, url: str) -> None:
        self.readings = 0
        self.answers = True
        self.close_code: int | None = None
        self.opened = asyncio.Event()
        self.first = asyncio.Event()
        self.ended = asyncio.Event()
        self._request = upgrade_request(url)
        self._held = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport
        transport.write(self._request)

    def connection_lost(self, error: Exception | None) -> None:
        self.ended.set()

    def data_received(self, data: bytes) -> None:
        self._held += data
        if not self.opened.is_set():
            head, found, rest = self._held.partition(b"\r\n\r\n")
            if not found:
                return
            if b" 101 " not in head.split(b"\r\n")[0]:
                raise ConnectionRefusedError(head[:80])
            self._held = rest
            self.opened.set()
        self._take_frames()

    def _take_frames(self) -> None:
        held, at = self._held, 0
        while len(held) >= at + 2:
            size, start = held[at + 1] & 0x7F, at + 2
            if size in LENGTHS:
                wide = struct.calcsize(LENGTHS[size])
                if len(held) < start + wide:
                    break
                (size,), start = struct.unpack_from(LENGTHS[size], held, start), start + wide
            if len(held) < start + size:
                break
            self._take(held[at] & 0x0F, held[start : start + size])
            at = start + size
        self._held = held[at:]

    def _take(self, opcode: int, payload: bytes) -> None:
        if opcode == 8:
            self.close_code = struct.unpack_from(">H", payload)[0]
            self.transport.close()
        elif opcode == 9 and self.answers:
            self.transport.write(masked_frame(10, payload))
        elif payload.startswith(READING):
            self.readings += 1
            self.first.set()


async def join(url: str, count: int) -> list[Looker]:
    """So many viewers, each with its first reading."""
    loop = asyncio.get_running_loop()
    made = [await loop.create_connection(lambda: Looker(url), *address_of(url)) for _ in range(count)]
    lookers = [looker for _, looker in made]
    await asyncio.gather(*(looker.first.wait() for looker in lookers))
    return lookers


def leave(lookers: Iterable[Looker]) -> None:
    """Hang up, without a word."""
    for looker in lookers:
        looker.transport.abort()


def deaf(url: str, count: int) -> list[socket.socket]:
    """So many that open a live socket and never read; what they are sent fills their buffers, small ones."""
    sockets = []
    for _ in range(count):
        one = socket.socket()
        one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        one.connect(address_of(url))
        one.sendall(upgrade_request(url))
        sockets.append(one)
    return sockets


async def talk_nonsense(url: str, times: int, seed: int, abreast: int = 40) -> int:
    """So many clients, some at a time, that open a live socket and send what no client may. How many were hung up on.

    They do not answer the server's close, so that it has to hang up by itself once it has waited for that.
    """
    chance = random.Random(seed)
    spoken = iter([_nonsense(chance) for _ in range(times)])

    async def one_after_the_other() -> int:
        return sum([await _hung_up(url, nonsense) for nonsense in spoken])

    return sum(await asyncio.gather(*(one_after_the_other() for _ in range(abreast))))


async def _hung_up(url: str, nonsense: bytes) -> bool:
    reader, writer = await asyncio.open_connection(*address_of(url))
    try:
        writer.write(upgrade_request(url))
        await reader.readuntil(b"\r\n\r\n")
        writer.write(nonsense)
        with suppress(ConnectionError):
            async with asyncio.timeout(HANG_UP_S):
                while await reader.read(65536):
                    pass
        return True
    finally:
        writer.close()
        with suppress(ConnectionError):
            await writer.wait_closed()


def _nonsense(chance: random.Random) -> bytes:
    """Frames that are against the protocol, or against what the daemon takes; the last of them is always."""
    kinds = (
        lambda: masked_frame(1, chance.randbytes(chance.randrange(1, 200))),
        lambda: masked_frame(2, chance.randbytes(20)),
        lambda: masked_frame(1, b'{"type":"lines","width":' + b"9" * chance.randrange(1, 4000) + b"}"),
        lambda: masked_frame(1, b"[" * 4000),
        lambda: masked_frame(1, b'{"type":"reading"}'),
        lambda: masked_frame(1, b" " * chance.randrange(4097, 70_000)),
        lambda: bytes((0x8F, 0xFF)) + chance.randbytes(12),
        lambda: bytes((0x01, 0x05)) + b"plain",
    )
    return chance.choice(kinds)() + masked_frame(2, b"end")


async def come_and_go(url: str, times: int, abreast: int = 10) -> None:
    """So many viewers that come, are welcomed and hang up at once, some at a time; every other one without a word."""
    loop = asyncio.get_running_loop()
    waiting = iter(range(times))

    async def one_after_the_other() -> None:
        for number in waiting:
            transport, looker = await loop.create_connection(lambda: Looker(url), *address_of(url))
            await looker.opened.wait()
            if number % 2:
                transport.abort()
            else:
                transport.write(masked_frame(8, struct.pack(">H", 1000)))
                await looker.ended.wait()

    await asyncio.gather(*(one_after_the_other() for _ in range(abreast)))
