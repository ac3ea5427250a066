"""The PyVISA link over VXI-11 and HiSLIP, against the smallest servers that speak them on loopback."""

import gc
import socket
import struct
import time
from collections.abc import Callable, Iterator

import pytest

from peakwhite.drivers import visa_link
from peakwhite.drivers.errors import LinkLost, LinkTimeout, ReplyError
from peakwhite.drivers.links import Link, identify, open_link

Serve = Callable[[Callable[[socket.socket], None]], str]

PAYLOADS = [b"", b"\n", b"\n" * 700, bytes(range(256)) * 80, b"x" * 20_480, b"z" * (20_480 - 11), b"y" * 300_000]


def instrument(message: bytes) -> bytes:
    """What the instrument behind either server answers."""
    command, _, argument = message.strip().partition(b" ")
    if command == b"*IDN?":
        return b"MAKER,MODEL,1,1\n"
    if command == b"BLOCK?":
        payload = PAYLOADS[int(argument)]
        return b"#9%09d" % len(payload) + payload + b"\n"
    return {b"ENDLESS?": b"#0" + b"no length\n" + b"\n", b"LIAR?": b"#6000100short\n", b"BINARY?": b"\x00\x01\n"}.get(
        command, b""
    )


def exactly(connection: socket.socket, count: int) -> bytes:
    received = connection.recv(count, socket.MSG_WAITALL)
    if len(received) < count:
        raise ConnectionError("the client has gone")
    return received


def vxi_11(connection: socket.socket) -> None:
    """Core channel of VXI-11 (ONC RPC program 0x0607AF) for one link, reached without a port mapper."""
    pending = bytearray()
    create, write, read, clear = 10, 11, 12, 15
    while True:
        (mark,) = struct.unpack(">I", exactly(connection, 4))
        call = exactly(connection, mark & 0x7FFF_FFFF)
        transaction, procedure = struct.unpack_from(">I16xI", call)
        arguments = call[40:]  # after credentials and verifier, both empty
        if procedure == create:
            result = struct.pack(">iiII", 0, 1, 0, 1 << 20)
        elif procedure == write:
            (size,) = struct.unpack_from(">I", arguments, 16)
            pending[:] = instrument(arguments[20 : 20 + size])
            result = struct.pack(">iI", 0, size)
        elif procedure == read and not pending:
            _, wait_ms = struct.unpack_from(">II", arguments, 4)
            time.sleep(min(wait_ms, 500) / 1e3)
            result = struct.pack(">iiI", 15, 0, 0)  # the instrument says itself that nothing came in time
        elif procedure == read:
            (wanted,) = struct.unpack_from(">I", arguments, 4)
            part = bytes(pending[:wanted])
            del pending[:wanted]
            result = struct.pack(">iiI", 0, 0 if pending else 4, len(part)) + part + bytes(-len(part) % 4)
        else:
            if procedure == clear:
                pending.clear()
            result = struct.pack(">i", 0)
        reply = struct.pack(">6I", transaction, 1, 0, 0, 0, 0) + result
        connection.sendall(struct.pack(">I", 0x8000_0000 | len(reply)) + reply)


def hislip_message(kind: int, parameter: int = 0, payload: bytes = b"") -> bytes:
    return struct.pack("!2sBBIQ", b"HS", kind, 0, parameter, len(payload)) + payload


def hislip(connection: socket.socket) -> None:
    """One channel, synchronous or asynchronous, of HiSLIP 1.0 in synchronised mode."""
    data, data_end = 6, 7
    fixed = {
        0: hislip_message(1, 0x0100 << 16 | 1),  # Initialize
        17: hislip_message(18, 0x5857),  # AsyncInitialize
        15: hislip_message(16, 0, struct.pack("!Q", 1 << 20)),  # AsyncMaxMsgSize
        19: hislip_message(23),  # AsyncDeviceClear
        8: hislip_message(9),  # DeviceClearComplete
        21: hislip_message(22),  # AsyncStatusQuery
    }
    received = b""
    while True:
        _, kind, _, parameter, size = struct.unpack("!2sBBIQ", exactly(connection, 16))
        payload = exactly(connection, size) if size else b""
        if kind in fixed:
            connection.sendall(fixed[kind])
        elif kind in (data, data_end):
            received += payload
            if kind == data_end:
                answer, received = instrument(received), b""
                if answer:
                    connection.sendall(hislip_message(data, parameter, answer[:1000]))
                    connection.sendall(hislip_message(data_end, parameter, answer[1000:]))


@pytest.fixture(params=["vxi-11", "hislip"])
def link(request: pytest.FixtureRequest, serve: Serve) -> Iterator[Link]:
    port = serve(vxi_11 if request.param == "vxi-11" else hislip).split("::")[2]
    names = {"vxi-11": f"TCPIP0::127.0.0.1,{port}::inst0::INSTR", "hislip": f"TCPIP0::127.0.0.1::hislip0,{port}::INSTR"}
    opened = open_link(names[request.param], timeout_s=0.5)
    yield opened
    opened.close()


def test_an_instrument_says_what_it_is(link: Link) -> None:
    assert identify(link) == "MAKER,MODEL,1,1"


@pytest.mark.parametrize("index", range(len(PAYLOADS)))
def test_a_block_comes_whole_and_leaves_nothing_behind(link: Link, index: int) -> None:
    assert bytes(link.query_block(f"BLOCK? {index}", len(PAYLOADS[index]))) == PAYLOADS[index]
    assert identify(link) == "MAKER,MODEL,1,1"


def test_an_indefinite_block_ends_with_the_message(link: Link) -> None:
    assert bytes(link.query_block("ENDLESS?", 100)) == b"no length\n"


def test_a_block_over_the_limit_is_refused(link: Link) -> None:
    with pytest.raises(ReplyError, match="300000 bytes where 1000"):
        link.query_block(f"BLOCK? {len(PAYLOADS) - 1}", 1000)
    assert link.dirty


def test_a_block_that_ends_early_is_an_error_and_does_not_hang(link: Link) -> None:
    with pytest.raises((ReplyError, LinkTimeout)):
        link.query_block("LIAR?", 1000)


def test_an_answer_that_is_not_text_is_an_error(link: Link) -> None:
    with pytest.raises(ReplyError, match="not text"):
        link.query("BINARY?")


def test_after_a_time_out_the_link_is_refused_until_it_is_cleared(link: Link) -> None:
    with pytest.raises(LinkTimeout):
        link.query("NOTHING?")
    with pytest.raises(LinkLost, match="needs clearing"):
        link.query("*IDN?")
    link.clear()
    assert identify(link) == "MAKER,MODEL,1,1"


def test_a_closed_link_leaves_no_session_in_the_library(link: Link) -> None:
    open_sessions = len(visa_link._sessions())
    link.close()
    assert len(visa_link._sessions()) == open_sessions - 1
    with pytest.raises(LinkLost):
        link.query("*IDN?")


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning")
@pytest.mark.parametrize("name", ["TCPIP0::127.0.0.1,{}::inst0::INSTR", "TCPIP0::127.0.0.1::hislip0,{}::INSTR"])
def test_nothing_that_listens_is_a_lost_link(name: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with pytest.raises((LinkLost, LinkTimeout)) as caught:
        open_link(name.format(port))
    del caught
    gc.collect()  # pyvisa-py leaves the socket of a failed opening to the collector, which warns


def test_a_usb_scope_that_is_not_there_is_a_lost_link() -> None:
    with pytest.raises(LinkLost, match="unplug"):
        open_link("USB0::0x1234::0x5678::NOTHERE::INSTR")
