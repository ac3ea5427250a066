"""What befalls single lines now and then: drop-outs, lost, doubled and stray sync pulses, each by its own seed."""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Kind = Literal[
    "picture-out", "sync-out", "all-out", "doubled-early", "doubled-late", "glitch-200", "glitch-500", "glitch-900"
]
"""What a line is like then."""

DOUBLED: tuple[Kind, ...] = ("doubled-early", "doubled-late")
GLITCHES: tuple[Kind, ...] = ("glitch-200", "glitch-500", "glitch-900")

_PLACES = 4093
"""Places within their windows that are drawn before they repeat; a prime, so that no rate beats with it."""


@dataclass(frozen=True)
class Disturbance:
    """One event at a random instant of every window of `every_s`.

    Attributes:
        kinds: what the events are, in turn.
        lines: how many lines each takes.
        every_s: length of the windows, so the mean interval.
        seed: of the instants.
    """

    kinds: tuple[Kind, ...]
    lines: int
    every_s: float
    seed: int

    def between(self, first: int, last: int, line_s: float) -> list[tuple[int, int, Kind]]:
        """The events that touch the lines from `first` to `last` (counted by the scene's clock): first line, line
        after the last, kind."""
        places = _places(self.seed)
        low = math.floor((first - self.lines) * line_s / self.every_s) - 1
        high = math.floor((last + 1) * line_s / self.every_s)
        events = []
        for window in range(low, high + 1):
            start = math.floor((window + places[window % _PLACES]) * self.every_s / line_s)
            if start <= last and start + self.lines > first:
                events.append((start, start + self.lines, self.kinds[window % len(self.kinds)]))
        return events


@lru_cache(maxsize=16)
def _places(seed: int) -> NDArray[np.float64]:
    return np.random.default_rng(seed).uniform(size=_PLACES)
