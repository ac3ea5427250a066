"""Arbitrary block data of IEEE 488.2, as pure parsing: what a header says, before a byte of payload is stored.

A definite block is `#`, one digit d of 1 to 9, d digits that give the payload's length in bytes, the payload. An indefinite
one is `#0`, the payload, then a line feed with the transport's end mark. Instruments put text before the `#`
(a header that was not switched off) and none to two line ends after the payload; the payload itself is never stripped.
"""

from typing import NamedTuple

from .errors import ReplyError

PREFIX_LIMIT_BYTES = 64
"""So far a `#` is looked for."""
HEADER_LIMIT_BYTES = PREFIX_LIMIT_BYTES + 2 + 9
"""The longest prefix and header together."""
LINE_ENDS = b"\r\n"
DO = "check that the right instrument family is in use, then read again"


class BlockHeader(NamedTuple):
    """Where the payload starts, counted from the reply's first byte, and its length in bytes (None: indefinite)."""

    start: int
    length: int | None

    @property
    def end(self) -> int:
        """Where a definite payload ends."""
        if self.length is None:
            raise ValueError("an indefinite block ends where the transport says")
        return self.start + self.length


def block_header(reply: bytes | bytearray, *, limit_bytes: int, where: str) -> BlockHeader | None:
    """The header of the block that `reply` begins with, or None while more bytes are needed to tell.

    Raises ReplyError if it cannot be a block, or if it announces more than `limit_bytes`.
    """
    mark = reply.find(b"#", 0, PREFIX_LIMIT_BYTES)
    if mark < 0:
        if len(reply) < PREFIX_LIMIT_BYTES:
            return None
        raise _error(f"no block within {PREFIX_LIMIT_BYTES} bytes: {shown(reply)}", where)
    if len(reply) == mark + 1:
        return None
    count = reply[mark + 1] - b"0"[0]
    if count == 0:
        return BlockHeader(mark + 2, None)
    if not 1 <= count <= 9:
        raise _error(f"a block header with {shown(reply[mark + 1 : mark + 2])} for its digit count", where)
    start = mark + 2 + count
    digits = reply[mark + 2 : start]
    if digits and not digits.isdigit():  # of bytes, ASCII digits alone
        raise _error(f"a block header with {shown(digits)} for its length", where)
    if len(digits) < count:
        return None
    length = int(digits)
    if length > limit_bytes:
        raise _error(f"a block of {length} bytes where {limit_bytes} is the most that can be meant", where)
    return BlockHeader(start, length)


class UnfinishedBlock(ReplyError):
    """A block of which more has to come."""


def block_payload(message: bytearray | memoryview, *, limit_bytes: int, where: str) -> memoryview:
    """The payload of a message whose end the transport marked: a view of `message`, definite or indefinite.

    Raises ReplyError if the message is no block, or is longer than its header says; UnfinishedBlock if it is shorter.
    """
    whole = memoryview(message)
    start = bytes(whole[:HEADER_LIMIT_BYTES])
    header = block_header(start, limit_bytes=limit_bytes, where=where)
    if header is None:
        if b"#" not in start and start.endswith(b"\n"):
            raise _error(f"a line of text in place of a block: {shown(start)}", where)
        raise UnfinishedBlock(f"an unfinished block header: {shown(start)}", where=where, do=DO)
    if header.length is None:
        end = len(whole) - (1 if whole[-1] == b"\n"[0] else 0)
        if end - header.start > limit_bytes:
            raise _error(f"an endless block of more than {limit_bytes} bytes", where)
        return whole[header.start : max(end, header.start)]
    end = header.start + header.length
    if len(whole) < end:
        what = f"a block of {len(whole) - header.start} bytes that was announced as {header.length}"
        raise UnfinishedBlock(what, where=where, do=DO)
    check_tail(bytes(whole[end : end + 41]), where=where)
    return whole[header.start : end]


def check_tail(tail: bytes | bytearray, *, where: str) -> None:
    """Raises ReplyError unless `tail`, the bytes after a payload, is none to two line ends."""
    if tail != b"\n" and (len(tail) > 2 or tail.strip(LINE_ENDS)):
        raise _error(f"bytes after the end of a block: {shown(tail)}", where)


def shown(reply: bytes | bytearray) -> str:
    """The first bytes of a reply, fit for one line of text."""
    return repr(bytes(reply[:40]))[1:] + ("…" if len(reply) > 40 else "")


def _error(what: str, where: str) -> ReplyError:
    return ReplyError(what, where=where, do=DO)
