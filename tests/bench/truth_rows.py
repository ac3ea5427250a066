"""A row of the truth benchmark: a figure of a seeded ensemble beside its goal.

`met` compares plainly. `refuted` says more: the ensemble shows something that an engine which just meets the goal would
show less often than once in ten thousand ensembles of this size; a small ensemble may miss a goal by bad luck without
refuting it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

CHANCE = 1e-4
MOST_NAMED = 6


@dataclass(frozen=True)
class Row:
    """One figure.

    Attributes:
        row: what was asked.
        figure: what came out, in the goal's unit.
        goal: what it is held to.
        met, refuted: see above.
        ensemble: how many values the figure is made of.
        misses: seeds of some values that missed, worst first where they have an order.
    """

    row: str
    figure: float
    goal: str
    met: bool
    refuted: bool
    ensemble: int
    misses: tuple[int, ...] = ()


def rms_row(row: str, errors: Sequence[float], goals: Sequence[float], seeds: Sequence[int]) -> Row:
    """Root mean square of errors, each in units of its own goal; 1 is the goal. What is NaN was not measured: a miss."""
    ratio = np.abs(np.array(errors) / np.array(goals))
    figure = float(np.sqrt(np.mean(ratio**2)))
    most = math.sqrt(float(stats.chi2.isf(CHANCE, ratio.size)) / ratio.size)
    worst = np.argsort(-np.nan_to_num(ratio, nan=np.inf))[:MOST_NAMED]
    named = tuple(seeds[index] for index in worst if not ratio[index] <= 3.0)
    return Row(row, figure, "rms <= 1 of the goal", figure <= 1.0, not figure <= most, ratio.size, named)


def bias_row(row: str, errors: Sequence[float], limit: float) -> Row:
    """Mean of the errors, which may be anything up to the limit either way."""
    off = np.array(errors)
    figure, error = float(np.mean(off)), float(np.std(off, ddof=1)) / math.sqrt(off.size)
    refuted = not abs(figure) - limit <= float(stats.norm.isf(CHANCE)) * error
    return Row(row, figure, f"|mean| < {limit:g} LSB", abs(figure) < limit, refuted, off.size)


def share_row(row: str, hits: Sequence[bool], seeds: Sequence[int], least: float, most: float = 1.0) -> Row:
    """Share of hits in per cent, which has to lie between two bounds."""
    count, size = int(np.count_nonzero(hits)), len(hits)
    share = count / size
    too_few = float(stats.binom.cdf(count, size, least)) < CHANCE
    too_many = most < 1.0 and float(stats.binom.sf(count - 1, size, most)) < CHANCE
    goal = f">= {100 * least:g} %" if most == 1.0 else f"{100 * least:g} to {100 * most:g} %"
    missed = tuple(seed for seed, hit in zip(seeds, hits, strict=True) if not hit)[:MOST_NAMED]
    return Row(row, 100.0 * share, goal, least <= share <= most, too_few or too_many, size, missed)


def none_row(row: str, found: Sequence[bool], seeds: Sequence[int]) -> Row:
    """How many there are of what must not be."""
    named = tuple(seed for seed, one in zip(seeds, found, strict=True) if one)
    return Row(row, float(len(named)), "none", not named, bool(named), len(found), named[:MOST_NAMED])
