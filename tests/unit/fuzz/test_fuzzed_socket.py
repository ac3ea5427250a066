"""300 conversations with a peer on a real socket that says anything, in any pieces."""

from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fuzz_peer import Answer, Peer, converse
from fuzzing import BLOCKS, NAMED_PREAMBLES, NUMBERS

PIECES = (
    st.sampled_from([*BLOCKS, *(one + b"\n" for one in (*NUMBERS, *NAMED_PREAMBLES)), b"#", b"#9", b"000000900", b"\n"])
    | st.sampled_from([b"#41000" + bytes(1000) + b"\n", b"x" * 70_000, b"#9999999999", b"HTTP/1.1 400 Bad Request\r\n"])
    | st.binary(max_size=30)
)
ANSWERS = st.builds(
    Answer, pieces=st.lists(PIECES, max_size=4).map(tuple), closes=st.booleans(), block=st.booleans()
)  # fmt: skip


@pytest.fixture(scope="module")
def peer() -> Iterator[Peer]:
    """A peer on loopback."""
    made = Peer()
    yield made
    made.close()


@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.lists(ANSWERS, min_size=1, max_size=3))
def test_whatever_a_peer_says_is_a_value_that_it_sent_or_a_typed_error(peer: Peer, answers: list[Answer]) -> None:
    assert converse(peer, answers) <= len(answers)
