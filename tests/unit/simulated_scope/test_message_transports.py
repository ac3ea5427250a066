"""VXI-11 and HiSLIP of the simulated scope, seen by pyvisa-py: a client that somebody else wrote."""

import json
import socket
import struct
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import pyvisa
from pyvisa.resources import MessageBasedResource

Start = Callable[..., Any]

TRACE = "HEAD OFF;:DAT:SOU CH1;STAR 1;STOP 2500;:HOR:RECO 2500;:ACQ:STOPA SEQ;STATE RUN;*OPC?"


@pytest.fixture(scope="module")
def running(start_scope: Start) -> Any:
    return start_scope("--clock", "fast", "--vxi11", "0", "--hislip", "0")


@pytest.fixture
def scope(running: Any) -> Any:
    yield running
    assert running.control({"fault": None}) == {"ok": True}


def resource(scope: Any, way: str) -> str:
    return str(json.loads(scope.first_line)[way])


def port(scope: Any, way: str) -> int:
    digits = resource(scope, way).split(",")[1].split("::")[0]
    return int(digits)


@pytest.fixture(params=["vxi11", "hislip"])
def client(scope: Any, request: pytest.FixtureRequest) -> Iterator[MessageBasedResource]:
    manager = pyvisa.ResourceManager("@py")
    opened = manager.open_resource(resource(scope, request.param), open_timeout=30_000, timeout=30_000)
    assert isinstance(opened, MessageBasedResource)
    opened.read_termination = None
    opened.write_termination = "\n"
    opened.write("HEAD OFF")
    yield opened
    opened.close()


def test_the_contract_names_both_as_resources(running: Any) -> None:
    assert resource(running, "vxi11") == f"TCPIP0::127.0.0.1,{port(running, 'vxi11')}::inst0::INSTR"
    assert resource(running, "hislip") == f"TCPIP0::127.0.0.1::hislip0,{port(running, 'hislip')}::INSTR"


def test_a_query_is_answered(client: MessageBasedResource) -> None:
    assert client.query("*IDN?") == "PEAKWHITE,SIM-CURVE,SIM000001,1.0\n"


def test_a_set_command_is_carried_out_before_the_next_query(client: MessageBasedResource) -> None:
    client.write("CH2:SCA 0.2")
    client.write("CH2:POS 1")
    assert client.query("CH2:SCA?;POS?") == "2.0E-1;1.0E0\n"


@pytest.mark.parametrize("chunk", [100, 20_480, 1 << 21])
def test_a_block_is_the_same_as_over_the_raw_socket(scope: Any, client: MessageBasedResource, chunk: int) -> None:
    assert client.query(TRACE) == "1\n"
    client.write("CURV?")
    received = b""
    while not received.endswith(b"\n") or len(received) < 2507:
        received += client.read_bytes(min(chunk, 2507 - len(received)), break_on_termchar=True)
    assert received == b"#42500" + scope.client().block("CURV?") + b"\n"


def test_a_block_longer_than_a_message_may_be_comes_whole(scope: Any, client: MessageBasedResource) -> None:
    assert client.query(TRACE.replace("2500", "1500000")) == "1\n"
    client.write("CURV?")
    received = bytes(client.visalib.read(client.session, 2_000_000)[0])
    assert received == b"#71500000" + scope.client().block("CURV?") + b"\n"


def test_a_device_clear_ends_a_wait_and_drops_its_answer(start_scope: Start) -> None:
    scope = start_scope("--vxi11", "0", "--hislip", "0")  # the real clock: nothing triggers at 9 V
    for way in ("vxi11", "hislip"):
        opened = pyvisa.ResourceManager("@py").open_resource(resource(scope, way), open_timeout=30_000, timeout=30_000)
        assert isinstance(opened, MessageBasedResource)
        assert opened.query("HEAD OFF;:TRIG:MAI:MOD NORM;LEV 9;:ACQ:STOPA SEQ;STATE RUN;STATE?") == "1\n"
        opened.write("*OPC?")
        opened.clear()
        assert opened.query("ACQ:STATE?") == "1\n"
        opened.write("ACQ:STATE STOP")
        opened.close()


