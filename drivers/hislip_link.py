"""HiSLIP 1.0, synchronised mode (IVI-6.1): a link of two connections, whose payloads go straight into their place.

A client of our own since pyvisa-py 0.8.1 reads on for ever past the end of a message, waits without a limit for the second
connection and for an instrument that drips, and spins where the instrument closes during a stale answer.
"""

import struct
import time
from contextlib import suppress
from typing import NamedTuple

from .errors import LinkLost, ReplyError
from .message_link import CHECK_POWER, REOPEN, MessageLink
from .replies import short
from .wire import Wire, connected, looked_up

OPEN_TIMEOUT_S = 5.0
FAREWELL_S = 0.3
HEADER = struct.Struct("!2sBBIQ")
MESSAGE_LIMIT_BYTES = 1 << 24
"""The longest message that we let the instrument send; longer answers come in several."""
TEXT_LIMIT_BYTES = 1000
BEFORE_FIRST, NO_NUMBER = 0xFFFF_FEFE, 0xFFFF_FFFF
"""The first message bears 0xFFFFFF00, every other two more; none is what an answer to no message bears."""

INITIALIZE, INITIALIZE_RESPONSE, FATAL_ERROR, ERROR = 0, 1, 2, 3
DATA, DATA_END, CLEAR_COMPLETE, CLEAR_ACKNOWLEDGE, REMOTE, REMOTE_RESPONSE, INTERRUPTED = 6, 7, 8, 9, 10, 11, 13
MAXIMUM, MAXIMUM_RESPONSE, ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE = 15, 16, 17, 18
ASYNC_CLEAR, ASYNC_CLEAR_ACKNOWLEDGE = 19, 23
UNASKED = (14, 20)
"""Interruptions and service requests, which come on the second connection when they like."""
OVERLAPPED = 1
GO_TO_LOCAL = 2
"""Control code of AsyncRemoteLocalControl for remote off and local on: the front panel works again (IVI-6.1, 6.9)."""


class _Header(NamedTuple):
    kind: int
    control: int
    parameter: int
    length: int


class HislipLink(MessageLink):
    """A link over HiSLIP."""

    def __init__(self, resource: str, host: str, port: int, device: str, *, timeout_s: float) -> None:
        self._host, self._port = host, port
        self._device = device.encode("ascii")
        super().__init__(resource, timeout_s=timeout_s, open_timeout_s=OPEN_TIMEOUT_S)

    def _look_up(self) -> None:
        self._addresses = looked_up(self._host)

    def _connect(self, deadline_s: float) -> None:
        self._number = BEFORE_FIRST
        self._delivered = False
        self._sync = Wire(connected(self._addresses, self._port, deadline_s))
        try:
            begun = self._ask(self._sync, INITIALIZE, INITIALIZE_RESPONSE, deadline_s, 0x0100 << 16, self._device)
            self._async = Wire(connected(self._addresses, self._port, deadline_s))
            try:
                session = begun.parameter & 0xFFFF
                self._ask(self._async, ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE, deadline_s, session)
                limit = struct.pack("!Q", MESSAGE_LIMIT_BYTES)
                length = self._ask(self._async, MAXIMUM, MAXIMUM_RESPONSE, deadline_s, 0, limit).length
                self._async.discard(length, deadline_s)  # what we send is short
                if begun.control & OVERLAPPED:
                    self._device_clear(deadline_s)  # which agrees on synchronised mode
            except BaseException:
                self._async.close()
                raise
        except BaseException:
            self._sync.close()
            raise

    def clear(self) -> None:
        """A new session, in which a device clear frees the instrument from what it was doing."""
        super().clear()
        self._converse(self._device_clear)

    def _send(self, message: bytes, deadline_s: float) -> None:
        self._number = self._number + 2 & 0xFFFF_FFFF
        header = HEADER.pack(b"HS", DATA_END, self._delivered, self._number, len(message))
        self._delivered = False
        self._sync.send(header + message, deadline_s)

    def _receive(self, place: memoryview, deadline_s: float) -> int:
        count: int = 0
        length: int
        head = memoryview(bytearray(HEADER.size))
        while True:
            room = place[count:]
            came = self._sync.fill_with_next(head, room, deadline_s)
            mark, kind, _, number, length = HEADER.unpack(head)
            if mark == b"HS" and kind in (DATA, DATA_END) and number in (self._number, NO_NUMBER):
                if length > len(room):
                    raise self._too_long(len(place))
                if came < length:
                    self._sync.fill(room[came:length], deadline_s)
                elif came > length:
                    self._sync.push_back(room[length:came])
                count += length
                if kind == DATA_END:
                    self._delivered = True
                    return count
                continue
            self._sync.push_back(room[:came])
            if (header := self._parsed(head)).kind not in (DATA, DATA_END, INTERRUPTED):
                raise self._unexpected(self._sync, header, deadline_s)
            self._sync.discard(length, deadline_s)  # the answer to an earlier question

    def _give_back(self, *, clean: bool) -> None:
        if clean:
            with suppress(OSError, LinkLost, ReplyError):
                deadline_s = time.monotonic() + FAREWELL_S
                self._ask(self._async, REMOTE, REMOTE_RESPONSE, deadline_s, self._number, control=GO_TO_LOCAL)
        self._async.close()
        self._sync.close()

    def _device_clear(self, deadline_s: float) -> None:
        self._ask(self._async, ASYNC_CLEAR, ASYNC_CLEAR_ACKNOWLEDGE, deadline_s)
        self._sync.send(HEADER.pack(b"HS", CLEAR_COMPLETE, 0, 0, 0), deadline_s)
        while (header := self._header(self._sync, deadline_s)).kind != CLEAR_ACKNOWLEDGE:
            self._sync.discard(header.length, deadline_s)
        self._number = BEFORE_FIRST
        self._delivered = False

    def _ask(
        self,
        wire: Wire,
        kind: int,
        answer: int,
        deadline_s: float,
        parameter: int = 0,
        payload: bytes = b"",
        control: int = 0,
    ) -> _Header:
        """Send a message; the header of its answer, which has to be of that kind."""
        wire.send(HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload, deadline_s)
        while (header := self._header(wire, deadline_s)).kind in UNASKED:
            wire.discard(header.length, deadline_s)
        if header.kind != answer:
            raise self._unexpected(wire, header, deadline_s)
        return header

    def _header(self, wire: Wire, deadline_s: float) -> _Header:
        return self._parsed(wire.receive(HEADER.size, deadline_s))

    def _parsed(self, head: bytes | memoryview) -> _Header:
        mark, *rest = HEADER.unpack(head)
        if mark != b"HS":
            raise ReplyError("not HiSLIP", where=self._resource, do="give the address of the scope's HiSLIP port")
        return _Header(*rest)

    def _unexpected(self, wire: Wire, header: _Header, deadline_s: float) -> LinkLost | ReplyError:
        """The error that a message stands for which should not have come."""
        if header.kind not in (ERROR, FATAL_ERROR):
            return ReplyError(f"a HiSLIP message of type {header.kind}", where=self._resource, do=REOPEN)
        said = wire.receive(min(header.length, TEXT_LIMIT_BYTES), deadline_s).decode("latin-1")
        what = f"the scope refuses ({short(said, 120) or f'HiSLIP error {header.control}'})"
        return LinkLost(what, where=self._resource, do=CHECK_POWER)
