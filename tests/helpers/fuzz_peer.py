"""A peer on a real socket that answers with whatever it is given, and what has to hold of a link that speaks to it."""

import queue
import random
import socket
import threading
import tracemalloc
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from fuzzing import BLOCKS, INDEX_PREAMBLES, NAMED_PREAMBLES, NUMBERS, mutated
from peakwhite.drivers.errors import InstrumentError
from peakwhite.drivers.links import open_link

LIMIT_BYTES = 1000
TIMEOUT_S = 0.05
MEMORY_BYTES = 600_000
"""A line of 65,536 bytes with its copies as bytes and text, and what the interpreter takes for itself."""


@dataclass(frozen=True)
class Answer:
    """What comes back for one question, in these pieces; whether the connection is closed then; whether a block was
    asked for."""

    pieces: tuple[bytes, ...]
    closes: bool = False
    block: bool = False


class Peer:
    """Accepts one connection after the other and plays one list of answers on each."""

    def __init__(self) -> None:
        self._scripts: queue.SimpleQueue[Sequence[Answer]] = queue.SimpleQueue()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()
        self.resource = f"TCPIP0::127.0.0.1::{self._listening.getsockname()[1]}::SOCKET"

    def expect(self, answers: Sequence[Answer]) -> None:
        """What to say on the next connection."""
        self._scripts.put(answers)

    def close(self) -> None:
        with suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        self._thread.join(5.0)
        assert not self._thread.is_alive()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._listening.accept()
            except OSError:
                return
            with connection, suppress(OSError):
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                connection.settimeout(5.0)
                self._play(connection, self._scripts.get(timeout=5.0))

    def _play(self, connection: socket.socket, answers: Sequence[Answer]) -> None:
        for answer in answers:
            if not connection.recv(4096):
                return
            for piece in answer.pieces:
                connection.sendall(piece)
            if answer.closes:
                return
        while connection.recv(4096):
            pass


def converse(peer: Peer, answers: Sequence[Answer]) -> int:
    """Ask for every answer on a new link; how many gave a value.

    Asserted: each gives a value that the peer sent, within the limit, or an InstrumentError in one line; after an error
    the link gives nothing more; memory stays within its bound.
    """
    sent = b"".join(piece for answer in answers for piece in answer.pieces)
    peer.expect(answers)
    link = open_link(peer.resource, timeout_s=TIMEOUT_S)
    values = 0
    tracemalloc.start()
    try:
        for answer in answers:
            dirty = link.dirty
            try:
                if answer.block:
                    value = bytes(link.query_block("CURV?", LIMIT_BYTES))
                    assert len(value) <= LIMIT_BYTES
                else:
                    value = link.query("A?").encode("latin-1")
                assert value in sent
                assert not dirty
                values += 1
            except InstrumentError as error:
                assert str(error).isprintable()
                assert link.dirty
        assert tracemalloc.get_traced_memory()[1] < MEMORY_BYTES
    finally:
        tracemalloc.stop()
        link.close()
    return values


def random_answers(rng: random.Random) -> tuple[Answer, ...]:
    """One to three answers: mutations of valid ones, cut at random into pieces; one in eight is silence, one in eight the end."""
    corpus = (*BLOCKS, *(one + b"\n" for one in (*NUMBERS, *INDEX_PREAMBLES, *NAMED_PREAMBLES)))
    answers = []
    for _ in range(rng.randint(1, 3)):
        data = b"" if rng.random() < 0.125 else mutated(corpus, rng) + rng.choice((b"", b"\n"))
        cuts = sorted(rng.randint(0, len(data)) for _ in range(rng.randint(0, 3)))
        edges = [0, *cuts, len(data)]
        pieces = tuple(data[edges[at] : edges[at + 1]] for at in range(len(edges) - 1))
        answers.append(Answer(pieces, closes=rng.random() < 0.125, block=b"#" in data))
    return tuple(answers)
