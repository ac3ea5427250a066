"""Statistics of the few: medians and straight lines of tens of values, where the general functions cost ten times the work."""

import math

import numpy as np
from numpy.typing import NDArray


def median(values: NDArray[np.floating]) -> float:
    """The middle of the values, of an even number the mean of the two in the middle; NaN of none."""
    if values.size == 0:
        return math.nan
    ordered = np.sort(values)
    middle = ordered.size // 2
    return float(ordered[middle]) if ordered.size % 2 else 0.5 * float(ordered[middle - 1] + ordered[middle])


def noise_of(values: NDArray[np.floating]) -> float:
    """Rms noise from the differences of neighbours, steps left out by the median: 0.6745 of a Gaussian's rms."""
    return median(np.abs(values[1:] - values[:-1])) / 0.6745 / math.sqrt(2.0)
