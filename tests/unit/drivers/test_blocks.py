"""The block parser: what is a block, what is not, and that nothing else comes of any bytes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.drivers.blocks import PREFIX_LIMIT_BYTES, BlockHeader, block_header, block_payload
from peakwhite.drivers.errors import ReplyError

PREFIXES = st.binary(max_size=PREFIX_LIMIT_BYTES - 1).filter(lambda prefix: b"#" not in prefix)
LINE_ENDS = st.sampled_from([b"", b"\n", b"\r\n", b"\n\n"])


def header(reply: bytes, limit_bytes: int = 1000) -> BlockHeader | None:
    return block_header(reply, limit_bytes=limit_bytes, where="scope")


@given(prefix=PREFIXES, payload=st.binary(max_size=300), digits=st.integers(3, 9), line_end=LINE_ENDS)
def test_a_block_gives_back_its_payload_whatever_stands_around_it(
    prefix: bytes, payload: bytes, digits: int, line_end: bytes
) -> None:
    message = bytearray(prefix + b"#%d%0*d" % (digits, digits, len(payload)) + payload + line_end)
    assert bytes(block_payload(message, limit_bytes=300, where="scope")) == payload


@given(payload=st.binary(max_size=300))
def test_an_indefinite_block_loses_one_line_feed_and_no_more(payload: bytes) -> None:
    message = bytearray(b"#0" + payload + b"\n")
    assert bytes(block_payload(message, limit_bytes=300, where="scope")) == payload


@given(reply=st.binary(max_size=200) | st.binary(max_size=80).map(lambda rest: b"#" + rest))
def test_any_bytes_give_a_block_within_the_limit_or_a_typed_error(reply: bytes) -> None:
    try:
        payload = block_payload(bytearray(reply), limit_bytes=50, where="scope")
    except ReplyError as error:
        assert "\n" not in str(error)
    else:
        assert payload.nbytes <= 50
        assert bytes(payload) in reply


@given(reply=st.binary(max_size=120), cut=st.integers(0, 120))
def test_a_header_that_arrives_in_parts_says_the_same_as_in_one(reply: bytes, cut: int) -> None:
    try:
        early = header(reply[:cut])
    except ReplyError:
        with pytest.raises(ReplyError):
            header(reply)
    else:
        assert early is None or early == header(reply)


def test_a_block_longer_than_the_limit_is_refused() -> None:
    with pytest.raises(ReplyError, match="999999999 bytes where 1000"):
        header(b"#9999999999")


def test_a_length_with_anything_but_digits_is_refused() -> None:
    for reply in (b"#41 00", b"#4+100", b"#41_00", b"#4-001", b"#2\xb2\xb2"):
        with pytest.raises(ReplyError, match="for its length"):
            header(reply)


def test_a_digit_count_beyond_nine_is_refused() -> None:
    with pytest.raises(ReplyError, match="digit count"):
        header(b"#A0000001000")


def test_a_reply_without_a_block_is_refused_after_64_bytes() -> None:
    assert header(b"x" * 63) is None
    with pytest.raises(ReplyError, match="no block within 64 bytes"):
        header(b"x" * 64 + b"#15hello")


def test_a_payload_shorter_than_announced_is_refused() -> None:
    with pytest.raises(ReplyError, match="announced as 5"):
        block_payload(bytearray(b"#15hell"), limit_bytes=10, where="scope")


def test_a_payload_longer_than_announced_is_refused() -> None:
    with pytest.raises(ReplyError, match="after the end of a block"):
        block_payload(bytearray(b"#14hello\n"), limit_bytes=10, where="scope")
