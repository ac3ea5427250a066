"""A raw TCP link to an instrument: a byte stream of commands and answers, with nothing to mark where an answer ends."""

import select
import socket
import time
from collections.abc import Callable
from typing import Self

import numpy as np

from .blocks import HEADER_LIMIT_BYTES, LINE_ENDS, block_header, check_tail, shown
from .errors import InstrumentError, LinkError, LinkLost, LinkTimeout, ReplyError
from .replies import other_protocol, short
from .wire import connected, looked_up, message_of, reason

REPLY_LIMIT_BYTES = 65_536
PATIENCE_GRAIN_S = 0.02
"""The time-out of the socket is set anew only when it is so far from what is left: a call to the system each."""
CHECK_POWER = "check the address, and that the scope is on and on the network"
ANSWERED_BEFORE = (
    "it has answered before, so check that the right instrument family is in use, that no other program speaks to it, and "
    "that it is still on and connected"
)
REOPEN = "close it and open it again"


class SocketLink:
    """A link over a TCP socket.

    Every call is bounded as a whole by `timeout_s`, however slowly the bytes drip. A raw socket knows no device clear, so
    after a time-out or a reply that cannot be one it is closed at once, and `clear` connects anew: a late answer
    is never taken for that to the next question.

    Nothing on a raw socket says which question an answer is to. What nobody asked for is an error where it has come before
    the next question is sent; what comes later is taken for that one's answer, and every later answer then slips by one.
    Two things make that known: a block cannot be taken for a text nor a text for a block, so that no record is fetched,
    and no question after one answered, by answers that slipped; and `ScpiDriver` ends reading a user's set-up with a
    question whose answer is unlike all others. What remains is a lone text answer between these, such as a setting's
    that `configure` reads back: no level comes of it. The other links pair answers with questions.
    """

    def __init__(self, resource: str, host: str, port: int, *, timeout_s: float, connect_timeout_s: float) -> None:
        self._resource = resource
        self._host, self._port = host, port
        self._timeout_s = timeout_s
        self._connect_timeout_s = connect_timeout_s
        self._scratch = bytearray(4096)
        self._socket: socket.socket | None = self._connect()

    @property
    def resource(self) -> str:
        return self._resource

    @property
    def dirty(self) -> bool:
        return self._socket is None

    def write(self, command: str) -> None:
        with _Conversation(self) as talk:
            talk.send(command)

    def query(self, command: str) -> str:
        with _Conversation(self) as talk:
            talk.send(command)
            return talk.line()

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        with _Conversation(self) as talk:
            talk.send(command)
            return talk.block(limit_bytes)

    def clear(self) -> None:
        self.close()
        self._socket = self._connect()

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _connect(self) -> socket.socket:
        try:
            addresses = looked_up(self._host)
            connection = connected(addresses, self._port, time.monotonic() + self._connect_timeout_s)
        except TimeoutError as error:
            raise LinkTimeout(
                f"no connection within {self._connect_timeout_s:g} s", where=self._resource, do=CHECK_POWER
            ) from error
        except (OSError, UnicodeError) as error:
            raise LinkLost(f"no connection ({reason(error)})", where=self._resource, do=CHECK_POWER) from error
        self._bytes_wait = waiting_bytes(connection)
        self._heard = False
        return connection


