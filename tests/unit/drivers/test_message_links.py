"""HiSLIP and VXI-11 against small servers that do what instruments do wrong; the simulated scope serves the right way."""

import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from peakwhite.drivers import hislip_link, vxi11_link
from peakwhite.drivers.errors import InstrumentError, LinkLost, LinkTimeout, ReplyError
from peakwhite.drivers.links import Link, identify, open_link
from peakwhite.drivers.wire import Wire, connected, looked_up

Serve = Callable[[Callable[[socket.socket], None]], str]

PAYLOADS = [b"", b"\n", b"\n" * 700, bytes(range(256)) * 80, b"x" * 20_480, b"z" * (20_480 - 11), b"y" * 300_000]
WAYS = ["vxi-11", "hislip"]


def instrument(message: bytes) -> bytes:
    """What the instrument behind either server answers."""
    command, _, argument = message.strip().partition(b" ")
    if command == b"BLOCK?":
        payload = PAYLOADS[int(argument)]
        return b"#9%09d" % len(payload) + payload + b"\n"
    answers = {
        b"*IDN?": b"MAKER,MODEL,1,1\n",
        b"ENDLESS?": b"#0" + b"no length\n" + b"\n",
        b"LIAR?": b"#6000100short\n",
        b"BINARY?": b"\x00\x01\n",
        b"TEXT?": b"no block\n",
        b"EMPTY?": b"\n",
    }
    return answers.get(command, b"")


def exactly(connection: socket.socket, count: int) -> bytes:
    received = connection.recv(count, socket.MSG_WAITALL) if count else b""
    if len(received) < count:
        raise ConnectionError("the client has gone")
    return received


def hislip_message(kind: int, parameter: int = 0, payload: bytes = b"", control: int = 0) -> bytes:
    return struct.pack("!2sBBIQ", b"HS", kind, control, parameter, len(payload)) + payload


def received_message(connection: socket.socket) -> tuple[int, int, int, bytes]:
    """Type, control code, parameter, payload."""
    _, kind, control, parameter, size = struct.unpack("!2sBBIQ", exactly(connection, 16))
    return kind, control, parameter, exactly(connection, size)


class Hislip:
    """Serves both connections of a session; what goes out for a message is what `reply` makes of its number and text."""

    def __init__(self) -> None:
        self.overlapped = False
        self.unasked = b""
        self.clears = 0
        self.local = 0
        self.said: list[bytes] = []
        self.delivered: list[int] = []
        self.numbers: list[int] = []

    def reply(self, connection: socket.socket, number: int, message: bytes) -> None:
        answer = instrument(message)
        if answer:
            connection.sendall(hislip_message(6, number, answer[:1000]) + hislip_message(7, number, answer[1000:]))

    def __call__(self, connection: socket.socket) -> None:
        while True:
            kind, control, number, payload = received_message(connection)
            fixed = {
                0: hislip_message(1, 0x0100 << 16 | 7, control=int(self.overlapped)),
                17: hislip_message(18, 0x5857),
                15: hislip_message(16, 0, struct.pack("!Q", 1 << 20)),
                19: hislip_message(23),
                8: hislip_message(9),
                10: hislip_message(11),
            }
            self.clears += kind == 8
            self.local += kind == 10
            if kind in fixed:
                connection.sendall((self.unasked if kind in (15, 10) else b"") + fixed[kind])
            elif kind == 7:
                self.said.append(payload.strip())
                self.numbers.append(number)
                self.delivered.append(control)
                self.reply(connection, number, payload)


