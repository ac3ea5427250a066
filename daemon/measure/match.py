"""How far red, green and blue lie apart, and whether that is within the limit."""

from collections.abc import Callable, Iterable, Sequence
from itertools import combinations

from .hookup import COLOURS
from .level_budget import LevelBudget, scaled
from .reading import MatchMethod, MatchReading
from .tie import tied_levels
from .uncertainty import Item, combined
from .verdict import SURE, UNSURE

LIMIT_PCT = 2.0
"""Our choice; VSIS publishes 6 % of full scale between channels."""

PairItems = Callable[[LevelBudget, LevelBudget], Iterable[Item]]


def match(levels: Sequence[LevelBudget]) -> MatchReading | None:
    """Spread of the three colours with its uncertainty; None unless all three are there and white at once.

    By a tie where one is in force for all three of them (see `tie`). Untied: every channel's own items count in full,
    what is common to all drops out.
    """
    by_role = {level.role: level for level in levels}
    if not all(role in by_role for role in COLOURS):
        return None
    colours = [by_role[role] for role in COLOURS]
    if not _at_once(colours):
        return None
    tied = tied_levels(colours)
    if tied is not None:
        return compared(tied[0], "tied", scale=tied[1])
    return compared(colours, "untied")


def of_both(one: LevelBudget, other: LevelBudget) -> list[Item]:
    """What the difference of two levels may be off by, where each has its own items: all but what is common."""
    return [item for level in (one, other) for item in level.items if item.kind != "common"]


def compared(
    colours: Sequence[LevelBudget],
    method: MatchMethod,
    *,
    items: PairItems = of_both,
    scale: LevelBudget | None = None,
) -> MatchReading:
    """The highest against the lowest of the colours.

    `u95_mv` is that of the difference of these two. Which two they are is chosen by the measured levels: of three that are
    alike the greatest difference is larger by chance than that of any two named beforehand.

    `ok` is whether they differ by no more than 2 % of the mean of all: true or false at 95 %, None between.
    `items` are those of the difference of two. Where these lack the gain because all levels share it, `scale` is a level
    whose gain it is: it does not touch the ratio, and so not `ok`, but the millivolts of the difference.
    """
    highest, lowest = max(
        (sorted(pair, key=lambda one: -one.level_mv) for pair in combinations(colours, 2)),
        key=lambda pair: pair[0].level_mv - pair[1].level_mv,
    )
    spread_mv = highest.level_mv - lowest.level_mv
    of_pair = [*items(highest, lowest)]
    ratio = combined(of_pair)
    limit_mv = LIMIT_PCT / 100.0 * sum(one.level_mv for one in colours) / len(colours)
    within = ratio.below(limit_mv - spread_mv) - ratio.below(-limit_mv - spread_mv)
    of_scale = () if scale is None else scaled(scale.items_of("gain"), spread_mv / scale.level_mv)
    return MatchReading(
        spread_mv=spread_mv,
        u95_mv=combined([*of_pair, *of_scale]).quantile(0.975),
        limit_pct=LIMIT_PCT,
        ok=True if within >= SURE else False if within <= UNSURE else None,
        method=method,
        highest=highest.role,
        lowest=lowest.role,
    )


def _at_once(levels: Sequence[LevelBudget]) -> bool:
    """Whether there is a stretch of the line, and of the lines, in which all are white, as far as is known where they are."""
    lines = [level.white_between for level in levels if level.white_between is not None]
    if lines and max(first for first, _ in lines) > min(last for _, last in lines):
        return False
    known = [level.white_us for level in levels if level.white_us]
    if len(known) < len(levels):
        return True
    shared = known[0]
    for stretches in known[1:]:
        shared = tuple(
            (max(first_a, first_b), min(last_a, last_b))
            for first_a, last_a in shared
            for first_b, last_b in stretches
            if max(first_a, first_b) < min(last_a, last_b)
        )
    return bool(shared)
