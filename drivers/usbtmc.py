"""Messages of USBTMC 1.0 over the two bulk endpoints of a device that pyvisa-py has opened.

Its session opens, identifies and closes; messages are ours, since 0.8.1 takes a transfer with any tag for the answer, waits
for packets that instruments do not send (and leaves those that they do for the next answer), gives up a write after a
time of its own, and takes up to ten seconds to abort a transfer.
"""

import array
import errno
import random
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

import usb.core
import usb.util

from .errors import ReplyError

HEADER_BYTES = 12
MESSAGE_OUT, MESSAGE_IN = 1, 2
END_OF_MESSAGE = 1
ABORT_IN, CHECK_ABORT_IN, REN_CONTROL, GO_TO_LOCAL = 3, 4, 160, 161
SUCCESS, PENDING = 1, 2
STRAY_TRANSFERS = 8
"""So many answers to earlier requests are passed over before an instrument counts as broken."""
READ_BYTES = 1 << 18
"""So much is read at once, whatever an instrument announces."""
ABORT_STEP_MS = 100
DO = "unplug the scope and plug it in again"


class _Header(NamedTuple):
    kind: int
    tag: int
    inverse: int
    size: int
    attributes: int


class Usbtmc:
    """The messages of one opened device. All methods raise TimeoutError, OSError (usb.core.USBError is one).

    `interface` is pyvisa-py's: `usb_dev`, `usb_intf`, and the endpoints `usb_send_ep`, `usb_recv_ep`.
    """

    def __init__(self, interface: Any, where: str) -> None:
        self._device = interface.usb_dev
        self._interface = interface.usb_intf.bInterfaceNumber
        self._out = interface.usb_send_ep
        self._in = interface.usb_recv_ep
        self._where = where
        self._tag = random.randrange(255)
        """Not always the same first one: an answer that was left over from an earlier session would bear it too."""

    def send(self, message: bytes, deadline_s: float) -> None:
        """Send one message as one transfer."""
        if (HEADER_BYTES + len(message) + 3) // 4 * 4 % self._out.wMaxPacketSize == 0:
            message = message.rstrip(b"\n") + b"    \n"  # a transfer of whole packets alone would need an empty one
        header = struct.pack("<BBBxLBxxx", MESSAGE_OUT, *self._next_tag(), len(message), END_OF_MESSAGE)
        self._write(header + message + bytes(-len(message) % 4), deadline_s)

    def receive(self, place: memoryview, deadline_s: float) -> int:
        """Receive into `place` up to the end mark; how many bytes. Raises ReplyError for an answer that does not fit."""
        count, ended = 0, False
        while not ended:
            if count == len(place):
                raise self._nonsense(f"an answer of more than {count} bytes")
            tag = self._next_tag()
            self._write(struct.pack("<BBBxLBxxx", MESSAGE_IN, *tag, len(place) - count, 0), deadline_s)
            size, ended = self._transfer(place[count:], tag[0], deadline_s)
            if not size and not ended:
                raise self._nonsense("an empty part of an answer")
            count += size
        return count

    def abort(self, deadline_s: float) -> None:
        """Have the device give up the answer that it did not send in time (4.2.1.4), and throw away what was under way."""
        with _usb_errors():
            began = self._control(ABORT_IN, self._tag or 255, self._in.bEndpointAddress, 2, deadline_s)
            if began[0] != SUCCESS:
                return
            self._drain(deadline_s)
            while self._control(CHECK_ABORT_IN, 0, self._in.bEndpointAddress, 8, deadline_s)[0] == PENDING:
                self._drain(deadline_s)

    def go_to_local(self, deadline_s: float) -> None:
        """Give the front panel back, and take back the remote enable that pyvisa-py sends when it opens.

        GO_TO_LOCAL and REN_CONTROL with wValue 0 (USBTMC-USB488 subclass 1.0, 4.3.2 and 4.3.1). A device that knows no
        remote state stalls, which does no harm.
        """
        with _usb_errors():
            for request in (GO_TO_LOCAL, REN_CONTROL):
                self._control(request, 0, self._interface, 1, deadline_s, usb.util.CTRL_RECIPIENT_INTERFACE)

    def clear_stall(self) -> None:
        """Let halted endpoints move again."""
        with _usb_errors():
            for endpoint in (self._out, self._in):
                endpoint.clear_halt()

    def _transfer(self, place: memoryview, tag: int, deadline_s: float) -> tuple[int, bool]:
        """One transfer of a reply: its payload's size, and whether it ends the message."""
        header, first = self._first_packet(tag, deadline_s)
        if header.size > len(place):
            raise self._nonsense(f"a transfer of {header.size} bytes where {len(place)} were asked for")
        count = min(len(first), header.size)
        place[:count] = first[:count]
        while count < header.size:
            part = self._read(header.size - count, deadline_s)
            if not part:
                raise self._nonsense(f"a transfer of {count} bytes that was announced as {header.size}")
            size = min(len(part), header.size - count)
            place[count : count + size] = part[:size]
            count += size
        return count, bool(header.attributes & END_OF_MESSAGE)

    def _first_packet(self, tag: int, deadline_s: float) -> tuple[_Header, memoryview]:
        """Header and first bytes of the transfer with that tag.

        It is read alone, since it says how much follows: whole packets are then asked for and no more, so that
        nothing waits for an empty packet at the end. One that did come is passed over here.
        """
        packet_bytes = self._in.wMaxPacketSize
        for _ in range(STRAY_TRANSFERS):
            packet = self._read(1, deadline_s)
            if not packet:
                continue
            if len(packet) < HEADER_BYTES:
                raise self._nonsense(f"a transfer of {len(packet)} bytes, too short for a header")
            header = _Header(*struct.unpack_from("<BBBxLB", packet))
            if header.kind != MESSAGE_IN or header.tag ^ header.inverse != 0xFF:
                raise self._nonsense("a transfer without a USBTMC header")
            if header.tag == tag:
                return header, packet[HEADER_BYTES:]
            left = HEADER_BYTES + header.size - len(packet)
            while len(packet) == packet_bytes and left > 0:  # the answer to an earlier request
                packet = self._read(left, deadline_s)
                left -= len(packet)
        raise self._nonsense("answers to other requests only")

    def _read(self, count: int, deadline_s: float) -> memoryview:
        """Up to `count` bytes in whole packets, READ_BYTES at most.

        pyusb reads into an array of its own kind alone, so that every byte is copied once from there to its place.
        """
        packet_bytes = self._in.wMaxPacketSize
        wanted = min(-(-count // packet_bytes), READ_BYTES // packet_bytes) * packet_bytes
        scratch = array.array("B", [0]) * wanted
        with _usb_errors():
            return memoryview(scratch)[: self._in.read(scratch, _left_ms(deadline_s))]

    def _write(self, transfer: bytes, deadline_s: float) -> None:
        with _usb_errors():
            count = self._out.write(transfer, _left_ms(deadline_s))
        if count != len(transfer):
            raise OSError(errno.EIO, f"it took {count} of {len(transfer)} bytes")

    def _drain(self, deadline_s: float) -> None:
        """Read until a packet that is not full, or until nothing comes."""
        packet_bytes = self._in.wMaxPacketSize
        try:
            while len(self._in.read(packet_bytes, min(_left_ms(deadline_s), ABORT_STEP_MS))) == packet_bytes:
                pass
        except usb.core.USBTimeoutError:
            pass

    def _control(
        self,
        request: int,
        value: int,
        index: int,
        length: int,
        deadline_s: float,
        recipient: int = usb.util.CTRL_RECIPIENT_ENDPOINT,
    ) -> "array.array[int]":
        kind = usb.util.build_request_type(usb.util.CTRL_IN, usb.util.CTRL_TYPE_CLASS, recipient)
        answer: array.array[int] = self._device.ctrl_transfer(
            kind, request, value, index, length, timeout=_left_ms(deadline_s)
        )
        if not answer:
            raise OSError(errno.EIO, "an empty answer to a request")
        return answer

    def _next_tag(self) -> tuple[int, int]:
        """1 to 255, and its complement."""
        self._tag = self._tag % 255 + 1
        return self._tag, ~self._tag & 0xFF

    def _nonsense(self, what: str) -> ReplyError:
        return ReplyError(what, where=self._where, do=DO)


@contextmanager
def _usb_errors() -> Iterator[None]:
    try:
        yield
    except usb.core.USBTimeoutError as error:
        raise TimeoutError from error


def _left_ms(deadline_s: float) -> int:
    left_ms = int((deadline_s - time.monotonic()) * 1e3)
    if left_ms <= 0:
        raise TimeoutError
    return left_ms
