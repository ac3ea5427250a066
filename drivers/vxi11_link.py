"""VXI-11 (revision 1.0), the core channel: remote procedure calls (RFC 5531) whose data go straight into their place.

A client of our own since pyvisa-py 0.8.1 spins for the whole time-out where the instrument closes the connection, takes 5 s
to give up a mute one, overruns the time-out by a second, and leaks the connection of a link that is refused.
"""

import random
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from .errors import LinkLost, ReplyError
from .message_link import CHECK_POWER, REOPEN, MessageLink
from .wire import Wire, connected, looked_up

OPEN_TIMEOUT_S = 3.0
FAREWELL_S = 0.3
ANSWER_MARGIN_S = 0.2
"""The instrument is given so much less than we have, so that it says itself that nothing came in time."""
PORT_MAPPER, PORT_MAPPER_PORT, GET_PORT, TCP = (100000, 2), 111, 3, 6
CORE = (0x0607AF, 1)
CREATE_LINK, WRITE, READ, CLEAR, LOCAL, DESTROY_LINK = 10, 11, 12, 15, 17, 23
END_FLAG = 8
MESSAGE_ENDS = 4
SMALLEST_INPUT_BYTES = 1024
"""Every instrument takes this much at once (rule B.6.3)."""
VERIFIER_LIMIT_BYTES = 400
IO_TIMEOUT = 15
ERRORS = {
    1: "syntax error",
    3: "no such device",
    4: "the link is not valid any more",
    5: "parameter error",
    8: "not supported",
    9: "it has no link left; links that were not given back end when it is switched off",
    11: "another program has locked it",
    17: "input or output error",
    23: "aborted",
}


class _Reply:
    """The results of a call, taken from its record piece by piece (record marking: RFC 5531, 11)."""

    def __init__(self, wire: Wire, deadline_s: float) -> None:
        self._wire = wire
        self._deadline_s = deadline_s
        self._left = 0
        self._last = False

    def take(self, layout: str) -> tuple[int, ...]:
        """The next values. Raises EOFError where the record ends before."""
        values = bytearray(struct.calcsize(layout))
        self.fill(memoryview(values))
        return struct.unpack(layout, values)

    def fill(self, place: memoryview) -> None:
        """The next bytes into `place`. Raises EOFError."""
        while place:
            self._next_fragment()
            count = min(self._left, len(place))
            self._wire.fill(place[:count], self._deadline_s)
            self._left -= count
            place = place[count:]

    def end(self) -> None:
        """Pass over what is left: padding, or a reply that nobody waits for."""
        while self._left or not self._last:
            self._next_fragment()
            self._wire.discard(self._left, self._deadline_s)
            self._left = 0

    def _next_fragment(self) -> None:
        while not self._left:
            if self._last:
                raise EOFError
            (mark,) = struct.unpack(">I", self._wire.receive(4, self._deadline_s))
            self._last, self._left = bool(mark >> 31), mark & 0x7FFF_FFFF
            if self._last and not self._left:
                return


