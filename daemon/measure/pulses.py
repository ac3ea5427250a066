"""Low-going pulses in a binned record: where they start and how long they stay low."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SHORTEST_US = 1.05
"""What is low or high for less than this is a glitch, not a pulse and not a gap."""


@dataclass(frozen=True, eq=False)
class Pulses:
    """Pulses in order of time.

    Attributes:
        start_us: leading edges, shape (pulses,), from the middle of the first bin.
        width_us: shape (pulses,).
    """

    start_us: NDArray[np.float64]
    width_us: NDArray[np.float64]

    def later_by(self, offset_us: float) -> "Pulses":
        """The same pulses counted from so much earlier."""
        return Pulses(self.start_us + offset_us, self.width_us)


def low_pulses(
    level_mv: NDArray[np.float32], slice_mv: NDArray[np.float32] | float, hysteresis_mv: float, bin_us: float
) -> Pulses:
    """All pulses below the slice level that lie whole within the record, without glitches."""
    return without_glitches(low_stretches(level_mv, slice_mv, hysteresis_mv, bin_us))


def low_stretches(
    level_mv: NDArray[np.float32], slice_mv: NDArray[np.float32] | float, hysteresis_mv: float, bin_us: float
) -> Pulses:
    """All stretches below the slice level that lie whole within the record, however short.

    `slice_mv` is one level or one a bin; a stretch begins and ends where the record has left the slice level by
    `hysteresis_mv`, and its edges are interpolated at the slice level itself.
    """
    above = level_mv - slice_mv
    state = (above < -hysteresis_mv).view(np.int8) - (above > hysteresis_mv).view(np.int8)
    last = (state[1:] != state[:-1]).nonzero()[0]
    first = np.concatenate(([0], last + 1))
    side = state[first]
    decided = side.nonzero()[0]
    side = side[decided]
    change = (side[1:] != side[:-1]).nonzero()[0]
    before, after = last[decided[change]], first[decided[change + 1]]
    edge_us = _crossing(above, before, after) * bin_us
    if edge_us.size and side[0] > 0:
        edge_us = edge_us[1:]
    edge_us = edge_us[: edge_us.size // 2 * 2]
    return Pulses(edge_us[0::2], edge_us[1::2] - edge_us[0::2])


def without_glitches(low: Pulses, narrowed_us: float = 0.0) -> Pulses:
    """Glitches under 1 us of either kind taken out, first gaps within a pulse, then pulses.

    Smoothing has narrowed the pulses and widened the gaps by `narrowed_us`: pulses are put back to what they were.
    """
    end_us = low.start_us + low.width_us
    gap = (low.start_us[1:] - end_us[:-1] >= SHORTEST_US + narrowed_us).nonzero()[0]
    start_us = np.concatenate((low.start_us[:1], low.start_us[gap + 1]))
    width_us = np.concatenate((end_us[gap], end_us[-1:])) - start_us
    long_enough = width_us >= SHORTEST_US
    return Pulses(start_us[long_enough] - 0.5 * narrowed_us, width_us[long_enough] + narrowed_us)


def _crossing(above: NDArray[np.float32], before: NDArray[np.intp], after: NDArray[np.intp]) -> NDArray[np.float64]:
    """Where the record crosses zero between two decided bins of opposite sign, linear between them."""
    left, right = above[before].astype(np.float64), above[after].astype(np.float64)
    return np.asarray(before + left / (left - right) * (after - before), dtype=np.float64)
