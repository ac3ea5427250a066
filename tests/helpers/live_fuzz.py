"""Conversations that no honest client has with the live socket: hypothesis makes them, a bare socket has them.

Right requests are spoilt in their JSON, and then in the frames that carry them. Whatever is said, the daemon answers as its
schema has it or closes with one of `CODES`; and a good viewer beside it goes on.
"""

import asyncio
import json
import struct
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from urllib.request import urlopen

from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from crowd import LENGTHS, Looker, address_of, join, leave

CODES = {1002, 1007, 1008, 1009}
"""Against the protocol; no text; a message that is not taken; one that is too long."""

ENDS_S = 40.0
TEXT, BINARY, CLOSE, PING, PONG = 1, 2, 8, 9, 10

_REQUESTS = st.one_of(
    st.fixed_dictionaries(
        {"type": st.just("lines"), "width": st.integers(0, 4096)},
        optional={
            "from_us": st.floats(-1e4, 1e4) | st.integers(-100, 100),
            "to_us": st.floats(-1e4, 1e4) | st.integers(-100, 100),
            "single": st.integers(0, 8),
        },
    ),
    st.fixed_dictionaries({"type": st.just("control"), "token": st.text(max_size=200)}),
)
_ODD = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.integers(2**53, 2**4000)
    | st.floats()
    | st.text()
    | st.sampled_from(["lines", "\ud800", "\x00", 5e-324, -0.0, 1e308]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)


@st.composite
def _spoilt_request(draw: st.DrawFn) -> str:
    """A request with a value, a key or its text no longer what it was."""
    request: dict[str, Any] = dict(draw(_REQUESTS))
    key = draw(st.sampled_from(sorted(request)) | st.text(max_size=8))
    if draw(st.booleans()):
        request[key] = draw(_ODD)
    else:
        request.pop(key, None)
    text = json.dumps(request, ensure_ascii=True)
    return text[: draw(st.integers(0, len(text)))] if draw(st.integers(0, 3)) == 0 else text


_TEXTS = st.one_of(
    _REQUESTS.map(json.dumps),
    _spoilt_request(),
    _ODD.map(json.dumps),
    st.text(max_size=100).map(lambda text: text.encode("utf-8", "replace").decode()),
    st.integers(1, 30_000).map(lambda depth: "[" * depth),
    st.integers(1, 2_000).map(lambda depth: '{"type":"lines","width":' + '{"a":' * depth),
    st.integers(1, 6_000).map(lambda digits: '{"type":"lines","width":' + "9" * digits + "}"),
)
_PAYLOADS = _TEXTS.map(str.encode) | st.binary(max_size=200) | st.integers(4_000, 70_000).map(bytes)


def frame(opcode: int, payload: bytes, *, fin: bool = True, reserved: int = 0, masked: bool = True) -> bytes:
    """A frame as a client sends it, masked with zeros, if not otherwise."""
    size, mask = len(payload), 0x80 if masked else 0
    length = bytes((mask | size,)) if size < 126 else None
    if length is None:
        length = bytes((mask | 126,)) + struct.pack(">H", size) if size < 65536 else b""
    if not length:
        length = bytes((mask | 127,)) + struct.pack(">Q", size)
    return bytes((fin << 7 | reserved << 4 | opcode,)) + length + bytes(4 if masked else 0) + payload


@st.composite
def _in_pieces(draw: st.DrawFn) -> bytes:
    """A message in fragments, with a ping or something worse between them."""
    payload = draw(_PAYLOADS)
    cuts = sorted(draw(st.lists(st.integers(0, len(payload)), max_size=4)))
    pieces = [payload[begin:end] for begin, end in zip([0, *cuts], [*cuts, len(payload)], strict=True)]
    between = draw(st.sampled_from([b"", frame(PING, b"are you there"), frame(TEXT, b"me too"), frame(PONG, b"")]))
    opcode = draw(st.sampled_from([TEXT, BINARY, 0]))
    frames = [
        frame(opcode if place == 0 else 0, piece, fin=place == len(pieces) - 1) for place, piece in enumerate(pieces)
    ]
    return between.join(frames)


_FRAMES = st.one_of(
    _TEXTS.map(str.encode).map(lambda payload: frame(TEXT, payload)),
    _in_pieces(),
    st.builds(frame, st.sampled_from([TEXT, BINARY]), _PAYLOADS),
    st.builds(frame, st.sampled_from([CLOSE, PING, PONG]), st.binary(max_size=140), fin=st.booleans()),
    st.builds(
        frame,
        st.integers(0, 15),
        st.binary(max_size=20),
        fin=st.booleans(),
        reserved=st.integers(0, 7),
        masked=st.booleans(),
    ),
    st.integers(0, 70_000).map(lambda code: frame(CLOSE, struct.pack(">H", code % 65536) + b"bye")),
    st.binary(max_size=40),
    st.binary(min_size=8, max_size=8).map(lambda size: bytes((0x80 | TEXT, 0xFF)) + size + bytes(4)),
)
conversations: st.SearchStrategy[bytes] = st.lists(_FRAMES, min_size=1, max_size=4).map(b"".join)
"""What one client sends after its upgrade."""


