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
_STEEP = 1.6
"""Where a quantile of 95 % lies, in standard deviations, whatever the shape: between 1.56 and 1.65."""
MOST_STEPS = 60


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
        """The value below which it lies with that probability, to a ten-thousandth of its reach.

        The root is kept between two bounds (regula falsi, the end that stays put weighted down), so it cannot escape.
        """
        if probability < 0.5:
            return -self.quantile(1.0 - probability)
        reach_mv = self.wide_mv + self.narrow_mv + 6.0 * self.normal_mv
        low_mv, high_mv = 0.0, reach_mv
        low, high = 0.5 - probability, 1.0 - probability
        x_mv = min(_STEEP * self.standard_mv, 0.99 * reach_mv)
        for _ in range(MOST_STEPS):
            y = self.below(x_mv) - probability
            if y > 0.0:
                high_mv, high, low = x_mv, y, 0.5 * low
            else:
                low_mv, low, high = x_mv, y, 0.5 * high
            previous_mv, x_mv = x_mv, low_mv - low * (high_mv - low_mv) / (high - low)
            if abs(x_mv - previous_mv) < 2e-5 * reach_mv:
                break
        return x_mv

    @property
    def standard_mv(self) -> float:
        """Standard deviation."""
        return math.sqrt(self.normal_mv**2 + (self.wide_mv**2 + self.narrow_mv**2) / 3.0)


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
