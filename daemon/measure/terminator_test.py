"""The terminator test: two levels, with and without a load, give the source impedance; gain cancels."""

import math

from .hints import hint
from .reading import Hint

LOAD_OHM = 75.0
NO_BACK_TERMINATION_OHM = 30.0
"""A source below this has no series resistor worth the name (our choice)."""


def source_ohm_from_two_loads(level_mv: float, with_two_loads_mv: float, load_ohm: float = LOAD_OHM) -> float:
    """Source impedance from the level into one load and into two of them in parallel.

    With r = V(two)/V(one): Rs = R·(1 - r)/(2·r - 1), from V in proportion to RL/(Rs + RL). NaN where the levels cannot
    be: a second load lowers a level, and to half of it at the most.
    """
    ratio = with_two_loads_mv / level_mv if level_mv else math.nan
    return load_ohm * (1.0 - ratio) / (2.0 * ratio - 1.0) if 0.5 < ratio <= 1.0 else math.nan


def source_ohm_from_open(level_mv: float, open_mv: float, load_ohm: float = LOAD_OHM) -> float:
    """Source impedance from the level into one load and into none: Rs = R·(r - 1) with r = V(open)/V(one)."""
    ratio = open_mv / level_mv if level_mv else math.nan
    return load_ohm * (ratio - 1.0) if ratio >= 1.0 else math.nan


def hints_of(source_ohm: float) -> tuple[Hint, ...]:
    """What the source impedance makes suspect."""
    return (hint("no-back-termination"),) if source_ohm < NO_BACK_TERMINATION_OHM else ()