class Vxi11:
    """Serves the core channel, one link a connection; `send_reply` puts a reply on the wire."""

    def __init__(self) -> None:
        self.links: set[int] = set()
        self.said: list[bytes] = []
        self.created = self.clears = self.local = 0
        self.input_bytes = 1 << 20
        self.refuse_link = 0
        self.chunk_bytes = 1 << 30
        self.fragment_bytes = 1 << 30

    def send_reply(self, connection: socket.socket, transaction: int, result: bytes) -> None:
        reply = struct.pack(">6I", transaction, 1, 0, 0, 0, 0) + result
        while len(reply) > self.fragment_bytes:
            connection.sendall(struct.pack(">I", self.fragment_bytes) + reply[: self.fragment_bytes])
            reply = reply[self.fragment_bytes :]
        connection.sendall(struct.pack(">I", 0x8000_0000 | len(reply)) + reply)

    def answer(self, message: bytes) -> bytes:
        return instrument(message)

    def __call__(self, connection: socket.socket) -> None:
        incoming, pending = bytearray(), bytearray()
        while True:
            (mark,) = struct.unpack(">I", exactly(connection, 4))
            call = exactly(connection, mark & 0x7FFF_FFFF)
            transaction, procedure = struct.unpack_from(">I16xI", call)
            arguments = call[40:]  # after credentials and verifier, both empty
            result = struct.pack(">i", 0)
            if procedure == 10:
                assert struct.unpack_from(">II", arguments, 4) == (0, 0), "no lock, and no waiting for one"
                self.created += not self.refuse_link
                self.links |= set() if self.refuse_link else {self.created}
                result = struct.pack(">iiII", self.refuse_link, self.created, 0, self.input_bytes)
            elif procedure == 11:
                flags, size = struct.unpack_from(">iI", arguments, 12)
                assert size <= self.input_bytes
                incoming += arguments[20 : 20 + size]
                if flags & 8:
                    self.said.append(bytes(incoming).strip())
                    pending[:] = self.answer(bytes(incoming))
                    incoming.clear()
                result = struct.pack(">iI", 0, size)
            elif procedure == 12 and not pending:
                result = struct.pack(">iiI", 15, 0, 0)  # the instrument says itself that nothing came in time
            elif procedure == 12:
                (wanted,) = struct.unpack_from(">I", arguments, 4)
                part = bytes(pending[: min(wanted, self.chunk_bytes)])
                del pending[: len(part)]
                result = struct.pack(">iiI", 0, 0 if pending else 4, len(part)) + part + bytes(-len(part) % 4)
            elif procedure == 23:
                self.links.discard(*struct.unpack_from(">i", arguments))
            self.clears += procedure == 15
            self.local += procedure == 17
            self.send_reply(connection, transaction, result)


def resource_of(way: str, served: str) -> str:
    port = served.split("::")[2]
    return f"TCPIP0::127.0.0.1,{port}::inst0::INSTR" if way == "vxi-11" else f"TCPIP0::127.0.0.1::hislip0,{port}::INSTR"


@pytest.fixture(params=WAYS)
def server(request: pytest.FixtureRequest) -> Hislip | Vxi11:
    return Vxi11() if request.param == "vxi-11" else Hislip()


@pytest.fixture
def resource(server: Hislip | Vxi11, serve: Serve) -> str:
    return resource_of("vxi-11" if isinstance(server, Vxi11) else "hislip", serve(server))


@pytest.fixture
def link(resource: str) -> Iterator[Link]:
    opened = open_link(resource, timeout_s=30.0)
    yield opened
    opened.close()


@pytest.fixture
def hasty_link(resource: str) -> Iterator[Link]:
    """One that gives up soon, but not before an answer comes on a machine that does other things too."""
    opened = open_link(resource, timeout_s=1.0)
    yield opened
    opened.close()


def test_an_instrument_says_what_it_is(link: Link) -> None:
    assert identify(link) == "MAKER,MODEL,1,1"


@pytest.mark.parametrize("index", range(len(PAYLOADS)))
def test_a_block_comes_whole_and_leaves_nothing_behind(link: Link, index: int) -> None:
    assert bytes(link.query_block(f"BLOCK? {index}", len(PAYLOADS[index]))) == PAYLOADS[index]
    assert identify(link) == "MAKER,MODEL,1,1"


def test_a_block_is_received_where_it_stays(link: Link) -> None:
    block = link.query_block("BLOCK? 6", len(PAYLOADS[6]))
    place = block.obj
    assert place.nbytes > block.nbytes, "a view of the place that the wire filled"  # type: ignore[attr-defined]


def test_an_indefinite_block_ends_with_the_message(link: Link) -> None:
    assert bytes(link.query_block("ENDLESS?", 100)) == b"no length\n"


def test_a_block_over_the_limit_is_refused(link: Link) -> None:
    with pytest.raises(ReplyError, match="more than|where 1000"):
        link.query_block(f"BLOCK? {len(PAYLOADS) - 1}", 1000)
    assert link.dirty


def test_a_block_that_ends_early_is_an_error_and_does_not_hang(hasty_link: Link) -> None:
    with pytest.raises((ReplyError, LinkTimeout)):
        hasty_link.query_block("LIAR?", 1000)