def test_the_status_byte_comes_beside_the_messages(client: MessageBasedResource) -> None:
    client.query("*IDN?;*CLS")
    assert client.read_stb() == 0
    client.write("NO:SUCH")
    client.query("*IDN?")
    assert client.read_stb() & 4


def test_the_faults_hold_here_too(scope: Any, client: MessageBasedResource) -> None:
    assert client.query(TRACE) == "1\n"
    client.timeout = 300
    scope.control({"fault": "silent"})
    with pytest.raises(pyvisa.errors.VisaIOError, match="(?i)timeout"):
        client.query("*IDN?")
    client.timeout = 30_000
    scope.control({"fault": None})
    scope.control({"fault": "header-too-short"})
    client.clear()
    client.write("CURV?")
    assert bytes(client.visalib.read(client.session, 4000)[0]).startswith(b"#41250")


def test_refusing_connections_closes_these_ports_too(scope: Any) -> None:
    scope.control({"fault": "refuse-connections"})
    for way in ("vxi11", "hislip"):
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", port(scope, way)), 2)


# ---------------------------------------------------------------- VXI-11, call by call


def call(
    connection: socket.socket, procedure: int, arguments: bytes = b"", *, program: int = 0x0607AF, version: int = 1
) -> bytes:
    """Status and result of a call, sent in two fragments."""
    message = struct.pack(">6I", 77, 0, 2, program, version, procedure) + bytes(16) + arguments
    connection.sendall(struct.pack(">I", 10) + message[:10])
    connection.sendall(struct.pack(">I", 0x8000_0000 | len(message) - 10) + message[10:])
    (mark,) = struct.unpack(">I", exactly(connection, 4))
    reply = exactly(connection, mark & 0x7FFF_FFFF)
    assert reply[:20] == struct.pack(">5I", 77, 1, 0, 0, 0)
    return reply[20:]


def exactly(connection: socket.socket, count: int) -> bytes:
    """So many bytes, in however many pieces they come."""
    received = b""
    while len(received) < count:
        piece = connection.recv(count - len(received))
        assert piece, "hung up"
        received += piece
    return received


def create_link(connection: socket.socket, device: bytes = b"inst0") -> tuple[int, int]:
    """Error and number of the link."""
    arguments = struct.pack(">iII", 1, 0, 0) + struct.pack(">I", len(device)) + device + bytes(-len(device) % 4)
    status, error, number, _, _ = struct.unpack(">IiiII", call(connection, 10, arguments))
    assert status == 0
    return error, number


@pytest.fixture
def core(scope: Any) -> Iterator[socket.socket]:
    with socket.create_connection(("127.0.0.1", port(scope, "vxi11")), 30) as connection:
        yield connection


@pytest.mark.parametrize(
    ("procedure", "program", "version", "status"),
    [(0, 0x0607AF, 1, 0), (99, 0x0607AF, 1, 3), (0, 5, 1, 1), (0, 0x0607AF, 9, 2), (11, 0x0607AF, 1, 4)],
)
def test_a_call_that_cannot_be_carried_out_is_told_why(
    core: socket.socket, procedure: int, program: int, version: int, status: int
) -> None:
    assert call(core, procedure, program=program, version=version)[:4] == struct.pack(">I", status)


def test_another_device_is_not_accessible(core: socket.socket) -> None:
    assert create_link(core, b"gpib0,7")[0] == 3


def test_the_seventeenth_link_is_refused_until_one_is_destroyed(core: socket.socket) -> None:
    links = [create_link(core) for _ in range(17)]
    assert [error for error, _ in links] == [0] * 16 + [9]
    assert call(core, 23, struct.pack(">i", links[0][1])) == struct.pack(">Ii", 0, 0)
    assert create_link(core)[0] == 0


def test_a_link_that_was_destroyed_is_no_link(core: socket.socket) -> None:
    _, number = create_link(core)
    call(core, 23, struct.pack(">i", number))
    assert call(core, 15, struct.pack(">i", number)) == struct.pack(">Ii", 0, 4)


def test_locks_are_refused(core: socket.socket) -> None:
    _, number = create_link(core)
    assert call(core, 18, struct.pack(">iiI", number, 0, 0)) == struct.pack(">Ii", 0, 8)


