"""Statistics of the few: medians and straight lines of tens of values, where the general functions cost ten times the work."""

import math

import numpy as np
from numpy.typing import NDArray


def median(values: NDArray[np.floating]) -> float:
    """The middle of the values, of an even number the mean of the two in the middle; NaN of none."""
    middle = values.size // 2
    if values.size == 0:
        return math.nan
    if values.size % 2:
        return float(np.partition(values, middle)[middle])
    ordered = np.partition(values, (middle - 1, middle))
    return 0.5 * (float(ordered[middle - 1]) + float(ordered[middle]))


def noise_of(values: NDArray[np.floating]) -> float:
    """Rms noise from the differences of neighbours, steps left out by the median: 0.6745 of a Gaussian's rms."""
    return median(np.abs(values[1:] - values[:-1])) / 0.6745 / math.sqrt(2.0)
