"""Statistics of the few: medians and straight lines of tens of values, where the general functions cost ten times the work."""

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

AnyNumber = TypeVar("AnyNumber", bound=np.generic)

GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)


def mean_along(values: NDArray[AnyNumber], axis: int) -> NDArray[AnyNumber]:
    """Mean along an axis in the values' own precision."""
    return np.asarray(np.add.reduce(values, axis=axis) / values.shape[axis])


def median(values: NDArray[np.floating]) -> float:
    """The middle of the values, of an even number the mean of the two in the middle; NaN of none."""
    if values.size == 0:
        return math.nan
    ordered = np.sort(values)
    middle = ordered.size // 2
    return float(ordered[middle]) if ordered.size % 2 else 0.5 * float(ordered[middle - 1] + ordered[middle])


@lru_cache(maxsize=32)
def spread_places(size: int, count: int) -> NDArray[np.intp]:
    """About `count` places of `size`, one from somewhere within each of as many equal pieces; all where there are few.

    A fixed stride can be a simple fraction of a line, and then sees the same few places of every line; steps that grow by
    the golden section never repeat.
    """
    piece = max(1, size // count)
    number = np.arange(size // piece)
    places = np.asarray(((number + number * GOLDEN % 1.0) * piece).astype(np.intp))
    places.setflags(write=False)
    return places


def spread(values: NDArray[AnyNumber], count: int) -> NDArray[AnyNumber]:
    """About so many of the values, from all over, never in step with what repeats."""
    return values if values.size < 2 * count else values[spread_places(values.size, count)]


def at_shares(values: NDArray[AnyNumber], *shares: float) -> NDArray[AnyNumber]:
    """Of the values in order, those below which that part of the others lies; without putting all in order."""
    places = [int(share * (values.size - 1)) for share in shares]
    return np.partition(values, places)[places]


def in_order(codes: NDArray[np.generic], places: Sequence[int]) -> list[int]:
    """The codes at those places of their order, by counting: noise about a few levels makes sorting and parting slow."""
    lowest = int(codes.min())
    up_to = np.bincount(codes.astype(np.intp) - lowest).cumsum()
    return [int(code) + lowest for code in up_to.searchsorted(places, side="right")]


def median_of_five(rows: NDArray[AnyNumber]) -> NDArray[AnyNumber]:
    """The middle one of five rows at every column, by comparing rows whole."""
    a, b, c, d, e = rows
    higher_of_lows = np.maximum(np.minimum(a, b), np.minimum(c, d))
    lower_of_highs = np.minimum(np.maximum(a, b), np.maximum(c, d))
    low, high = np.minimum(higher_of_lows, lower_of_highs), np.maximum(higher_of_lows, lower_of_highs)
    return np.asarray(np.maximum(low, np.minimum(high, e)))


def noise_of(values: NDArray[np.floating]) -> float:
    """Rms noise from the differences of neighbours, steps left out by the median: 0.6745 of a Gaussian's rms."""
    return median(np.abs(values[1:] - values[:-1])) / 0.6745 / math.sqrt(2.0)
