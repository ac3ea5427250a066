"""How finely numbers were printed: the unit of their last digit, found again from the numbers themselves."""

from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

SAMPLED = 256
"""Neighbours looked at in each of three places; ten of them already hold every last digit."""
FINEST_PLACE = -300
"""Of numbers so small that floating point runs out, the place of the last digit does not matter."""


def printed_unit(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """One unit of the last printed digit of each value, shape as `values`.

    A column is printed either with a fixed number of decimals or with a fixed number of significant digits, and trailing
    zeros may be missing; so the most digits and the finest place that occur tell the unit of every value.
    """
    middle = values.size // 2
    sample = np.concatenate([values[:SAMPLED], values[middle : middle + SAMPLED], values[-SAMPLED:]])
    digits_seen, finest_place = 0, 0
    for value in np.unique(sample[sample != 0.0]).tolist():
        _, digits, place = Decimal(repr(value)).normalize().as_tuple()
        assert isinstance(place, int)  # finite
        finest_place = place if digits_seen == 0 else min(finest_place, place)
        digits_seen = max(digits_seen, len(digits))
    if digits_seen == 0:
        return np.zeros_like(values)
    floor = 10.0 ** max(finest_place, FINEST_PLACE)
    leading_place = np.floor(np.log10(np.maximum(np.abs(values), floor)))
    unit: NDArray[np.float64] = np.maximum(10.0 ** (leading_place - digits_seen + 1), floor)
    return unit
