"""Uncertainty: the budget of a level, and the distribution that its items make together.

Items are normal or rectangular (JCGM 100:2008 4.3.7). Their sum is convolved in closed form (JCGM 101:2008 is the
definition, of which this is the analytic case): the two widest rectangles exactly, everything else as one normal part
of the same variance. A rectangle that is only the third widest changes no quantile here by more than a few parts in a
thousand of the half-width.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Kind = Literal["per-channel", "common", "random"]
Shape = Literal["normal", "rectangular"]

_ROOT_2 = math.sqrt(2.0)
_ROOT_3 = math.sqrt(3.0)
_ROOT_2PI = math.sqrt(2.0 * math.pi)


@dataclass(frozen=True)
class Item:
    """One contribution to a level's uncertainty.

    Attributes:
        name: what it is.
        kind: `common` ones are the same on all channels and drop out of ratios; `random` ones differ at every reading.
        shape: rectangular ±`size_mv`, or normal with standard deviation `size_mv`.
        size_mv: not negative.
    """

    name: str
    kind: Kind
    shape: Shape
    size_mv: float

    @property
    def standard_mv(self) -> float:
        """Standard uncertainty: the half-width of a rectangle over root 3 (JCGM 100 4.3.7)."""
        return self.size_mv / _ROOT_3 if self.shape == "rectangular" else self.size_mv


@dataclass(frozen=True)
class Spread:
    """A symmetric distribution about zero: a normal part and up to two rectangles, convolved.

    Attributes:
        normal_mv: standard deviation of the normal part, above 0.
        wide_mv, narrow_mv: half-widths of the rectangles, wide_mv >= narrow_mv >= 0.
    """

    normal_mv: float
    wide_mv: float
    narrow_mv: float

    def below(self, x_mv: float) -> float:
        """Probability of lying below `x_mv`."""
        z, a, b = x_mv / self.normal_mv, self.wide_mv / self.normal_mv, self.narrow_mv / self.normal_mv
        if a == 0.0:
            return _phi(z)
        if b == 0.0:
            return _clip((_once(z + a) - _once(z - a)) / (2.0 * a))
        return _clip((_twice(z + a + b) - _twice(z + a - b) - _twice(z - a + b) + _twice(z - a - b)) / (4.0 * a * b))

    def quantile(self, probability: float) -> float:
        """The value below which it lies with that probability, to a thousandth of its standard deviation or better.

        Found by halving an interval that is sure to hold it, so it cannot fail to converge.
        """
        reach_mv = self.wide_mv + self.narrow_mv + 9.0 * self.normal_mv
        low_mv, high_mv = (0.0, reach_mv) if probability >= 0.5 else (-reach_mv, 0.0)
        while high_mv - low_mv > 1e-4 * reach_mv:
            middle_mv = 0.5 * (low_mv + high_mv)
            if self.below(middle_mv) < probability:
                low_mv = middle_mv
            else:
                high_mv = middle_mv
        return 0.5 * (low_mv + high_mv)


def combined(items: Iterable[Item]) -> Spread:
    """The distribution of the sum of independent items."""
    sizes = [(item.shape, item.size_mv) for item in items if item.size_mv > 0.0]
    rectangles = sorted((size for shape, size in sizes if shape == "rectangular"), reverse=True)
    variance = sum(size**2 for shape, size in sizes if shape == "normal") + sum(
        size**2 / 3.0 for size in rectangles[2:]
    )
    wide_mv, narrow_mv = (*rectangles, 0.0, 0.0)[:2]
    total_mv = math.sqrt(variance + (wide_mv**2 + narrow_mv**2) / 3.0)
    if narrow_mv < 1e-3 * total_mv:
        variance, narrow_mv = variance + narrow_mv**2 / 3.0, 0.0
    return Spread(max(math.sqrt(variance), 1e-4 * total_mv, 1e-9), wide_mv, narrow_mv)


def _clip(probability: float) -> float:
    return min(1.0, max(0.0, probability))


def _phi(z: float) -> float:
    """Standard normal distribution function."""
    return 0.5 * math.erfc(-z / _ROOT_2)


def _density(z: float) -> float:
    return math.exp(-0.5 * z * z) / _ROOT_2PI if abs(z) < 38.0 else 0.0


def _once(z: float) -> float:
    """Integral of the normal distribution function from minus infinity to z."""
    return z * _phi(z) + _density(z)


def _twice(z: float) -> float:
    """Integral of that integral from minus infinity to z."""
    return 0.5 * ((z * z + 1.0) * _phi(z) + z * _density(z))
