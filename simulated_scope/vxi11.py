"""VXI-11: SCPI messages in remote procedure calls (VXI-11 revision 1.0; the calls are RFC 5531, their coding RFC 4506).

The core channel alone, reached by its port: a port mapper would need port 111, abort and interrupt channels nobody here
asks for. Locks are refused as unsupported.
"""

import asyncio
import contextlib
import struct
from collections.abc import Awaitable, Callable
from itertools import count

from .face import Face
from .transport import LINE_LIMIT, Listener, pieces

CORE_PROGRAM, CORE_VERSION = 0x0607AF, 1
RECORD_LIMIT_BYTES = LINE_LIMIT + 1024
LINK_LIMIT = 16
"""Links at once, as small instruments have them."""
DEVICE = b"inst0"

NO_ACCESS, NO_SUCH_LINK, UNSUPPORTED, NO_RESOURCES, TIMED_OUT = 3, 4, 8, 9, 15
"""Errors of table B.2."""
END_FLAG, TERMINATOR_FLAG = 8, 128
"""Operation flags: the message ends here, a read ends at the termination character."""
COUNT_REACHED, TERMINATOR_CAME, MESSAGE_ENDS = 1, 2, 4
"""Why a read ended."""


class _Link:
    """One link: messages are carried out one after the other, answers wait to be read."""

    def __init__(self, face: Face, drop: Callable[[], None]) -> None:
        self._face = face
        self._drop = drop
        self._incoming = bytearray()
        self.clear_at_once()

    def clear_at_once(self) -> None:
        self._incoming.clear()
        self._messages: asyncio.Queue[bytes] = asyncio.Queue()
        self._outgoing, self._whole, self._came = bytearray(), False, asyncio.Event()
        self._worker = asyncio.create_task(self._carry_out())

    async def end(self) -> None:
        """Gives up what is under way."""
        self._worker.cancel()
        await asyncio.gather(self._worker, return_exceptions=True)

    def write(self, data: bytes, ends: bool) -> None:
        self._incoming += data
        if ends:
            self._messages.put_nowait(bytes(self._incoming))
            self._incoming.clear()

    async def read(self, size: int, wait_s: float, terminator: int | None) -> tuple[int, int, bytes]:
        """Error, reason of the end, data."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                while True:
                    end = self._outgoing.find(terminator, 0, size) + 1 if terminator is not None else 0
                    if end or self._whole or len(self._outgoing) >= size:
                        return 0, *self._taken(end or size, bool(end), size)
                    self._came.clear()
                    await self._came.wait()
        return TIMED_OUT, 0, b""

    def _taken(self, upto: int, terminated: bool, size: int) -> tuple[int, bytes]:
        data = bytes(self._outgoing[:upto])
        del self._outgoing[:upto]
        ends = self._whole and not self._outgoing
        self._whole = self._whole and not ends
        counted = COUNT_REACHED if len(data) == size else 0
        return counted | (TERMINATOR_CAME if terminated else 0) | (MESSAGE_ENDS if ends else 0), data

    async def _carry_out(self) -> None:
        while True:
            message = await self._messages.get()
            self._face.lock_panel()
            if self._outgoing:
                self._face.status.report(-410, "Query INTERRUPTED")
                self._outgoing.clear()
            self._whole = False
            try:
                async for piece, last in pieces(self._face, message):
                    self._outgoing += piece
                    self._whole = last
                    self._came.set()
            except ConnectionAbortedError:
                self._drop()


class _Connection:
    """The calls of one connection and its links, which end with it."""

    def __init__(self, face: Face, numbers: "count[int]", drop: Callable[[], None]) -> None:
        self._face = face
        self._numbers = numbers
        self._drop = drop
        self._links: dict[int, _Link] = {}
        self._procedures: dict[int, Callable[[bytes], Awaitable[bytes]]] = {
            0: self._nothing,
            10: self._create_link,
            11: self._write,
            12: self._read,
            13: self._status_byte,
            15: self._clear,
            16: self._generic,
            17: self._local,
            23: self._destroy_link,
            **dict.fromkeys((14, 18, 19, 20, 25, 26), self._unsupported),
        }

    async def end(self) -> None:
        for link in self._links.values():
            await link.end()

    async def answer(self, call: bytes) -> bytes:
        """The reply message to a call message. Raises struct.error where not even the header can be read."""
        transaction, _, _, program, version, procedure = struct.unpack_from(">6I", call)
        at = 24
        for _ in ("credentials", "verifier"):
            (length,) = struct.unpack_from(">I", call, at + 4)
            at += 8 + length + -length % 4
        if program != CORE_PROGRAM:
            status, result = 1, b""
        elif version != CORE_VERSION:
            status, result = 2, struct.pack(">II", CORE_VERSION, CORE_VERSION)
        elif procedure not in self._procedures:
            status, result = 3, b""
        else:
            try:
                status, result = 0, await self._procedures[procedure](call[at:])
            except struct.error:
                status, result = 4, b""
        return struct.pack(">6I", transaction, 1, 0, 0, 0, status) + result

    async def _nothing(self, arguments: bytes) -> bytes:
        return b""

    async def _create_link(self, arguments: bytes) -> bytes:
        error = NO_ACCESS if _opaque(arguments, 12) != DEVICE else NO_RESOURCES if len(self._links) >= LINK_LIMIT else 0
        number = 0
        if not error:
            number = next(self._numbers)
            self._links[number] = _Link(self._face, self._drop)
        return struct.pack(">iiII", error, number, 0, LINE_LIMIT)

    async def _write(self, arguments: bytes) -> bytes:
        number, _, _, flags = struct.unpack_from(">iIIi", arguments)
        data = _opaque(arguments, 16)
        if number not in self._links:
            return struct.pack(">iI", NO_SUCH_LINK, 0)
        self._links[number].write(data, bool(flags & END_FLAG))
        return struct.pack(">iI", 0, len(data))

    async def _read(self, arguments: bytes) -> bytes:
        number, size, wait_ms, _, flags, terminator = struct.unpack_from(">iIIIii", arguments)
        if number not in self._links:
            return struct.pack(">iiI", NO_SUCH_LINK, 0, 0)
        wanted = terminator & 0xFF if flags & TERMINATOR_FLAG else None
        error, reason, data = await self._links[number].read(size, wait_ms / 1e3, wanted)
        return struct.pack(">iiI", error, reason, len(data)) + data + bytes(-len(data) % 4)

    async def _status_byte(self, arguments: bytes) -> bytes:
        return struct.pack(">iI", self._error_of(arguments), self._face.status.byte())

    async def _clear(self, arguments: bytes) -> bytes:
        error = self._error_of(arguments)
        if not error:
            link = self._links[struct.unpack_from(">i", arguments)[0]]
            await link.end()
            link.clear_at_once()
        return struct.pack(">i", error)

    async def _generic(self, arguments: bytes) -> bytes:
        return struct.pack(">i", self._error_of(arguments))

    async def _local(self, arguments: bytes) -> bytes:
        """Procedure device_local (B.6.9)."""
        if not self._error_of(arguments):
            self._face.go_to_local()
        return await self._generic(arguments)

    async def _unsupported(self, arguments: bytes) -> bytes:
        return struct.pack(">i", UNSUPPORTED)

    async def _destroy_link(self, arguments: bytes) -> bytes:
        error = self._error_of(arguments)
        if not error:
            await self._links.pop(struct.unpack_from(">i", arguments)[0]).end()
        return struct.pack(">i", error)

    def _error_of(self, arguments: bytes) -> int:
        return 0 if struct.unpack_from(">i", arguments)[0] in self._links else NO_SUCH_LINK


def vxi11_listener(face: Face) -> Listener:
    """The VXI-11 core channel."""
    numbers = count(1)

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        connection = _Connection(face, numbers, writer.close)
        try:
            while True:
                reply = await connection.answer(await _record(reader))
                writer.write(struct.pack(">I", 0x8000_0000 | len(reply)) + reply)
                await writer.drain()
        except (asyncio.IncompleteReadError, struct.error):
            pass  # the client is gone, or speaks something else
        finally:
            await connection.end()

    return Listener(serve)


async def _record(reader: asyncio.StreamReader) -> bytes:
    """One record of one or more fragments (RFC 5531, 11). Raises IncompleteReadError; struct.error for one too long."""
    record, last = b"", False
    while not last:
        (mark,) = struct.unpack(">I", await reader.readexactly(4))
        last, size = bool(mark >> 31), mark & 0x7FFF_FFFF
        if len(record) + size > RECORD_LIMIT_BYTES:
            raise struct.error("a record of more than the limit")
        record += await reader.readexactly(size)
    return record


def _opaque(arguments: bytes, at: int) -> bytes:
    """Opaque data of variable length. Raises struct.error where it is cut short."""
    (length,) = struct.unpack_from(">I", arguments, at)
    return bytes(struct.unpack_from(f"{length}s", arguments, at + 4)[0])
