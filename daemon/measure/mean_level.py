"""Levels of several captures as one: their mean, of which noise is less uncertain and nothing else."""

import math
from collections.abc import Sequence
from dataclasses import replace

from .level_budget import LevelBudget
from .uncertainty import Item


def mean_levels(captures: Sequence[Sequence[LevelBudget]]) -> tuple[LevelBudget, ...]:
    """The mean level of every channel that all captures show, each on one range.

    Noise of n captures adds as squares and is divided by n; what else the budget holds is the same in all of them, and no
    mean makes it smaller (JCGM 100:2008 4.2.3, 5.2.2).
    """
    by_channel: dict[str, list[LevelBudget]] = {}
    for levels in captures:
        for one in levels:
            by_channel.setdefault(one.channel, []).append(one)
    return tuple(_mean(seen) for seen in by_channel.values() if len(seen) == len(captures))


def _mean(seen: Sequence[LevelBudget]) -> LevelBudget:
    last, count = seen[-1], len(seen)
    noise_mv = math.hypot(*(item.standard_mv for one in seen for item in one.items_of("noise"))) / count
    rest = (item for item in last.items if item.part != "noise")
    return replace(
        last,
        level_mv=math.fsum(one.level_mv for one in seen) / count,
        blanking_mv=math.fsum(one.blanking_mv for one in seen) / count,
        items=(Item("noise", "random", "normal", noise_mv, "noise"), *rest),
    )
