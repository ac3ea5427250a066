"""The raw socket link against servers that misbehave in every way that scopes do."""

import queue
import socket
import threading
import tracemalloc
from collections.abc import Callable

import pytest

from peakwhite.drivers.errors import InstrumentError, LinkLost, LinkTimeout, ReplyError
from peakwhite.drivers.links import identify, open_link

Serve = Callable[[Callable[[socket.socket], None]], str]
SHORT_S = 0.2
ROOM_S = 1.5
"""For what has to come before the time is over, on a machine that does other things too."""


def answering(*answers: bytes) -> Callable[[socket.socket], None]:
    """A handler that sends one of the answers after each line that comes."""

    def handler(connection: socket.socket) -> None:
        lines = connection.makefile("rb")
        with lines:
            for answer in answers:
                lines.readline()
                connection.sendall(answer)
            lines.readline()

    return handler


def test_a_query_gives_its_line_without_line_end(serve: Serve) -> None:
    link = open_link(serve(answering(b"1.5E0\r\n", b"ok\n")))
    assert link.query("A?") == "1.5E0"
    assert link.query("B?") == "ok"
    link.close()


def test_a_write_puts_one_line_on_the_wire(serve: Serve) -> None:
    seen: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    link = open_link(serve(lambda connection: seen.put(connection.recv(100))))
    link.write(":RUN")
    assert seen.get(timeout=30.0) == b":RUN\n"
    link.close()


def test_a_command_that_is_not_ascii_is_a_typed_error_that_names_it(serve: Serve) -> None:
    link = open_link(serve(lambda connection: None))
    with pytest.raises(InstrumentError, match=r"not ASCII .*CH1:LAB.*\\xfc"):
        link.write('CH1:LAB "grün"')
    link.close()


def test_nothing_that_listens_is_a_lost_link() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))  # and nobody else is given it meanwhile
        with pytest.raises(LinkLost, match="refused"):
            open_link(f"TCPIP0::127.0.0.1::{taken.getsockname()[1]}::SOCKET")


def test_a_host_that_does_not_exist_is_a_lost_link() -> None:
    with pytest.raises(LinkLost, match="no connection"):
        open_link("TCPIP0::host.invalid::5025::SOCKET")


def test_ipv6_is_spoken() -> None:
    if not socket.has_dualstack_ipv6():
        pytest.skip("this machine has no IPv6")
    with socket.create_server(("::1", 0), family=socket.AF_INET6) as listening:
        link = open_link(f"TCPIP0::[::1]::{listening.getsockname()[1]}::SOCKET")
        connection, _ = listening.accept()
        with connection:
            connection.sendall(b"")
        link.close()


def test_a_server_that_never_answers_is_a_time_out_and_never_asked_again(serve: Serve) -> None:
    link = open_link(serve(answering(b"")), timeout_s=SHORT_S)
    with pytest.raises(LinkTimeout, match="that the scope is on"):
        link.query("*IDN?")
    assert link.dirty
    with pytest.raises(LinkLost, match="closed after an error"):
        link.query("*IDN?")


def test_a_scope_that_answered_before_is_not_said_to_be_off(serve: Serve) -> None:
    link = open_link(serve(answering(b"MAKER,MODEL,1,1\n", b"")), timeout_s=ROOM_S)
    identify(link)
    with pytest.raises(LinkTimeout, match=r"no answer within 1\.5 s to :OPER:COND\?; it has answered before") as caught:
        link.query(":OPER:COND?")
    assert "right instrument family" in caught.value.do


def test_a_block_that_breaks_off_is_told_with_how_much_came(serve: Serve) -> None:
    link = open_link(serve(answering(b"#41000" + b"x" * 300)), timeout_s=ROOM_S)
    with pytest.raises(
        LinkTimeout, match=r"no whole answer within 1\.5 s to CURV\?: 306 of 1006 bytes came; it has answ"
    ):
        link.query_block("CURV?", 1000)


def test_a_late_answer_is_never_taken_for_the_next_one(serve: Serve) -> None:
    timed_out = threading.Event()

    def late(connection: socket.socket) -> None:
        lines = connection.makefile("rb")
        with lines:
            first = lines.readline()
            if first == b"LATE?\n":
                timed_out.wait(30.0)
                connection.sendall(b"late\n")
                lines.readline()
            else:
                connection.sendall(b"fresh\n")
                lines.readline()

    link = open_link(serve(late), timeout_s=ROOM_S)
    with pytest.raises(LinkTimeout):
        link.query("LATE?")
    timed_out.set()
    link.clear()
    assert not link.dirty
    assert link.query("FRESH?") == "fresh"
    link.close()


def test_a_slow_drip_is_bounded_as_a_whole(serve: Serve) -> None:
    enough = threading.Event()

    def drip(connection: socket.socket) -> None:
        for _ in range(100):
            connection.sendall(b".")
            if enough.wait(SHORT_S / 4):
                return

    link = open_link(serve(drip), timeout_s=SHORT_S)
    with pytest.raises((LinkTimeout, ReplyError)):
        link.query("A?")
        link.query("B?")
    enough.set()