def test_a_block_that_ends_early_is_told_with_what_came(hasty_link: Link) -> None:
    with pytest.raises(
        LinkTimeout, match=r"a block of \d+ bytes that was announced as 100, and no more within"
    ) as caught:
        hasty_link.query_block("LIAR?", 1000)
    assert "right instrument family" in caught.value.do


def test_a_scope_that_answered_before_is_not_said_to_be_off(hasty_link: Link) -> None:
    with pytest.raises(LinkTimeout, match=r"no answer within 1 s to NOTHING\?; .*that the scope is on"):
        hasty_link.query("NOTHING?")
    hasty_link.clear()
    identify(hasty_link)
    with pytest.raises(LinkTimeout, match=r"to NOTHING\?; it has answered before, so check that the right .*family"):
        hasty_link.query("NOTHING?")


def test_a_line_of_text_in_place_of_a_block_is_an_error_at_once(link: Link) -> None:
    with pytest.raises(ReplyError, match="no block"):
        link.query_block("TEXT?", 1000)


def test_an_answer_that_is_not_text_is_an_error(link: Link) -> None:
    with pytest.raises(ReplyError, match="not text"):
        link.query("BINARY?")


def test_after_a_time_out_the_link_is_refused_until_it_is_cleared_on_a_new_link(
    hasty_link: Link, server: Hislip | Vxi11
) -> None:
    with pytest.raises(LinkTimeout):
        hasty_link.query("NOTHING?")
    with pytest.raises(LinkLost, match="needs clearing"):
        hasty_link.query("*IDN?")
    hasty_link.clear()
    assert server.clears == 1
    assert identify(hasty_link) == "MAKER,MODEL,1,1"


def test_a_closed_link_gives_the_front_panel_back_and_is_refused(link: Link, server: Hislip | Vxi11) -> None:
    link.close()
    link.close()
    assert server.local == 1
    with pytest.raises(LinkLost):
        link.query("*IDN?")


def test_the_front_panel_is_given_back_when_the_last_command_was_carried_out(
    link: Link, server: Hislip | Vxi11
) -> None:
    link.write("RUN")
    link.close()
    assert (server.local, server.said[-1]) == (1, b"*IDN?")


def test_a_command_that_is_not_ascii_is_a_typed_error_that_names_it(link: Link) -> None:
    with pytest.raises(InstrumentError, match=r"not ASCII .*\\xfc"):
        link.write('CH1:LAB "grün"')


def test_an_idle_connection_shows_signs_of_life(serve: Serve) -> None:
    port = int(serve(Hislip()).split("::")[2])
    wire = Wire(connected(looked_up("127.0.0.1"), port, time.monotonic() + 5.0))
    assert wire._socket.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
    assert wire._socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
    wire.close()


# ---------------------------------------------------------------- what is not there, mute, or closes


@pytest.mark.parametrize("way", WAYS)
def test_nothing_that_listens_is_a_lost_link(way: str) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))  # and nobody else is given it meanwhile
        with pytest.raises(LinkLost, match="refused"):
            open_link(resource_of(way, f"::::{taken.getsockname()[1]}"))


