"""Links of HiSLIP, VXI-11 and USBTMC whose other side is a string of bytes, in memory: what comes, and in which pieces.

The first byte says into which pieces the rest is cut, as a network does it; on USB a byte before every packet is its length.
"""

import array
import errno
import struct
from types import SimpleNamespace
from typing import Any

import usb.core

from peakwhite.drivers.hislip_link import HislipLink
from peakwhite.drivers.message_link import MessageLink
from peakwhite.drivers.usbtmc import Usbtmc
from peakwhite.drivers.visa_link import VisaLink
from peakwhite.drivers.vxi11_link import Vxi11Link
from peakwhite.drivers.wire import Wire

LIMIT_BYTES = 64
TIMEOUT_S = 30.0
"""Nothing waits here: what takes that long hangs."""
PACKET_BYTES = 64
END = 1


class FedSocket:
    """What a wire wants of a socket. At the end of the bytes the other side has closed."""

    def __init__(self, data: bytes) -> None:
        self._left = data[1:]
        self._piece = data[0] % 40 + 1 if data else 1

    def settimeout(self, timeout_s: float) -> None:
        assert 0.0 < timeout_s <= TIMEOUT_S

    def sendall(self, data: bytes) -> None: ...
    def shutdown(self, how: int) -> None: ...
    def close(self) -> None: ...

    def recv_into(self, place: memoryview) -> int:
        part, self._left = self._taken(len(place))
        place[: len(part)] = part
        return len(part)

    def recvmsg_into(self, places: list[memoryview]) -> tuple[int]:
        part, self._left = self._taken(sum(map(len, places)))
        count = len(part)
        for place in places:
            place[: len(part)] = part[: len(place)]
            part = part[len(place) :]
        return (count,)

    def recv(self, count: int) -> bytes:
        part, self._left = self._taken(count)
        return part

    def _taken(self, most: int) -> tuple[bytes, bytes]:
        count = min(most, self._piece)
        return self._left[:count], self._left[count:]


class FedHislip(HislipLink):
    """A session that stands; `data` comes on its first connection, nothing on its second."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        super().__init__("fed", "", 0, "", timeout_s=TIMEOUT_S)

    def _look_up(self) -> None: ...

    def _connect(self, deadline_s: float) -> None:
        self._number, self._delivered = 0xFFFF_FEFE, False
        self._sync, self._async = Wire(fed(self._data)), Wire(fed(b""))


class FedVxi11(Vxi11Link):
    """A link that stands; `data` are the replies to what is called then."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        super().__init__("fed", "", 1, "", timeout_s=TIMEOUT_S)

    def _look_up(self) -> None: ...

    def _connect(self, deadline_s: float) -> None:
        self._wire, self._link, self._input_bytes = Wire(fed(self._data)), 1, 1024


class FedUsb(VisaLink):
    """A device that is open; `data` are the packets that it sends, and what it answers to control requests."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        super().__init__("fed", "fed", timeout_s=TIMEOUT_S)

    def _connect(self, deadline_s: float) -> None:
        self._messages = Usbtmc(FedInterface(self._data), "fed")
        self._messages._tag = 0

    def _give_back(self, *, clean: bool) -> None: ...


class FedInterface:
    """What `Usbtmc` takes of pyvisa-py's interface: device and both endpoints in one. At the end nothing comes any more."""

    usb_intf = SimpleNamespace(bInterfaceNumber=0)
    wMaxPacketSize, bEndpointAddress = PACKET_BYTES, 0x82

    def __init__(self, data: bytes) -> None:
        self._left = data
        self.usb_dev = self.usb_send_ep = self.usb_recv_ep = self

    def write(self, data: bytes, timeout_ms: int) -> int:
        return len(data)

    def clear_halt(self) -> None: ...

    def read(self, room: "int | array.array[int]", timeout_ms: int) -> "int | array.array[int]":
        size = room if isinstance(room, int) else len(room)
        got = bytearray()
        while len(got) < size:
            packet = self._packet()
            got += packet
            if len(packet) < PACKET_BYTES:
                break
        if isinstance(room, int):
            return array.array("B", got[:size])
        memoryview(room)[: len(got)] = got
        return len(got)

    def ctrl_transfer(self, *request: Any, timeout: int) -> "array.array[int]":
        return array.array("B", self._packet()[: request[-1]])

    def _packet(self) -> bytes:
        if not self._left:
            raise usb.core.USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT)
        count = self._left[0] % (PACKET_BYTES + 1)
        packet, self._left = self._left[1 : 1 + count], self._left[1 + count :]
        return packet


def fed(data: bytes) -> Any:
    return FedSocket(data)