def test_bytes_that_nobody_asked_for_are_an_error(serve: Serve) -> None:
    sent = threading.Event()

    def banner(connection: socket.socket) -> None:
        connection.sendall(b"Welcome\n")
        sent.set()
        connection.recv(100)

    link = open_link(serve(banner))
    assert sent.wait(30.0)
    with pytest.raises(ReplyError, match="nobody asked for: 'Welcome"):
        while True:  # until the banner has crossed
            link.query("A?")
    assert link.dirty


def test_a_closed_connection_is_noticed_at_once(serve: Serve) -> None:
    link = open_link(serve(lambda connection: None), timeout_s=60.0)
    with pytest.raises(LinkLost):
        link.query("*IDN?")


def test_a_connection_that_ends_within_a_block_is_a_lost_link(serve: Serve) -> None:
    def cut(connection: socket.socket) -> None:
        connection.recv(100)
        connection.sendall(b"#41000" + b"x" * 300)

    link = open_link(serve(cut), timeout_s=60.0)
    with pytest.raises(LinkLost, match="closed the connection"):
        link.query_block("CURV?", 1000)


@pytest.mark.parametrize("payload", [b"", b"\n", b"\n\r" * 40, bytes(range(256)) * 40])
def test_a_block_comes_whole_whatever_its_bytes(serve: Serve, payload: bytes) -> None:
    block = b"#9%09d" % len(payload) + payload + b"\n"
    link = open_link(serve(answering(b":CURVE " + block, b"next\n")))
    assert bytes(link.query_block("CURV?", 20_000)) == payload
    assert link.query("A?") == "next"
    link.close()


def test_line_ends_after_a_block_that_come_late_belong_to_it(serve: Serve) -> None:
    link = open_link(serve(answering(b"#15hello", b"\n\nnext\n")))
    assert bytes(link.query_block("CURV?", 5)) == b"hello"
    assert link.query("A?") == "next"
    link.close()


def test_a_header_that_announces_too_much_is_a_time_out(serve: Serve) -> None:
    link = open_link(serve(answering(b"#16hello\n"[:-1])), timeout_s=SHORT_S)
    with pytest.raises(LinkTimeout):
        link.query_block("CURV?", 10)
    assert link.dirty


def test_a_header_that_announces_too_little_is_an_error(serve: Serve) -> None:
    link = open_link(serve(answering(b"#14hello\n")))
    with pytest.raises(ReplyError, match="after the end of a block"):
        link.query_block("CURV?", 10)
    assert link.dirty


def test_what_a_header_left_unannounced_is_never_an_answer(serve: Serve) -> None:
    rest_sent = threading.Event()

    def in_two_parts(connection: socket.socket) -> None:
        connection.recv(100)
        connection.sendall(b"#9000010000" + b"x" * 10_000)
        connection.sendall(b"y" * 100 + b"\n")
        rest_sent.set()
        connection.recv(100)

    link = open_link(serve(in_two_parts))
    with pytest.raises(ReplyError):
        link.query_block("CURV?", 10_000)
        assert rest_sent.wait(30.0)
        link.query("*IDN?")
    assert link.dirty


def test_an_oversized_block_is_refused_before_memory_is_taken(serve: Serve) -> None:
    link = open_link(serve(answering(b"#9900000000")))
    tracemalloc.start()
    with pytest.raises(ReplyError, match="900000000 bytes where 1000"):
        link.query_block("CURV?", 1000)
    _, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak_bytes < 1_000_000


def test_an_endless_line_is_refused(serve: Serve) -> None:
    link = open_link(serve(answering(b"x" * 100_000)))
    with pytest.raises(ReplyError, match="a line of more than"):
        link.query("A?")


def test_an_indefinite_block_is_refused(serve: Serve) -> None:
    link = open_link(serve(answering(b"#0hello\n")))
    with pytest.raises(ReplyError, match="without a length"):
        link.query_block("CURV?", 10)


def test_text_in_place_of_a_block_is_an_error_at_once(serve: Serve) -> None:
    link = open_link(serve(answering(b"no data\n")), timeout_s=60.0)
    with pytest.raises(ReplyError, match="line of text"):
        link.query_block("CURV?", 10)


@pytest.mark.parametrize(
    "answer",
    [
        b"HTTP/1.1 400 Bad Request\r\ncontent-length: 0\r\n\r\n",
        b"HTTP/1.1 400 Bad Request\r\n",
        b"<!DOCTYPE HTML>\n",
        b"\x00\x01\n",
    ],
)
def test_what_speaks_something_else_is_a_reply_error(serve: Serve, answer: bytes) -> None:
    link = open_link(serve(answering(answer)))
    with pytest.raises(ReplyError):
        identify(link)
    link.close()


def test_closing_twice_is_fine(serve: Serve) -> None:
    link = open_link(serve(answering()))
    link.close()
    link.close()
    with pytest.raises(LinkLost):
        link.write(":RUN")