@pytest.mark.parametrize("way", WAYS)
def test_a_port_that_opens_and_is_mute_is_given_up_in_time(
    serve: Serve, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    def mute(connection: socket.socket) -> None:
        exactly(connection, 1 << 20)

    monkeypatch.setattr(vxi11_link, "OPEN_TIMEOUT_S", 0.3)
    monkeypatch.setattr(hislip_link, "OPEN_TIMEOUT_S", 0.3)
    with pytest.raises(LinkTimeout, match="not opened within 0.3 s"):
        open_link(resource_of(way, serve(mute)))


def test_opening_has_the_time_that_is_documented() -> None:
    assert (vxi11_link.OPEN_TIMEOUT_S, hislip_link.OPEN_TIMEOUT_S) == (3.0, 5.0)


def test_a_second_connection_that_is_mute_is_given_up_in_time(serve: Serve, monkeypatch: pytest.MonkeyPatch) -> None:
    def first_alone(connection: socket.socket) -> None:
        if received_message(connection)[0] == 0:
            connection.sendall(hislip_message(1, 0x0100 << 16 | 7))
        exactly(connection, 1 << 20)

    monkeypatch.setattr(hislip_link, "OPEN_TIMEOUT_S", 0.3)
    with pytest.raises(LinkTimeout):
        open_link(resource_of("hislip", serve(first_alone)))


@pytest.mark.parametrize("way", WAYS)
def test_another_protocol_on_the_port_is_a_typed_error(serve: Serve, way: str) -> None:
    def web(connection: socket.socket) -> None:
        connection.recv(100)
        connection.sendall(b"HTTP/1.1 400 Bad Request\r\nConnection: close\r\n\r\n" + b" " * 200)

    with pytest.raises(InstrumentError):
        open_link(resource_of(way, serve(web)))


@pytest.mark.parametrize("way", WAYS)
def test_a_peer_that_closes_ends_the_call_at_once_and_costs_no_time_of_the_processor(serve: Serve, way: str) -> None:
    class ClosingHislip(Hislip):
        def reply(self, connection: socket.socket, number: int, message: bytes) -> None:
            connection.sendall(hislip_message(7, number - 2, b"a stale answer")[:20])  # and closes within it
            raise ConnectionError

    class ClosingVxi11(Vxi11):
        def answer(self, message: bytes) -> bytes:
            raise ConnectionError

    opened = open_link(resource_of(way, serve(ClosingVxi11() if way == "vxi-11" else ClosingHislip())), timeout_s=60.0)
    began_s, spent_s = time.monotonic(), time.thread_time()
    with pytest.raises(LinkLost, match="closed"):
        opened.query("*IDN?")
    assert time.monotonic() - began_s < 20.0
    assert time.thread_time() - spent_s < 1.0
    opened.close()


@pytest.mark.parametrize("way", WAYS)
def test_a_call_ends_in_time_however_slowly_the_bytes_drip(serve: Serve, way: str) -> None:
    ended = threading.Event()

    def drip(connection: socket.socket) -> None:
        while not ended.wait(0.02):
            connection.sendall(b"x")

    class DrippingHislip(Hislip):
        def reply(self, connection: socket.socket, number: int, message: bytes) -> None:
            connection.sendall(struct.pack("!2sBBIQ", b"HS", 7, 0, number, 1000))
            drip(connection)

    class DrippingVxi11(Vxi11):
        def send_reply(self, connection: socket.socket, transaction: int, result: bytes) -> None:
            if len(result) < 20:
                return super().send_reply(connection, transaction, result)
            connection.sendall(struct.pack(">10I", 0x8000_1000, transaction, 1, 0, 0, 0, 0, 0, 4, 1000))
            drip(connection)

    opened = open_link(resource_of(way, serve(DrippingVxi11() if way == "vxi-11" else DrippingHislip())), timeout_s=0.3)
    with pytest.raises(LinkTimeout):
        opened.query("*IDN?")
    ended.set()
    opened.close()


# ---------------------------------------------------------------- HiSLIP alone


def hislip_link_to(serve: Serve, server: Hislip, timeout_s: float = 30.0) -> Link:
    return open_link(resource_of("hislip", serve(server)), timeout_s=timeout_s)


def test_answers_to_earlier_questions_are_passed_over(serve: Serve) -> None:
    class Late(Hislip):
        def reply(self, connection: socket.socket, number: int, message: bytes) -> None:
            connection.sendall(hislip_message(6, number - 2, b"stale,") + hislip_message(7, number - 2, b"stale\n"))
            connection.sendall(hislip_message(13, number - 2) + hislip_message(7, 0xFFFF_FFFF, b"right\n"))

    link = hislip_link_to(serve, Late())
    assert link.query("ANY?") == "right"
    link.close()


def test_it_is_told_with_the_next_message_that_an_answer_was_taken_whole(serve: Serve) -> None:
    server = Hislip()
    link = hislip_link_to(serve, server)
    link.query("*IDN?")
    link.write("SET 1")
    link.write("SET 2")
    link.query("*IDN?")
    assert server.delivered == [0, 1, 0, 0]
    link.close()


def test_message_numbers_begin_where_they_should_and_go_on_past_their_end(serve: Serve) -> None:
    server = Hislip()
    link = hislip_link_to(serve, server)
    for _ in range(200):
        assert link.query("*IDN?") == "MAKER,MODEL,1,1"
    assert server.numbers[:130:129] == [0xFFFF_FF00, 2]
    link.close()


def test_what_comes_unasked_on_the_second_connection_is_passed_over(serve: Serve) -> None:
    server = Hislip()
    server.unasked = hislip_message(20, control=0x40) + hislip_message(14, 5)
    link = hislip_link_to(serve, server)
    assert link.query("*IDN?") == "MAKER,MODEL,1,1"
    link.close()
    assert server.local == 1


def test_a_scope_that_begins_overlapped_is_brought_to_synchronised_mode(serve: Serve) -> None:
    server = Hislip()
    server.overlapped = True
    link = hislip_link_to(serve, server)
    assert server.clears == 1
    assert identify(link) == "MAKER,MODEL,1,1"
    link.close()


def test_answers_to_earlier_questions_without_end_are_a_time_out(serve: Serve) -> None:
    class Flooding(Hislip):
        def reply(self, connection: socket.socket, number: int, message: bytes) -> None:
            while True:
                connection.sendall(hislip_message(7, number - 2) * 10_000)

    link = open_link(resource_of("hislip", serve(Flooding())), timeout_s=0.3)
    with pytest.raises(LinkTimeout):
        link.query_block("*IDN?", 5_000_000)
    link.close()


def test_a_block_in_messages_of_any_size_comes_whole(serve: Serve) -> None:
    class Cutting(Hislip):
        def reply(self, connection: socket.socket, number: int, message: bytes) -> None:
            answer = instrument(message)
            parts = [hislip_message(6, number, answer[at : at + 100]) for at in range(0, len(answer), 100)]
            connection.sendall(b"".join(parts) + hislip_message(7, number))

    link = open_link(resource_of("hislip", serve(Cutting())), timeout_s=30.0)
    assert bytes(link.query_block("BLOCK? 6", 300_000)) == PAYLOADS[6]
    assert identify(link) == "MAKER,MODEL,1,1"
    link.close()


def test_what_an_error_says_is_shown_in_one_line_that_can_be_printed(serve: Serve) -> None:
    class Refusing(Hislip):
        def reply(self, connection: socket.socket, number: int, message: bytes) -> None:
            connection.sendall(hislip_message(3, 0, b"too\0 many\r\n clients\x1b"))

    link = hislip_link_to(serve, Refusing())
    with pytest.raises(LinkLost, match="too many clients"):
        link.query("*IDN?")
    link.close()


@pytest.mark.parametrize("kind", [2, 3])
def test_an_error_of_the_scope_is_shown_in_its_words(serve: Serve, kind: int) -> None:
    class Refusing(Hislip):
        def reply(self, connection: socket.socket, number: int, message: bytes) -> None:
            connection.sendall(hislip_message(kind, 0, b"too many clients", control=4))

    link = hislip_link_to(serve, Refusing())
    with pytest.raises(LinkLost, match="too many clients"):
        link.query("*IDN?")
    link.close()


@pytest.mark.parametrize(
    "answer", [hislip_message(22), hislip_message(99), b"no header at all", hislip_message(7, 0)[:5]]
)
def test_what_is_no_answer_is_a_typed_error(serve: Serve, answer: bytes) -> None:
    class Odd(Hislip):
        def reply(self, connection: socket.socket, number: int, message: bytes) -> None:
            connection.sendall(answer)

    link = hislip_link_to(serve, Odd(), 0.5)
    with pytest.raises((ReplyError, LinkTimeout)):
        link.query("*IDN?")
    link.close()


def test_a_length_that_no_memory_holds_is_refused(serve: Serve) -> None:
    class Huge(Hislip):
        def reply(self, connection: socket.socket, number: int, message: bytes) -> None:
            connection.sendall(struct.pack("!2sBBIQ", b"HS", 7, 0, number, 1 << 62))

    link = hislip_link_to(serve, Huge())
    with pytest.raises(ReplyError, match="more than"):
        link.query("*IDN?")
    link.close()


# ---------------------------------------------------------------- VXI-11 alone


def vxi11_link_to(serve: Serve, server: Vxi11, timeout_s: float = 30.0) -> Link:
    return open_link(resource_of("vxi-11", serve(server)), timeout_s=timeout_s)


@pytest.mark.parametrize(("chunk_bytes", "fragment_bytes"), [(1, 1 << 30), (1000, 7), (1 << 30, 1), (20_480, 4096)])
def test_an_answer_in_any_chunks_and_fragments_comes_whole(serve: Serve, chunk_bytes: int, fragment_bytes: int) -> None:
    server = Vxi11()
    server.chunk_bytes, server.fragment_bytes = chunk_bytes, fragment_bytes
    link = open_link(resource_of("vxi-11", serve(server)), timeout_s=30.0)
    assert bytes(link.query_block("BLOCK? 2", 700)) == b"\n" * 700
    assert identify(link) == "MAKER,MODEL,1,1"
    link.close()


def test_a_message_longer_than_the_scope_takes_at_once_is_sent_in_parts(serve: Serve) -> None:
    server = Vxi11()
    server.input_bytes = 1024
    link = vxi11_link_to(serve, server)
    assert link.query("*IDN?" + " " * 5000) == "MAKER,MODEL,1,1"
    link.close()


def test_every_link_is_destroyed_however_it_ended(serve: Serve) -> None:
    server = Vxi11()
    served = resource_of("vxi-11", serve(server))
    for turn in range(20):
        link = open_link(served, timeout_s=30.0)  # the server says itself that nothing came
        if turn % 2:
            with pytest.raises(LinkTimeout):
                link.query("NOTHING?")
        link.close()
    assert server.created == 20
    assert server.links == set()


@pytest.mark.parametrize(("error", "said"), [(9, "no link left"), (11, "locked"), (77, "error 77")])
def test_a_link_that_is_refused_says_why_and_leaves_no_connection(serve: Serve, error: int, said: str) -> None:
    server = Vxi11()
    server.refuse_link = error
    with pytest.raises(LinkLost, match=said):
        vxi11_link_to(serve, server)


def test_replies_to_earlier_calls_are_passed_over(serve: Serve) -> None:
    class Late(Vxi11):
        def send_reply(self, connection: socket.socket, transaction: int, result: bytes) -> None:
            super().send_reply(connection, transaction - 1, b"a stale result")
            super().send_reply(connection, transaction, result)

    link = vxi11_link_to(serve, Late())
    assert identify(link) == "MAKER,MODEL,1,1"
    link.close()


@pytest.mark.parametrize(
    ("reply", "said"),
    [
        (struct.pack(">7I", 0x8000_0018, 2, 1, 0, 0, 0, 3), "status 3"),  # procedure unavailable
        (struct.pack(">5I", 0x8000_0010, 2, 1, 1, 0), "denied"),
        (struct.pack(">6I", 0xFFFF_FFFF, 2, 1, 0, 0, 1 << 30), "verifier"),
        (struct.pack(">3I", 0x8000_0008, 2, 1), "cut short"),
        (struct.pack(">I", 0x8000_0000), "cut short"),
        (b"garbage and more of it, for as long as the header is", "no answer"),
    ],
)
def test_a_reply_that_is_none_is_a_typed_error(serve: Serve, reply: bytes, said: str) -> None:
    class Odd(Vxi11):
        def send_reply(self, connection: socket.socket, transaction: int, result: bytes) -> None:
            if transaction == 2:
                connection.sendall(reply)
            else:
                super().send_reply(connection, transaction, result)

    link = vxi11_link_to(serve, Odd(), 0.5)
    with pytest.raises((ReplyError, LinkTimeout), match=said):
        link.query("*IDN?")
    link.close()


def test_the_port_mapper_is_asked_where_the_resource_names_no_port(
    serve: Serve, monkeypatch: pytest.MonkeyPatch
) -> None:
    server = Vxi11()
    port = int(serve(server).split("::")[2])

    def port_mapper(connection: socket.socket) -> None:
        (mark,) = struct.unpack(">I", exactly(connection, 4))
        call = exactly(connection, mark & 0x7FFF_FFFF)
        assert struct.unpack_from(">3I", call, 12) == (100000, 2, 3)
        assert struct.unpack_from(">4I", call, 40) == (0x0607AF, 1, 6, 0)
        server.send_reply(connection, struct.unpack_from(">I", call)[0], struct.pack(">I", port))

    mapper = int(serve(port_mapper).split("::")[2])
    monkeypatch.setattr(vxi11_link, "PORT_MAPPER_PORT", mapper)
    link = open_link("TCPIP0::127.0.0.1::inst0::INSTR", timeout_s=30.0)
    assert identify(link) == "MAKER,MODEL,1,1"
    link.close()
