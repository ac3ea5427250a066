"""How far red, green and blue lie apart, and whether that is within the limit."""

from dataclasses import dataclass
from itertools import combinations

from .hookup import COLOURS
from .reading import MatchReading
from .uncertainty import Item, combined
from .verdict import SURE, UNSURE

LIMIT_PCT = 2.0
"""Our choice; VSIS publishes 6 % of full scale between channels."""


@dataclass(frozen=True)
class Matched:
    """One colour's level with its budget, and where on its lines white stands (stretches in us; none where unknown)."""

    role: str
    level_mv: float
    items: tuple[Item, ...]
    white_us: tuple[tuple[float, float], ...] = ()


def match(levels: list[Matched]) -> MatchReading | None:
    """Spread of the three colours with its uncertainty; None unless all three are there and white at once.

    Untied: every channel's own items count in full, what is common to all drops out. `ok` is whether the highest and
    the lowest differ by no more than 2 % of their mean: true or false at 95 %, None between.
    """
    by_role = {level.role: level for level in levels}
    if not all(role in by_role for role in COLOURS) or not _at_once(list(by_role.values())):
        return None
    highest, lowest = max(
        (sorted(pair, key=lambda one: -one.level_mv) for pair in combinations(by_role.values(), 2)),
        key=lambda pair: pair[0].level_mv - pair[1].level_mv,
    )
    spread_mv = highest.level_mv - lowest.level_mv
    items = [item for one in (highest, lowest) for item in one.items if item.kind != "common"]
    distribution = combined(items)
    limit_mv = LIMIT_PCT / 100.0 * sum(one.level_mv for one in by_role.values()) / len(by_role)
    within = distribution.below(limit_mv - spread_mv) - distribution.below(-limit_mv - spread_mv)
    ok = True if within >= SURE else False if within <= UNSURE else None
    return MatchReading(
        spread_mv=spread_mv,
        u95_mv=distribution.quantile(0.975),
        limit_pct=LIMIT_PCT,
        ok=ok,
        method="untied",
        highest=highest.role,
        lowest=lowest.role,
    )


def _at_once(levels: list[Matched]) -> bool:
    """Whether there is a stretch of the line in which all of them are white, as far as is known where they are."""
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