def take(link: MessageLink, data: bytes) -> None:
    """Ask for a block and a text; what is given has come, in this order, and is within the limit. Raises InstrumentError."""
    payload = bytes(link.query_block("B?", LIMIT_BYTES))
    assert len(payload) <= LIMIT_BYTES
    coming = iter(data)
    assert all(byte in coming for byte in payload)
    text = link.query("A?")
    coming = iter(data)
    assert all(byte in coming for byte in text.encode("latin-1"))


def hislip_message(kind: int, number: int, payload: bytes = b"", control: int = 0) -> bytes:
    return struct.pack("!2sBBIQ", b"HS", kind, control, number, len(payload)) + payload


def hislip_corpus() -> tuple[bytes, ...]:
    """An answer in one message, in three, after one to an earlier question, interrupted, and an error of the scope."""
    first, second = 0xFFFF_FF00, 0xFFFF_FF02
    block, line = b"#15hello\n", b"1.5E0\n"
    text = hislip_message(7, second, line)
    stale = hislip_message(6, first - 2, b"stale") + hislip_message(7, first - 2, b"\n") + hislip_message(13, first)
    return (
        b"\x27" + hislip_message(7, first, block) + text,
        b"\x05"
        + b"".join(hislip_message(6, first, block[at : at + 3]) for at in (0, 3, 6))
        + hislip_message(7, first)
        + text,
        b"\x10" + stale + hislip_message(7, first, block) + text,
        b"\x27" + hislip_message(7, 0xFFFF_FFFF, b"#0endless\n") + hislip_message(7, 0xFFFF_FFFF, line),
        b"\x02" + hislip_message(3, 0, b"too many clients", control=4),
    )


def vxi11_reply(transaction: int, result: bytes, fragment_bytes: int = 1 << 30) -> bytes:
    reply = struct.pack(">6I", transaction, 1, 0, 0, 0, 0) + result
    parts = [reply[at : at + fragment_bytes] for at in range(0, len(reply), fragment_bytes)]
    marks = [len(part) | (1 << 31 if at == len(parts) - 1 else 0) for at, part in enumerate(parts)]
    return b"".join(struct.pack(">I", mark) + part for mark, part in zip(marks, parts, strict=True))


def vxi11_read(data: bytes, reason: int = 4) -> bytes:
    return struct.pack(">iiI", 0, reason, len(data)) + data + bytes(-len(data) % 4)


def vxi11_corpus() -> tuple[bytes, ...]:
    """Write and read of a block and of a text: whole, in fragments, a read in two, after a stale reply, refused."""
    written = struct.pack(">iI", 0, 3)
    block, line = vxi11_read(b"#15hello\n"), vxi11_read(b"1.5E0\n")
    results = (written, block, written, line)
    chunks = (written, vxi11_read(b"#15he", 0), vxi11_read(b"llo\n"), written, line)

    def replies(results: tuple[bytes, ...], fragment_bytes: int = 1 << 30) -> bytes:
        return b"".join(vxi11_reply(at, result, fragment_bytes) for at, result in enumerate(results, 1))

    return (
        b"\x27" + replies(results),
        b"\x06" + replies(results, 7),
        b"\x0f" + replies(chunks, 20),
        b"\x27" + vxi11_reply(0, b"stale") + replies(results),
        b"\x01" + vxi11_reply(1, written) + vxi11_reply(2, struct.pack(">iiI", 15, 0, 0)),
    )


def usb_transfer(tag: int, payload: bytes, attributes: int = END) -> bytes:
    transfer = struct.pack("<BBBxLBxxx", 2, tag, ~tag & 0xFF, len(payload), attributes) + payload
    packets = [transfer[at : at + PACKET_BYTES] for at in range(0, len(transfer), PACKET_BYTES)]
    return b"".join(bytes([len(packet)]) + packet for packet in packets)


def usb_corpus() -> tuple[bytes, ...]:
    """Block and text: whole, in three transfers, of several packets, after a stale transfer; and a transfer cut short."""
    block = b"#15hello\n"
    parts = usb_transfer(2, block[:4], 0) + usb_transfer(3, block[4:6], 0) + usb_transfer(4, block[6:])
    long = b"#9000000064" + bytes(range(64)) + b"\n"
    return (
        usb_transfer(2, block) + usb_transfer(4, b"1.5E0\n"),
        parts + usb_transfer(6, b"1.5E0\n"),
        usb_transfer(2, long) + usb_transfer(4, b"1.5E0\n"),
        usb_transfer(200, b"stale" * 30) + usb_transfer(2, block) + usb_transfer(4, b"2\n"),
        usb_transfer(2, long)[:40] + b"\x02\x01\x00\x01\x00\x08\x02" + bytes(7),
    )