class Vxi11Link(MessageLink):
    """A link over VXI-11; `port` 0 asks the instrument's port mapper."""

    def __init__(self, resource: str, host: str, port: int, device: str, *, timeout_s: float) -> None:
        self._host = host
        self._port = port
        self._device = device.encode("ascii")
        self._transaction = 0
        super().__init__(resource, timeout_s=timeout_s, open_timeout_s=OPEN_TIMEOUT_S)

    def _look_up(self) -> None:
        self._addresses = looked_up(self._host)

    def _connect(self, deadline_s: float) -> None:
        port = self._port or self._mapped_port(deadline_s)
        self._wire = Wire(connected(self._addresses, port, deadline_s))
        try:
            device = struct.pack(">I", len(self._device)) + self._device + bytes(-len(self._device) % 4)
            arguments = struct.pack(">iII", random.getrandbits(31), 0, 0) + device
            error, self._link, _, limit = self._call(CREATE_LINK, arguments, ">iiII", deadline_s)
            self._check(error)
            self._input_bytes = max(limit, SMALLEST_INPUT_BYTES)
        except BaseException:
            self._wire.close()
            raise

    def clear(self) -> None:
        """A new link, on which a device clear frees the instrument from what it was doing."""
        super().clear()
        self._converse(self._generic, CLEAR)

    def _send(self, message: bytes, deadline_s: float) -> None:
        while message:
            part, message = message[: self._input_bytes], message[self._input_bytes :]
            flags = 0 if message else END_FLAG
            arguments = struct.pack(">iIIiI", self._link, _wait_ms(deadline_s), 0, flags, len(part)) + part
            error, count = self._call(WRITE, arguments + bytes(-len(part) % 4), ">iI", deadline_s)
            self._check(error)
            if count != len(part):
                raise ReplyError(f"it took {count} of {len(part)} bytes", where=self._resource, do=REOPEN)

    def _receive(self, place: memoryview, deadline_s: float) -> int:
        count, reason = 0, 0
        while not reason & MESSAGE_ENDS:
            wanted = len(place) - count
            if not wanted:
                raise self._too_long(len(place))
            arguments = struct.pack(">iIIIii", self._link, wanted, _wait_ms(deadline_s), 0, 0, 0)
            with self._reply(self._wire, CORE, READ, arguments, deadline_s) as reply:
                error, reason, length = reply.take(">iiI")
                self._check(error)
                if length > wanted:
                    raise self._too_long(wanted)
                reply.fill(place[count : count + length])
            count += length
        return count

    def _give_back(self, *, clean: bool) -> None:
        deadline_s = time.monotonic() + FAREWELL_S
        with suppress(OSError, LinkLost, ReplyError):
            if clean:
                self._generic(deadline_s, LOCAL)
                self._call(DESTROY_LINK, struct.pack(">i", self._link), ">i", deadline_s)
            else:  # an answer may be half-way: say it and hear nothing more
                self._wire.send(self._record(CORE, DESTROY_LINK, struct.pack(">i", self._link)), deadline_s)
                self._wire.finish(deadline_s)
        self._wire.close()

    def _generic(self, deadline_s: float, procedure: int) -> None:
        arguments = struct.pack(">iiII", self._link, 0, 0, _wait_ms(deadline_s))
        self._check(*self._call(procedure, arguments, ">i", deadline_s))

    def _mapped_port(self, deadline_s: float) -> int:
        """Where the port mapper says that the core channel is."""
        wire = Wire(connected(self._addresses, PORT_MAPPER_PORT, deadline_s))
        try:
            arguments = struct.pack(">4I", *CORE, TCP, 0)
            with self._reply(wire, PORT_MAPPER, GET_PORT, arguments, deadline_s) as reply:
                (port,) = reply.take(">I")
        finally:
            wire.close()
        if not 0 < port < 65536:
            raise LinkLost("it does not serve VXI-11", where=self._resource, do="use its raw socket or HiSLIP")
        return port

    def _call(self, procedure: int, arguments: bytes, layout: str, deadline_s: float) -> tuple[int, ...]:
        """The results of a call on the core channel."""
        with self._reply(self._wire, CORE, procedure, arguments, deadline_s) as reply:
            return reply.take(layout)

    @contextmanager
    def _reply(
        self, wire: Wire, program: tuple[int, int], procedure: int, arguments: bytes, deadline_s: float
    ) -> Iterator[_Reply]:
        """Make a call; its reply, at the results, which is read to its end afterwards."""
        wire.send(self._record(program, procedure, arguments), deadline_s)
        try:
            while True:
                reply = _Reply(wire, deadline_s)
                transaction, kind, denied = reply.take(">3I")
                if transaction == self._transaction:
                    break
                reply.end()  # the answer to an earlier call
            if kind != 1 or denied:
                raise self._refused("denied")
            _, length = reply.take(">2I")
            if length > VERIFIER_LIMIT_BYTES:
                raise self._refused("a verifier too long")
            reply.take(f">{length + -length % 4}x")
            (status,) = reply.take(">I")
            if status:
                raise self._refused(f"status {status}")
            yield reply
            reply.end()
        except EOFError as error:
            raise ReplyError("a reply that is cut short", where=self._resource, do=REOPEN) from error

    def _record(self, program: tuple[int, int], procedure: int, arguments: bytes) -> bytes:
        """A call with a new transaction number, as one record."""
        self._transaction += 1
        call = struct.pack(">6I", self._transaction, 0, 2, *program, procedure) + bytes(16) + arguments
        return struct.pack(">I", 0x8000_0000 | len(call)) + call

    def _refused(self, how: str) -> ReplyError:
        return ReplyError(f"a call that is refused ({how})", where=self._resource, do="use its raw socket or HiSLIP")

    def _check(self, error: int) -> None:
        if error == IO_TIMEOUT:
            raise TimeoutError
        if error:
            said = ERRORS.get(error, f"VXI-11 error {error}")
            raise LinkLost(f"the scope refuses ({said})", where=self._resource, do=CHECK_POWER)


def _wait_ms(deadline_s: float) -> int:
    return max(int((deadline_s - ANSWER_MARGIN_S - time.monotonic()) * 1e3), 1)