class _Conversation:
    """One message and its answer under one deadline; whatever goes wrong leaves the link closed."""

    def __init__(self, link: SocketLink) -> None:
        self._link = link
        self._where = link.resource
        if link._socket is None:
            raise LinkLost("the link was closed after an error", where=self._where, do=REOPEN)
        self._socket = link._socket
        self._deadline = time.monotonic() + link._timeout_s
        self._asked = ""
        self._came, self._wanted = 0, 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: object) -> None:
        if error is None:
            self._link._heard = self._link._heard or bool(self._came)
            return
        heard = self._link._heard or bool(self._came)
        self._link.close()
        if isinstance(error, TimeoutError):
            raise LinkTimeout(
                timed_out(self._asked, self._link._timeout_s, self._came, self._wanted),
                where=self._where,
                do=ANSWERED_BEFORE if heard else CHECK_POWER,
            ) from error
        if isinstance(error, OSError):
            raise LinkLost(f"the connection broke ({reason(error)})", where=self._where, do=CHECK_POWER) from error

    def send(self, command: str) -> None:
        """Send one message, after making sure that nothing is waiting that could be taken for its answer."""
        message = message_of(command, where=self._where)
        self._asked = command
        self._drain()
        self._wait_no_longer_than_the_deadline()
        self._socket.sendall(message)

    def line(self) -> str:
        """One line of answer. Line ends before it belong to the block before."""
        reply = bytearray()
        scratch = memoryview(self._link._scratch)
        while b"\n" not in reply:
            reply += scratch[: self._receive(scratch)]
            if not reply.strip(LINE_ENDS):
                reply.clear()
            if len(reply) > REPLY_LIMIT_BYTES:
                raise self._nonsense(f"a line of more than {REPLY_LIMIT_BYTES} bytes: {shown(reply)}")
        first, _, rest = bytes(reply).lstrip(LINE_ENDS).partition(b"\n")
        if rest.strip(LINE_ENDS):
            other = other_protocol(first.decode("latin-1"))
            raise self._nonsense(other or f"more than one line of answer: {shown(rest)}")
        return text_of(first, where=self._where)

    def block(self, limit_bytes: int) -> memoryview:
        """The payload of a definite block, received into the one place where it stays.

        That has room for the longest block that may come and no more; what is not filled costs no memory.
        """
        place = np.empty(HEADER_LIMIT_BYTES + limit_bytes + len(LINE_ENDS), np.uint8).data
        count, header = 0, None
        while header is None:
            count += self._receive(place[count:])
            start = bytes(place[: min(count, HEADER_LIMIT_BYTES)])
            header = block_header(start, limit_bytes=limit_bytes, where=self._where)
            if header is None and b"#" not in start and b"\n" in start.lstrip(LINE_ENDS):
                raise self._nonsense(f"a line of text in place of a block: {shown(start)}")
        if header.length is None:
            raise self._nonsense("a block without a length, which a raw socket cannot end")
        self._wanted = header.end
        while count < header.end:
            count += self._receive(place[count:])
        check_tail(bytes(place[header.end : min(count, header.end + 40)]), where=self._where)
        return place[header.start : header.end]

    def _receive(self, place: memoryview) -> int:
        """How many bytes came, at least one."""
        self._wait_no_longer_than_the_deadline()
        count = self._socket.recv_into(place)
        if count == 0:
            raise self._ended()
        self._came += count
        return count

    def _drain(self) -> None:
        """Take line ends that followed a block; anything else that nobody asked for is an error."""
        while self._link._bytes_wait():
            stale = self._socket.recv(40)
            if not stale:
                raise self._ended()
            if stale.strip(LINE_ENDS):
                raise self._nonsense(f"bytes that nobody asked for: {shown(stale)}")

    def _wait_no_longer_than_the_deadline(self) -> None:
        left_s = self._deadline - time.monotonic()
        if left_s <= 0.0:
            raise TimeoutError
        present_s = self._socket.gettimeout()
        if present_s is None or not left_s <= present_s < left_s + PATIENCE_GRAIN_S:
            self._socket.settimeout(left_s)

    def _ended(self) -> LinkError:
        return LinkLost("it closed the connection", where=self._where, do=CHECK_POWER)

    def _nonsense(self, what: str) -> InstrumentError:
        return ReplyError(what, where=self._where, do="check that it is a scope's SCPI port")


def waiting_bytes(connection: socket.socket) -> Callable[[], bool]:
    """Tells whether bytes wait, or an end; by poll where there is one, as select ends at descriptor 1023."""
    if not hasattr(select, "poll"):
        return lambda: bool(select.select([connection], [], [], 0)[0])
    poll = select.poll()
    poll.register(connection, select.POLLIN)
    return lambda: bool(poll.poll(0))


def timed_out(asked: str, timeout_s: float, came: int = 0, wanted: int = 0) -> str:
    """What to say of an answer that did not come in time, or not whole: `came` of `wanted` bytes (0: nobody knows)."""
    question = f" to {short(asked, 40)}" if asked else ""
    if not came:
        return f"no answer within {timeout_s:g} s{question}"
    how_much = f"{came} of {wanted} bytes" if wanted else f"{came} bytes"
    return f"no whole answer within {timeout_s:g} s{question}: {how_much} came"


def text_of(reply: bytes | bytearray, *, where: str) -> str:
    """A line of answer as text, without line end. Raises ReplyError if it is not printable."""
    text = reply.decode("latin-1").strip()
    if not text.replace("\t", " ").isprintable():
        raise ReplyError(
            f"an answer that is not text: {shown(reply)}", where=where, do="check that it is a scope's SCPI port"
        )
    return text
