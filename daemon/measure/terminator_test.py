"""The terminator test: two levels, with and without a load, give the source impedance; gain cancels."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from .hints import hint
from .hookup import Hookup
from .level_budget import LevelBudget, scaled
from .reading import Hint
from .uncertainty import COVERAGE, Item, Part, combined

Second = Literal["open", "two-loads"]
"""What the second level is into: nothing, or the load and another of the same kind."""

LOAD_OHM, LOAD_TOLERANCE_PCT = 75.0, 1.0
NO_BACK_TERMINATION_OHM = 30.0
"""A source below this has no series resistor worth the name (our choice)."""
BACK_TERMINATION_WITHIN_OHM = 4.0
"""A resistor of 5 % is as it should be (our choice)."""
UNMOVED = 0.03
"""A level that moves by less than this part was not loaded otherwise, or its source is next to nothing (our choice)."""


@dataclass(frozen=True)
class SourceImpedance:
    """What the terminator test says of one channel. What could not be told is None.

    Attributes:
        channel, role: as in the hookup.
        level_mv, second_mv: white into one load, and into none or two.
        source_ohm, u95_ohm: source impedance and its two-sided 95 % half-width.
        same_range: whether both levels were measured on one range and corrected alike, so that gain cancels.
        hints: what the impedance makes suspect.
    """

    channel: str
    role: str
    level_mv: float
    second_mv: float
    source_ohm: float | None
    u95_ohm: float | None
    same_range: bool
    hints: tuple[Hint, ...]


def source_impedances(
    first: Sequence[LevelBudget], second: Sequence[LevelBudget], hookup: Hookup, with_second: Second
) -> tuple[SourceImpedance, ...]:
    """Source impedance of every channel that has a white in both captures. Pure; levels that ran off the range are left out."""
    later = {one.channel: one for one in second}
    return tuple(
        _source_impedance(one, later[one.channel], hookup, with_second) for one in first if one.channel in later
    )


def source_ohm_from_two_loads(
    level_mv: float, with_two_loads_mv: float, load_ohm: float = LOAD_OHM, other_ohm: float | None = None
) -> float:
    """Source impedance from the level into one load and into two in parallel, `other_ohm` the second one (the same).

    With r = V(two)/V(one) and P the two in parallel: Rs = R P (1 - r)/(r R - P), from V in proportion to RL/(Rs + RL);
    for equal loads R (1 - r)/(2 r - 1). NaN where the levels cannot be: a second load lowers a level, and to P/R at most.
    """
    ratio = with_two_loads_mv / level_mv if level_mv else math.nan
    other_ohm = load_ohm if other_ohm is None else other_ohm
    both_ohm = load_ohm * other_ohm / (load_ohm + other_ohm)
    possible = both_ohm / load_ohm < ratio <= 1.0
    return load_ohm * both_ohm * (1.0 - ratio) / (ratio * load_ohm - both_ohm) if possible else math.nan


def source_ohm_from_open(level_mv: float, open_mv: float, load_ohm: float = LOAD_OHM) -> float:
    """Source impedance from the level into one load and into none: Rs = R·(r - 1) with r = V(open)/V(one)."""
    ratio = open_mv / level_mv if level_mv else math.nan
    return load_ohm * (ratio - 1.0) if ratio >= 1.0 else math.nan


def hints_of(source_ohm: float) -> tuple[Hint, ...]:
    """What the source impedance makes suspect."""
    return (hint("no-back-termination"),) if source_ohm < NO_BACK_TERMINATION_OHM else ()


def impedance_words(one: SourceImpedance, with_second: Second) -> str:
    """What the test says of a channel, in a sentence by which somebody at the bench knows what to make of it."""
    if abs(one.second_mv / one.level_mv - 1.0) <= UNMOVED:
        stayed = "its terminator stayed on" if with_second == "open" else "no second load was put on"
        return f"the level did not move: {stayed}, or there is no series resistor at the output"
    if one.source_ohm is None or one.u95_ohm is None:
        due = "rise" if with_second == "open" else "fall, to about two thirds"
        return f"no source impedance gives these two levels; the second should {due}"
    found = f"{one.source_ohm:.1f} ± {one.u95_ohm:.1f} ohm"
    off_ohm = one.source_ohm - LOAD_OHM
    if abs(off_ohm) <= BACK_TERMINATION_WITHIN_OHM >= one.u95_ohm:
        return f"{found}: back-terminated as it should be"
    if abs(off_ohm) <= one.u95_ohm:
        closer = "" if with_second == "open" and one.same_range else "; one range and an open output tell it closer"
        return f"{found}: 75 ohm are likely{closer}"
    if one.source_ohm < NO_BACK_TERMINATION_OHM:
        return f"{found}: hardly any series resistor at the output"
    return f"{found}: {'more' if off_ohm > 0.0 else 'less'} than the 75 ohm that belong there"


def _source_impedance(one: LevelBudget, other: LevelBudget, hookup: Hookup, with_second: Second) -> SourceImpedance:
    """One channel. Levels without what set-up adds to a pattern of less than 100 %, which is in no proportion."""
    level_mv, second_mv = one.level_mv - one.unscaled_mv, other.level_mv - other.unscaled_mv
    ratio = second_mv / level_mv
    same_range = one.path is not None and (one.path, one.calibration) == (other.path, other.calibration)
    drops_out = () if same_range else (*other.items_of("gain"), *scaled(one.items_of("gain"), ratio))
    own: tuple[Part, ...] = ("noise", "linearity", "quantisation")
    differ = (*other.items_of(*own), *scaled(one.items_of(*own), ratio), *drops_out)
    ratio_u95 = combined(differ).quantile(0.975) / level_mv
    clip = hookup.of_channel(one.channel)
    terminated = clip is not None and clip.load in ("terminator", "monitor")
    load_ohm = clip.load_ohm if clip is not None and terminated else LOAD_OHM
    tolerance = (clip.load_tolerance_pct if clip is not None and terminated else LOAD_TOLERANCE_PCT) / 100.0

    def source_ohm(value: float, load: float, second_load: float) -> float:
        if with_second == "open":
            return source_ohm_from_open(1.0, max(value, 1.0), load)
        return source_ohm_from_two_loads(1.0, min(value, 1.0), load, second_load)

    allowed = ratio > 1.0 - ratio_u95 if with_second == "open" else ratio < 1.0 + ratio_u95
    found_ohm = source_ohm(ratio, load_ohm, load_ohm) if allowed else math.nan
    u95_ohm = _u95_ohm(source_ohm, ratio, ratio_u95, load_ohm, tolerance)
    known = math.isfinite(found_ohm) and math.isfinite(u95_ohm)
    return SourceImpedance(
        channel=one.channel,
        role=one.role,
        level_mv=one.level_mv,
        second_mv=other.level_mv,
        source_ohm=found_ohm if known else None,
        u95_ohm=u95_ohm if known else None,
        same_range=same_range,
        hints=hints_of(found_ohm) if known else (),
    )


def _u95_ohm(
    source_ohm: Callable[[float, float, float], float],
    ratio: float,
    ratio_u95: float,
    load_ohm: float,
    tolerance: float,
) -> float:
    """Half-width at 95 % of the ratio's normal part and of each load's tolerance, a rectangle, convolved by how far each
    moves the result; the ratio is moved to the side on which it moves it more. NaN where a part has no result."""
    at_ohm = source_ohm(ratio, load_ohm, load_ohm)
    off_ohm = tolerance * load_ohm
    by_ratio_ohm = max(abs(source_ohm(ratio + side * ratio_u95, load_ohm, load_ohm) - at_ohm) for side in (1.0, -1.0))
    by_loads_ohm = (
        abs(source_ohm(ratio, load_ohm + off_ohm, load_ohm) - at_ohm),
        abs(source_ohm(ratio, load_ohm, load_ohm + off_ohm) - at_ohm),
    )
    if not math.isfinite(by_ratio_ohm + sum(by_loads_ohm)):
        return math.nan
    loads = (Item("load", "per-channel", "rectangular", one, "termination") for one in by_loads_ohm)
    return combined((Item("ratio", "random", "normal", by_ratio_ohm / COVERAGE, "other"), *loads)).quantile(0.975)
