"""HiSLIP 1.0 in synchronised mode (IVI-6.1): two connections a session, messages with a 16-byte header.

Messages are answered in the order in which they come; a client tells a late answer by its message number. Locks are
refused, service requests are not sent.
"""

import asyncio
import struct
from dataclasses import dataclass, field
from enum import IntEnum
from itertools import count
from typing import NamedTuple

from .face import Face
from .transport import LINE_LIMIT, Listener, pieces

HEADER = struct.Struct("!2sBBIQ")
VERSION, VENDOR = 0x0100, 0x5057
MESSAGE_LIMIT_BYTES = 1 << 20
"""The longest that a client takes, header included, until it says otherwise."""

POOR_HEADER, NOT_BOTH_CHANNELS, BAD_START = 1, 2, 3
"""Codes of a fatal error."""
UNKNOWN_MESSAGE, LOCK_ERROR = 1, 3
GO_TO_LOCAL = (0, 2, 6)
"""Control codes of a remote-local request that give the front panel back (table 19)."""


class Kind(IntEnum):
    """Message types (table 4)."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    ASYNC_LOCK = 4
    ASYNC_LOCK_RESPONSE = 5
    DATA = 6
    DATA_END = 7
    CLEAR_COMPLETE = 8
    CLEAR_ACKNOWLEDGE = 9
    ASYNC_REMOTE = 10
    ASYNC_REMOTE_RESPONSE = 11
    ASYNC_MAXIMUM = 15
    ASYNC_MAXIMUM_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_CLEAR = 19
    ASYNC_STATUS = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_CLEAR_ACKNOWLEDGE = 23
    ASYNC_LOCK_INFO = 24
    ASYNC_LOCK_INFO_RESPONSE = 25


class _Message(NamedTuple):
    kind: int
    control: int
    parameter: int
    payload: bytes


class _Fatal(Exception):
    """The session cannot go on: code, text."""


@dataclass
class _Session:
    """A client: what it sent, what is under way for it, and its second connection once that is there."""

    number: int
    face: Face
    sync: asyncio.StreamWriter
    asynchronous: asyncio.StreamWriter | None = None
    payload_limit: int = MESSAGE_LIMIT_BYTES - HEADER.size
    incoming: bytearray = field(default_factory=bytearray)
    messages: asyncio.Queue[tuple[int, bytes]] = field(default_factory=asyncio.Queue)
    worker: asyncio.Task[None] | None = None

    def begin(self) -> None:
        self.incoming.clear()
        self.messages = asyncio.Queue()
        self.worker = asyncio.create_task(self._answer_all())

    async def stop(self) -> None:
        """Gives up what is under way; messages that were begun have gone out whole."""
        if self.worker is not None:
            self.worker.cancel()
            await asyncio.gather(self.worker, return_exceptions=True)

    async def end(self) -> None:
        await self.stop()
        self.sync.close()
        if self.asynchronous is not None:
            self.asynchronous.close()

    def take(self, message: _Message) -> None:
        """A message of the synchronous connection. Raises _Fatal."""
        if message.kind in (Kind.DATA, Kind.DATA_END):
            self.incoming += message.payload
            if len(self.incoming) > LINE_LIMIT:
                raise _Fatal(POOR_HEADER, "a message longer than the input buffer")
            if message.kind == Kind.DATA_END:
                self.messages.put_nowait((message.parameter, bytes(self.incoming)))
                self.incoming.clear()
        elif message.kind == Kind.CLEAR_COMPLETE:
            self.begin()
            _send(self.sync, Kind.CLEAR_ACKNOWLEDGE)
        else:
            _send(self.sync, Kind.ERROR, UNKNOWN_MESSAGE, payload=b"unrecognised message type")

    async def take_asynchronous(self, message: _Message) -> None:
        """A message of the asynchronous connection."""
        assert self.asynchronous is not None
        kind, control, payload = Kind.ERROR, UNKNOWN_MESSAGE, b""
        match message.kind:
            case Kind.ASYNC_MAXIMUM if len(message.payload) == 8:
                limit = min(int.from_bytes(message.payload), MESSAGE_LIMIT_BYTES)
                self.payload_limit = max(limit - HEADER.size, 1)
                kind, control, payload = Kind.ASYNC_MAXIMUM_RESPONSE, 0, struct.pack("!Q", LINE_LIMIT)
            case Kind.ASYNC_CLEAR:
                await self.stop()
                kind, control = Kind.ASYNC_CLEAR_ACKNOWLEDGE, 0
            case Kind.ASYNC_STATUS:
                kind, control = Kind.ASYNC_STATUS_RESPONSE, self.face.status.byte()
            case Kind.ASYNC_REMOTE:
                if message.control in GO_TO_LOCAL:
                    self.face.go_to_local()
                kind, control = Kind.ASYNC_REMOTE_RESPONSE, 0
            case Kind.ASYNC_LOCK:
                kind, control = Kind.ASYNC_LOCK_RESPONSE, LOCK_ERROR
            case Kind.ASYNC_LOCK_INFO:
                kind, control = Kind.ASYNC_LOCK_INFO_RESPONSE, 0
        _send(self.asynchronous, kind, control, payload=payload)

    async def _answer_all(self) -> None:
        while True:
            number, message = await self.messages.get()
            self.face.lock_panel()
            try:
                async for piece, last in pieces(self.face, message):
                    await self._send_piece(number, memoryview(piece), last)
            except ConnectionAbortedError:
                self.sync.close()

    async def _send_piece(self, number: int, piece: memoryview, last: bool) -> None:
        while len(piece) > self.payload_limit:
            _send(self.sync, Kind.DATA, 0, number, piece[: self.payload_limit])
            await self.sync.drain()
            piece = piece[self.payload_limit :]
        _send(self.sync, Kind.DATA_END if last else Kind.DATA, 0, number, piece)
        await self.sync.drain()


def hislip_listener(face: Face) -> Listener:
    """The HiSLIP port, for both connections of a session."""
    sessions: dict[int, _Session] = {}
    numbers = count(1)

    async def synchronous(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        session = _Session(next(numbers) & 0xFFFF, face, writer)
        sessions[session.number] = session
        try:
            _send(writer, Kind.INITIALIZE_RESPONSE, 0, VERSION << 16 | session.number)
            session.begin()
            while True:
                message = await _receive(reader)
                if session.asynchronous is None:
                    raise _Fatal(NOT_BOTH_CHANNELS, "the asynchronous connection is missing")
                session.take(message)
                await writer.drain()
        except _Fatal as error:
            _refuse(writer, error)
        finally:
            del sessions[session.number]
            await session.end()

    async def asynchronous(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, number: int) -> None:
        session = sessions.get(number)
        if session is None or session.asynchronous is not None:
            raise _Fatal(BAD_START, "no session waits for this connection")
        session.asynchronous = writer
        _send(writer, Kind.ASYNC_INITIALIZE_RESPONSE, 0, VENDOR)
        try:
            while True:
                await session.take_asynchronous(await _receive(reader))
                await writer.drain()
        finally:
            session.sync.close()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            first = await _receive(reader)
            if first.kind == Kind.INITIALIZE:
                await synchronous(reader, writer)
            elif first.kind == Kind.ASYNC_INITIALIZE:
                await asynchronous(reader, writer, first.parameter)
            else:
                raise _Fatal(BAD_START, "a session begins with Initialize")
        except _Fatal as error:
            _refuse(writer, error)
        except asyncio.IncompleteReadError:
            pass  # the client is gone

    return Listener(serve)


async def _receive(reader: asyncio.StreamReader) -> _Message:
    """One message. Raises IncompleteReadError, _Fatal."""
    mark, kind, control, parameter, length = HEADER.unpack(await reader.readexactly(HEADER.size))
    if mark != b"HS" or length > LINE_LIMIT:
        raise _Fatal(POOR_HEADER, "no header of HiSLIP, or a payload too long")
    return _Message(kind, control, parameter, await reader.readexactly(length))


def _refuse(writer: asyncio.StreamWriter, error: _Fatal) -> None:
    code, text = error.args
    _send(writer, Kind.FATAL_ERROR, code, payload=text.encode())


def _send(
    writer: asyncio.StreamWriter, kind: int, control: int = 0, parameter: int = 0, payload: bytes | memoryview = b""
) -> None:
    writer.write(HEADER.pack(b"HS", kind, control, parameter, len(payload)))
    if payload:
        writer.write(payload)
