"""What the daemon counts of itself: plain numbers, which whoever knows something adds to and whoever asks reads.

Every number has one thread that adds to it (a comment says which), so none needs a lock: adding costs well under a
microsecond, and a reader on another thread sees each number as it was at some moment. What is counted is not known here;
`http/metrics.py` gives it names and help for the outside.
"""

from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

LATENCY_BOUNDS_S = (0.001, 0.002, 0.004, 0.008, 0.015, 0.03, 0.06, 0.125, 0.25, 0.5, 1.0, 2.0)
"""Upper edges of the latency histograms; 8 and 15 ms are what the live path holds itself to."""
WRITE_BOUNDS_S = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 3.0, 8.0)
"""Of writes to the book; from 3 s on they are a problem, after 8 s a silent server is given up."""
MOST_PLACES = 16
"""So many viewers are counted one by one; all beyond them together."""

FRAME_KINDS = ("status", "bench", "mark", "reading", "lines")
STALE_S = 30.0
"""Acquisition that gave no sign of life for so long hangs: its longest wait is 6 s, its longest call 5 s."""
GOODBYES = ("left", "too-slow", "bad-message")
"""How a viewer's connection ended."""
REFUSALS = ("too-many", "too-late", "invalid")
"""Why a connection was closed: too many are open, no whole request came in time, what came is no HTTP."""


class Histogram:
    """How often something took how long."""

    def __init__(self, bounds_s: Sequence[float]) -> None:
        self.bounds_s = tuple(bounds_s)
        self._counts = [0] * (len(self.bounds_s) + 1)
        self._sum_s = 0.0

    def add(self, seconds: float) -> None:
        """Something took so long."""
        self._counts[bisect_left(self.bounds_s, seconds)] += 1
        self._sum_s += seconds

    @property
    def sum_s(self) -> float:
        """Seconds that all took together."""
        return self._sum_s

    def counts(self) -> list[int]:
        """How many took up to each bound but longer than the one before; the last entry, longer than any."""
        return list(self._counts)


@dataclass
class CaptureTally:
    """Of captures and readings; the acquisition's thread alone adds to it.

    Attributes:
        captured, untriggered: how many captures came, and how often the scope found no trigger.
        readings: how many were published.
        reconnects: how often a scope that had been lost was back.
        defects: how often acquisition itself failed and began anew.
        failures: by problem code, how often the scope could not be reached or the link to it broke.
        fetch, measure: how long each took.
        publish: how long from the beginning of the fetch until the reading was handed out, encoded.
        beat_s: when the thread last showed that it lives, on the monotonic clock; None before it began.
    """

    captured: int = 0
    untriggered: int = 0
    readings: int = 0
    reconnects: int = 0
    defects: int = 0
    failures: dict[str, int] = field(default_factory=dict)
    fetch: Histogram = field(default_factory=lambda: Histogram(LATENCY_BOUNDS_S))
    measure: Histogram = field(default_factory=lambda: Histogram(LATENCY_BOUNDS_S))
    publish: Histogram = field(default_factory=lambda: Histogram(LATENCY_BOUNDS_S))
    beat_s: float | None = None

    def is_alive(self, now_s: float) -> bool:
        """Whether the thread lives, seen at that time of the monotonic clock; one that has yet to begin counts as well."""
        return self.beat_age_s(now_s) <= STALE_S

    def beat_age_s(self, now_s: float) -> float:
        """Seconds since the thread last showed that it lives, 0 before it began; by the same clock."""
        return 0.0 if self.beat_s is None else now_s - self.beat_s

    def failed(self, code: str) -> None:
        """The scope could not be reached, or the link to it broke."""
        self.failures[code] = self.failures.get(code, 0) + 1


@dataclass
class ViewerTally:
    """Of viewers and their frames; the loop's thread alone adds to it, but for `overtaken`, which the acquisition's does.

    A frame is dropped when a newer one of its kind takes its place before it could be sent.

    Attributes:
        joined: how many viewers came, ever.
        goodbyes: how their connections ended.
        sent, dropped: frames by kind, of all viewers.
        dropped_of: frames dropped by the viewer's place, the last entry that of all without one.
        overtaken: readings that a newer one took the place of before the loop looked: the daemon was late, not a viewer.
    """

    joined: int = 0
    goodbyes: dict[str, int] = field(default_factory=lambda: dict.fromkeys(GOODBYES, 0))
    sent: dict[str, int] = field(default_factory=lambda: dict.fromkeys(FRAME_KINDS, 0))
    dropped: dict[str, int] = field(default_factory=lambda: dict.fromkeys(FRAME_KINDS, 0))
    dropped_of: list[int] = field(default_factory=lambda: [0] * (MOST_PLACES + 1))
    overtaken: int = 0
    _free: list[int] = field(default_factory=lambda: list(range(MOST_PLACES)))

    def take_place(self) -> int:
        """The lowest place that is free, MOST_PLACES where none is."""
        self.joined += 1
        return self._free.pop(0) if self._free else MOST_PLACES

    def give_back(self, place: int) -> None:
        """The viewer of that place has gone."""
        if place < MOST_PLACES:
            self._free.append(place)
            self._free.sort()

    def drop(self, kind: str, place: int) -> None:
        """A frame of that kind was not sent to the viewer of that place."""
        self.dropped[kind] += 1
        self.dropped_of[place] += 1


@dataclass
class ConnectionTally:
    """Of connections, whoever made them; the loop's thread alone adds to it.

    Attributes:
        refused: how many were closed, by why.
    """

    refused: dict[str, int] = field(default_factory=lambda: dict.fromkeys(REFUSALS, 0))


@dataclass
class BookTally:
    """Of writes to the book; its writing thread alone adds to it, but for `refused`, which is added to under the keeper's lock.

    Attributes:
        written, failed: transactions that are durable, and that failed.
        refused: what was given while too much waited already.
        write: how long the durable ones took.
    """

    written: int = 0
    failed: int = 0
    refused: int = 0
    write: Histogram = field(default_factory=lambda: Histogram(WRITE_BOUNDS_S))


@dataclass(frozen=True)
class Tallies:
    """What a scrape reads beside hub and set-up.

    Attributes:
        captures: of acquisition, where there is one.
        connections: of the server.
        book, book_waiting: of the book, and how much waits in each of its queues.
        log_lines_dropped: lines of the log that nobody could be given.
        disk: folder in which the book lies; None where it is on a server.
        began_s: when this run began, on the monotonic clock.
    """

    captures: CaptureTally = field(default_factory=CaptureTally)
    connections: ConnectionTally = field(default_factory=ConnectionTally)
    book: BookTally = field(default_factory=BookTally)
    book_waiting: Callable[[], dict[str, int]] = dict
    log_lines_dropped: Callable[[], int] = lambda: 0
    disk: Path | None = None
    began_s: float = 0.0
