"""Zone, verdict and aim: where a level lies against its target, and what may be said of it."""

from collections.abc import Callable
from dataclasses import dataclass

from .reading import Verdict, Zone
from .targets import Target
from .uncertainty import Spread

SURE = 0.95
"""A verdict holds with this probability (JCGM 106:2012 clause 7; 95 % is our choice)."""
UNSURE = 1.0 - SURE


@dataclass(frozen=True)
class Judgement:
    """What may be said of a level, by the names that a reading has for it; no verdict where nothing may be.

    Probabilities are of the true level lying over, or under the lowest edge.
    """

    zone: Zone
    verdict: Verdict | None
    p_over: float
    p_too_low: float
    aim_mv: float
    off_aim_mv: float
    decidable: bool


def zone_of(level_mv: float, target: Target) -> Zone:
    """Where a level lies."""
    if level_mv > target.over_above_mv:
        return "over"
    if level_mv >= target.on_from_mv:
        return "on-target"
    return "dim" if level_mv >= target.dim_from_mv else "too-low"


def judge(
    level_mv: float,
    spread_at: Callable[[float], Spread],
    target: Target,
    *,
    lower_bound: bool = False,
    is_white: bool = True,
) -> Judgement:
    """Zone, probabilities, verdict and aim of a level whose true value lies about it as `spread_at(level)` says.

    A true level y + e lies over the edge with probability 1 - F(edge - y) (JCGM 106:2012 7.3, e symmetric).
    `lower_bound` (a clipped record) allows no verdict but `over`, and is never decidable. A level of which it is not known
    whether it `is_white` is never too low, nor unsure for that reason alone: it has no verdict then.
    """
    spread = spread_at(level_mv)
    p_over = 1.0 - spread.below(target.over_above_mv - level_mv)
    p_too_low = spread.below(target.dim_from_mv - level_mv)
    aim_mv, spread_at_aim = _aim(spread_at, target)
    decidable = not lower_bound and spread_at_aim.below(target.dim_from_mv - aim_mv) <= UNSURE
    verdict: Verdict | None = "unsure"
    if p_over >= SURE:
        verdict = "over"
    elif p_too_low >= SURE and not lower_bound:
        verdict = "too-low"
    elif p_over <= UNSURE and p_too_low <= UNSURE and not lower_bound:
        verdict = "leave-it"
    if not is_white and not lower_bound and p_over <= UNSURE < p_too_low:
        verdict = None
    return Judgement(zone_of(level_mv, target), verdict, p_over, p_too_low, aim_mv, level_mv - aim_mv, decidable)


def aim(spread_at: Callable[[float], Spread], target: Target) -> float:
    """The highest level in mV at which the true one lies over the edge with 5 % only.

    The spread depends on the level a little (3 % of it at most scopes): two rounds of substitution settle it to a few
    hundredths of a millivolt.
    """
    return _aim(spread_at, target)[0]


def _aim(spread_at: Callable[[float], Spread], target: Target) -> tuple[float, Spread]:
    """The aim, and the spread there."""
    first_mv = target.over_above_mv - spread_at(target.over_above_mv).quantile(SURE)
    spread = spread_at(first_mv)
    return target.over_above_mv - spread.quantile(SURE), spread
