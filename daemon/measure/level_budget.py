"""A level together with all that its uncertainty is made of: what comparing levels with each other starts from."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from .calibration import SignalPath, Tied
from .uncertainty import Item, Part


@dataclass(frozen=True)
class LevelBudget:
    """The level of one channel on full white, with the items of its uncertainty.

    Attributes:
        role: the signal.
        level_mv: above blanking.
        items: what the level may be off by.
        white_us: where on its lines white stands, stretches from and to after 0H; none where unknown.
        white_between: the first and the last line of the record that holds it; None where unknown.
        channel: the scope's name of the channel.
        blanking_mv: against scope zero.
        state_mv: from one state of the ADC to the next, as it shows in `level_mv`.
        unscaled_mv: the part of `level_mv` that does not grow with the channel's gain: of a pattern of P per cent with a
            set-up S it is S (1 - 100/P), else 0.
        path: range and probe; None where unknown.
        calibration: what the level was multiplied by.
        captured_at_ns: nanoseconds since 1970 UTC; 0 where unknown.
        tied: what a tie in force says of it.
    """

    role: str
    level_mv: float
    items: tuple[Item, ...] = ()
    white_us: tuple[tuple[float, float], ...] = ()
    white_between: tuple[int, int] | None = None
    channel: str = ""
    blanking_mv: float = math.nan
    state_mv: float = math.nan
    unscaled_mv: float = 0.0
    path: SignalPath | None = None
    calibration: float = 1.0
    captured_at_ns: int = 0
    tied: Tied | None = None

    def items_of(self, *parts: Part) -> tuple[Item, ...]:
        """The items of these parts."""
        return tuple(item for item in self.items if item.part in parts)


def scaled(items: Iterable[Item], by: float) -> tuple[Item, ...]:
    """The items, each that much larger."""
    return tuple(replace(item, size_mv=item.size_mv * abs(by)) for item in items)