class Talker(Looker):
    """A client that says one thing and holds every frame that it hears against the schema."""

    def __init__(self, url: str, validators: dict[str, Any]) -> None:
        super().__init__(url)
        self._validators = validators
        self.wrong: list[str] = []

    def _take(self, opcode: int, payload: bytes) -> None:
        if opcode == CLOSE and not payload:
            self.close_code = 1005
            self.transport.close()
            return
        super()._take(opcode, payload)
        if opcode in (TEXT, BINARY):
            header = payload if opcode == TEXT else payload[4 : 4 + struct.unpack_from("<I", payload)[0]]
            heard = json.loads(header)
            self.wrong += [error.message for error in self._validators[heard["type"]].iter_errors(heard)]


class BesideAViewer:
    """Has conversations, one after the other, while a good viewer looks on."""

    def __init__(self, url: str, schema: dict[str, Any], loop: asyncio.AbstractEventLoop) -> None:
        self._url = url
        self._validators = {kind: Draft202012Validator(one) for kind, one in schema["server"].items()}
        self._loop = loop
        (self.viewer,) = self._run(join(url, 1))

    def _run(self, work: Any) -> Any:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(ENDS_S + 10.0)

    def hold(self, said: bytes) -> int | None:
        """The code with which the daemon ended it; None where it hung up on somebody who left in the middle of a frame.

        Fails where it did not end it, said what its schema does not have, or ended it otherwise.
        """
        talker: Talker = self._run(self._said(said))
        assert not talker.wrong, talker.wrong
        code = talker.close_code
        assert _is_cut_short(said) if code is None else code in CODES or _is_our_own(code, said), code
        assert not self.viewer.ended.is_set(), self.viewer.close_code
        return talker.close_code

    async def _said(self, said: bytes) -> Talker:
        """Say it, and then what is never taken, so that the daemon has to end it; who is cut short has hung up then."""
        _, talker = await self._loop.create_connection(
            lambda: Talker(self._url, self._validators), *address_of(self._url)
        )
        await talker.opened.wait()
        talker.transport.write(said + frame(BINARY, b"end"))
        if _is_cut_short(said):
            talker.answers = False
            talker.transport.write_eof()
        try:
            async with asyncio.timeout(ENDS_S):
                await talker.ended.wait()
        finally:
            talker.transport.abort()
        return talker

    def viewer_goes_on(self) -> None:
        """Two readings more come to the good viewer."""

        async def two_more() -> None:
            wanted = self.viewer.readings + 2
            async with asyncio.timeout(ENDS_S):
                while self.viewer.readings < wanted:
                    assert not self.viewer.ended.is_set(), self.viewer.close_code
                    await asyncio.sleep(0.02)

        self._run(two_more())

    def end(self) -> None:
        """The viewer leaves."""

        async def gone() -> None:
            leave([self.viewer])
            await self.viewer.ended.wait()

        self._run(gone())


def _is_cut_short(said: bytes) -> bool:
    """Whether it ends within a frame."""
    at = 0
    while at + 2 <= len(said):
        size, start = said[at + 1] & 0x7F, at + 2
        if size in LENGTHS:
            (size,) = struct.unpack_from(LENGTHS[size], said.ljust(start + 8, b"\0"), start)
            start += struct.calcsize(LENGTHS[said[at + 1] & 0x7F])
        at = start + size + (4 if said[at + 1] & 0x80 else 0)
    return at != len(said)


def _is_our_own(code: int, said: bytes) -> bool:
    """Whether the code is that of a close that was sent: a close is answered with its own code; 1005 stands for none."""
    return code == 1005 or struct.pack(">H", code) in said


@contextmanager
def beside_a_viewer(url: str, schema: dict[str, Any]) -> Iterator[BesideAViewer]:
    """The one above, with a loop of its own in a thread."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    try:
        one = BesideAViewer(url, schema, loop)
        yield one
        one.end()
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


def fuzzed_live(url: str, number: int, count: int) -> Counter[int | None]:
    """So many conversations with the daemon at that address, from that seed: how often each code ended one.

    Raises AssertionError with the shortest conversation, as far as hypothesis finds it, that went wrong.
    """
    codes: Counter[int | None] = Counter()
    with urlopen(f"{url}api/v1/schema/live.json", timeout=ENDS_S) as answer:
        schema = json.load(answer)

    with beside_a_viewer(f"ws{url.removeprefix('http')}api/v1/live", schema) as beside:

        @seed(number)
        @settings(max_examples=count, deadline=None, database=None, suppress_health_check=list(HealthCheck))
        @given(said=conversations)
        def hold(said: bytes) -> None:
            codes[beside.hold(said)] += 1

        hold()
        beside.viewer_goes_on()
    return codes
