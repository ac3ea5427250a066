"""How fast a level drifts, told apart from its noise and from steps that somebody turned."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..measure.robust import median, noise_of

WINDOW_S = 300.0
LIMIT_MV = 1.0
"""A level that changes by more within WINDOW_S drifts."""
STEP_MV = 1.0
STEP_NOISES = 7.0
"""What moves from one value to the next by more than both was turned, or is another picture: that is no drift."""
Z95 = 1.959964

Array = NDArray[np.float64]
Piece = tuple[Array, Array]
"""Times in s and levels in mV between two steps."""


@dataclass(frozen=True)
class Drift:
    """How a level drifts, in mV a minute, and between which rates that lies with 95 %."""

    mv_per_min: float
    low_mv_per_min: float
    high_mv_per_min: float

    @property
    def is_drifting(self) -> bool:
        """It changes by more than LIMIT_MV in WINDOW_S, and that it changes is no chance."""
        return abs(_in_window(self.mv_per_min)) > LIMIT_MV and self.low_mv_per_min * self.high_mv_per_min > 0.0

    @property
    def is_settled(self) -> bool:
        """It is sure to change by less than LIMIT_MV. Neither this nor drifting: too noisy, or watched too shortly."""
        return max(_in_window(-self.low_mv_per_min), _in_window(self.high_mv_per_min)) < LIMIT_MV


def pieces_of(times_s: Array, levels_mv: Array, longest_gap_s: float) -> tuple[Piece, ...]:
    """Cut levels, in order of time, at steps and gaps."""
    noise_mv = noise_of(levels_mv) if levels_mv.size > 1 else 0.0
    step_mv = max(STEP_MV, STEP_NOISES * noise_mv)
    cut = (np.abs(np.diff(levels_mv)) > step_mv) | (np.diff(times_s) > longest_gap_s)
    places = np.flatnonzero(cut) + 1
    return tuple(zip(np.split(times_s, places), np.split(levels_mv, places), strict=True))


def drift_of(pieces: Sequence[Piece]) -> Drift | None:
    """The slope that all pieces have in common; None where they are too few or too short to tell.

    It is the median of the slopes between any two values of one piece (Sen 1968, J. Am. Stat. Assoc. 63:1379), over pieces
    that may stand at different heights as Hirsch, Slack and Smith (1982, Water Resour. Res. 18:107) do for the months of
    several years; its interval is Sen's, from the variance of Kendall's S. Values are taken to vary independently.
    """
    slopes = np.concatenate([np.empty(0), *(_slopes(*piece) for piece in pieces)])
    variance = sum(_kendall_variance(times_s.size) for times_s, _ in pieces)
    reach = Z95 * math.sqrt(variance)
    low, high = math.floor((slopes.size - reach) / 2.0), math.ceil((slopes.size + reach) / 2.0)
    if low < 1 or high >= slopes.size:
        return None
    ordered = np.sort(slopes) * 60.0
    return Drift(median(ordered), float(ordered[low - 1]), float(ordered[high]))


def _slopes(times_s: Array, levels_mv: Array) -> Array:
    """Slopes between any two of the values, mV/s."""
    first, second = np.triu_indices(times_s.size, 1)
    return np.asarray((levels_mv[second] - levels_mv[first]) / (times_s[second] - times_s[first]))


def _kendall_variance(count: int) -> float:
    """Variance of Kendall's S of that many values without a trend, no two of them alike."""
    return count * (count - 1) * (2 * count + 5) / 18.0


def _in_window(mv_per_min: float) -> float:
    return mv_per_min * WINDOW_S / 60.0
