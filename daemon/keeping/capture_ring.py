"""The last captures with their readings, bounded by number and by memory."""

from collections import deque
from dataclasses import dataclass

from ...drivers.capture import Capture
from ..book.records import EventCapture
from ..measure.reading import Reading

MOST = 50
MIB = 1 << 20
MOST_BYTES = 32 * MIB
"""Of codes; or FEWEST captures where these take more."""
FEWEST = 3
"""One before, one in which something happened, one after."""


def codes_bytes(capture: Capture) -> int:
    """What the codes of a capture take in memory, in bytes."""
    return sum(channel.codes.nbytes for channel in capture.channels)


@dataclass(frozen=True, eq=False)
class Taken:
    """A capture, which the ring counts, and its reading."""

    number: int
    capture: Capture
    reading: Reading
    bytes: int


class CaptureRing:
    """Forgets the oldest. It holds what it is given and copies nothing."""

    def __init__(self, most: int = MOST, most_bytes: int = MOST_BYTES) -> None:
        self._most = most
        self._most_bytes = most_bytes
        self._taken: deque[Taken] = deque()
        self._bytes = 0
        self._next = 0

    def __len__(self) -> int:
        return len(self._taken)

    @property
    def bytes(self) -> int:
        """Bytes of codes that are held."""
        return self._bytes

    def clear(self) -> None:
        """Forget all."""
        self._taken.clear()
        self._bytes = 0

    def add(self, capture: Capture, reading: Reading) -> Taken:
        """Hold one more, and forget what there is no room for."""
        taken = Taken(self._next, capture, reading, codes_bytes(capture))
        self._next += 1
        self._taken.append(taken)
        self._bytes += taken.bytes
        while len(self._taken) > self._most or (self._bytes > self._most_bytes and len(self._taken) > FEWEST):
            self._bytes -= self._taken.popleft().bytes
        return taken

    def around(self, number: int, most_bytes: int) -> tuple[EventCapture, ...]:
        """What is held around the capture of that number, which has position 0: the nearest, on both sides in turn.

        No more than `most_bytes` of codes, or FEWEST captures where these take more.
        """
        nearest = sorted(self._taken, key=lambda one: (abs(one.number - number), one.number))
        chosen: list[Taken] = []
        total = 0
        for one in nearest:
            total += one.bytes
            if total > most_bytes and len(chosen) >= FEWEST:
                break
            chosen.append(one)
        chosen.sort(key=lambda one: one.number)
        return tuple(EventCapture(one.number - number, one.capture, one.reading) for one in chosen)