def write(core: socket.socket, number: int, message: bytes, flags: int = 8) -> None:
    arguments = struct.pack(">iIIiI", number, 1000, 0, flags, len(message)) + message + bytes(-len(message) % 4)
    assert call(core, 11, arguments) == struct.pack(">IiI", 0, 0, len(message))


def read(
    core: socket.socket, number: int, size: int, terminator: bytes = b"", wait_ms: int = 30_000
) -> tuple[Any, ...]:
    """Error, reason, data."""
    flags, character = (128, terminator[0]) if terminator else (0, 0)
    answer = call(core, 12, struct.pack(">iIIIii", number, size, wait_ms, 0, flags, character))
    _, error, reason, length = struct.unpack_from(">IiiI", answer)
    return error, reason, answer[16 : 16 + length]


def test_a_read_says_why_it_ended(core: socket.socket) -> None:
    _, number = create_link(core)
    write(core, number, b"*ID", flags=0)
    write(core, number, b"N?\n")
    assert read(core, number, 4) == (0, 1, b"PEAK")
    assert read(core, number, 100, b",") == (0, 2, b"WHITE,")
    assert read(core, number, 100) == (0, 4, b"SIM-CURVE,SIM000001,1.0\n")
    assert read(core, number, 100, wait_ms=10) == (15, 0, b"")


def test_an_answer_that_nobody_read_is_dropped_and_reported(core: socket.socket) -> None:
    _, number = create_link(core)
    write(core, number, b"*CLS;*IDN?\n")
    assert read(core, number, 1) == (0, 1, b"P")
    write(core, number, b"*ESR?\n")
    assert read(core, number, 100) == (0, 4, b"4\n")  # the query-error bit alone, and nothing of the identity


def test_what_is_no_call_ends_the_connection(core: socket.socket) -> None:
    core.sendall(struct.pack(">I", 0x8000_0004) + b"what")
    assert core.recv(10) == b""


# ---------------------------------------------------------------- HiSLIP, message by message


def message(kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> bytes:
    return struct.pack("!2sBBIQ", b"HS", kind, control, parameter, len(payload)) + payload


def received(connection: socket.socket) -> tuple[int, int, int, bytes]:
    _, kind, control, parameter, length = struct.unpack("!2sBBIQ", exactly(connection, 16))
    return kind, control, parameter, exactly(connection, length)


@pytest.fixture
def sync(scope: Any) -> Iterator[socket.socket]:
    with socket.create_connection(("127.0.0.1", port(scope, "hislip")), 30) as connection:
        yield connection


def test_a_message_before_the_second_connection_is_fatal(sync: socket.socket) -> None:
    sync.sendall(message(0, parameter=0x0100 << 16, payload=b"hislip0"))
    assert received(sync)[0] == 1
    sync.sendall(message(7, payload=b"*IDN?\n"))
    assert received(sync)[:2] == (2, 2)


@pytest.mark.parametrize("start", [message(7), b"GET / HTTP/1.0\r\n\r\n", message(17, parameter=999)])
def test_a_start_that_is_none_is_fatal(sync: socket.socket, start: bytes) -> None:
    sync.sendall(start)
    assert received(sync)[0] == 2
    assert sync.recv(10) == b""


def test_an_answer_carries_the_number_of_its_question_and_keeps_to_the_clients_limit(
    scope: Any, sync: socket.socket
) -> None:
    sync.sendall(message(0, parameter=0x0100 << 16, payload=b"hislip0"))
    session = received(sync)[2] & 0xFFFF
    with socket.create_connection(("127.0.0.1", port(scope, "hislip")), 30) as asynchronous:
        asynchronous.sendall(message(17, parameter=session))
        assert received(asynchronous)[0] == 18
        asynchronous.sendall(message(15, payload=struct.pack("!Q", 16 + 20)))
        assert received(asynchronous)[0] == 16
        sync.sendall(message(6, parameter=40, payload=b"*ID") + message(7, parameter=42, payload=b"N?\n"))
        assert received(sync) == (6, 0, 42, b"PEAKWHITE,SIM-CURVE,")
        assert received(sync) == (7, 0, 42, b"SIM000001,1.0\n")
        sync.sendall(message(99))
        assert received(sync)[:2] == (3, 1)
        asynchronous.sendall(message(4, control=1))
        assert received(asynchronous)[:2] == (5, 3)
