"""The two clocks that an acquisition may live by."""

import time
from typing import Literal, Protocol

ClockName = Literal["real", "fast"]


class Clock(Protocol):
    """Seconds of the scene: what the unit's signal is a function of."""

    @property
    def waits(self) -> bool:
        """Whether an acquisition takes the time that it takes."""
        ...

    def now_s(self) -> float:
        """The present."""
        ...

    def advance_to(self, instant_s: float) -> None:
        """An acquisition ended then."""
        ...


class RealClock:
    """The scene runs with the computer's clock."""

    waits = True

    def __init__(self) -> None:
        self._zero_s = time.monotonic()

    def now_s(self) -> float:
        """Seconds since the start."""
        return time.monotonic() - self._zero_s

    def advance_to(self, instant_s: float) -> None:
        """Nothing to do: time passes by itself."""


class FastClock:
    """The scene stands still between acquisitions and jumps to the end of each."""

    waits = False

    def __init__(self) -> None:
        self._now_s = 0.0

    def now_s(self) -> float:
        """Where the last acquisition left it."""
        return self._now_s

    def advance_to(self, instant_s: float) -> None:
        """Jumps there, never back."""
        self._now_s = max(self._now_s, instant_s)
