"""How much of a record that only its user takes is read, and how often again: pure arithmetic."""

import math
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from ...drivers.capture import Capture
from ..acquisition import Task

WINDOW_S = {Task.LEVELS: 500e-6, Task.FIELD: 42e-3, Task.EDGE: 500e-6}
"""What the tasks need of a record: seven lines, two fields of 50 Hz."""
FIRST_POINTS, FEWEST_POINTS, MOST_POINTS = 100_000, 20_000, 1_000_000
"""Of a channel: of a record whose rate is not known yet; however slow the link; however fine the record."""
PART_OF_DEADLINE = 0.5
"""What fetching may take of it: a link is not always as fast as it was the last time."""
SHORTEST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 5.0
PAUSES = 9.0
"""So many times as long as reading takes the scope is then left alone."""

K = TypeVar("K")
V = TypeVar("V")


def most_points(task: Task, last: Capture | None, deadline_s: float, channels: int) -> int:
    """How many points of each channel to read, by what the last capture was and how long fetching it took."""
    if last is None:
        return FIRST_POINTS
    wanted = WINDOW_S[task] / last.seconds_per_sample
    if last.fetch_ms:
        points_per_s = last.samples * len(last.channels) * 1e3 / last.fetch_ms
        wanted = min(wanted, PART_OF_DEADLINE * deadline_s * points_per_s / channels)
    return max(FEWEST_POINTS, math.ceil(min(MOST_POINTS, wanted)))


@dataclass
class SlowPace(Generic[K, V]):
    """What was found out about something that stands still, for a while that is long against finding out."""

    _what: K | None = None
    _found: V | None = None
    _until_s: float = field(default=-math.inf)

    def known(self, what: K, now_s: float) -> V | None:
        """What was found about exactly that, None where it is time to look again."""
        return self._found if what == self._what and now_s < self._until_s else None

    def took(self, what: K, found: V, began_s: float, ended_s: float) -> None:
        """That was found about it."""
        pause_s = min(max(PAUSES * (ended_s - began_s), SHORTEST_PAUSE_S), LONGEST_PAUSE_S)
        self._what, self._found, self._until_s = what, found, ended_s + pause_s

    def forget(self) -> None:
        """Look again whatever was found."""
        self._what = self._found = None
