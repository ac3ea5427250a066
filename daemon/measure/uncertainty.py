"""Uncertainty: the budget of a level, and the distribution that its items make together.

Items are normal or rectangular (JCGM 100:2008 4.3.7). Their sum is convolved in closed form (JCGM 101:2008 is the
definition, of which this is the analytic case): the two widest rectangles exactly, everything else as one normal part
of the same variance. A rectangle that is only the third widest changes no quantile here by more than a few parts in a
thousand of the half-width.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from statistics import NormalDist
from typing import Literal

Kind = Literal["per-channel", "common", "random"]
Shape = Literal["normal", "rectangular"]
Part = Literal["noise", "gain", "linearity", "quantisation", "termination", "other"]

_ROOT_2 = math.sqrt(2.0)
_ROOT_3 = math.sqrt(3.0)
_ROOT_2PI = math.sqrt(2.0 * math.pi)
COVERAGE = 1.96
"""From a 95 % half-width to the standard deviation of a normal distribution."""
MOST_STEPS = 60
CLOSE = 1e-5
"""A quantile is found to this part of the distribution's reach."""
ALL_BELOW = 9.0
"""So many standard deviations up, nothing that a double can hold lies above."""


@dataclass(frozen=True)
class Item:
    """One contribution to a level's uncertainty.

    Attributes:
        name: what it is.
        kind: `common` ones are the same on all channels and drop out of ratios; `random` ones differ at every reading.
        shape: rectangular ±`size_mv`, or normal with standard deviation `size_mv`.
        size_mv: not negative.
        part: of what it is; where levels are compared, some parts drop out.
    """

    name: str
    kind: Kind
    shape: Shape
    size_mv: float
    part: Part = "other"

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
        return self._below_and_density(x_mv)[0]

    def quantile(self, probability: float) -> float:
        """The value below which it lies with that probability, to a hundred-thousandth of its reach.

        Newton's steps, each kept between the bounds that earlier ones left, so the root cannot escape. After a step of
        length s the next would be about s squared over the normal part's width, the only scale on which the density bends.
        """
        if probability < 0.5:
            return -self.quantile(1.0 - probability)
        if self.wide_mv == 0.0:
            return _normal_quantile(probability) * self.normal_mv
        low_mv, high_mv = 0.0, self.wide_mv + self.narrow_mv + 6.0 * self.normal_mv
        close_mv = CLOSE * high_mv
        x_mv = min(self._near(probability), 0.99 * high_mv)
        for _ in range(MOST_STEPS):
            below, density = self._below_and_density(x_mv)
            off = below - probability
            low_mv, high_mv = (low_mv, x_mv) if off > 0.0 else (x_mv, high_mv)
            next_mv = x_mv - off / density if density > 0.0 else math.inf
            if not low_mv <= next_mv <= high_mv:
                next_mv = 0.5 * (low_mv + high_mv)
            elif (next_mv - x_mv) ** 2 < close_mv * self.normal_mv:
                return next_mv
            if abs(next_mv - x_mv) < close_mv:
                return next_mv
            x_mv = next_mv
        return x_mv

    def _near(self, probability: float) -> float:
        """Close to that quantile: between a normal's and a rectangle's, by how much of the variance the widest one has."""
        of_normal, of_rectangle = _normal_quantile(probability), (2.0 * probability - 1.0) * _ROOT_3
        standard_mv = self.standard_mv
        share = self.wide_mv**2 / (3.0 * standard_mv**2)
        return standard_mv * (of_normal + share * (of_rectangle - of_normal))

    def _below_and_density(self, x_mv: float) -> tuple[float, float]:
        z, a, b = x_mv / self.normal_mv, self.wide_mv / self.normal_mv, self.narrow_mv / self.normal_mv
        if a == 0.0:
            return _integrals(z)[0], _density(z) / self.normal_mv
        if b == 0.0:
            left, right = _integrals(z + a), _integrals(z - a)
            return _clip((left[1] - right[1]) / (2.0 * a)), (left[0] - right[0]) / (2.0 * self.wide_mv)
        _, once1, twice1 = _integrals(z + a + b)
        _, once2, twice2 = _integrals(z + a - b)
        _, once3, twice3 = _integrals(z - a + b)
        _, once4, twice4 = _integrals(z - a - b)
        scale = 4.0 * a * b
        return (
            _clip((twice1 - twice2 - twice3 + twice4) / scale),
            (once1 - once2 - once3 + once4) / (scale * self.normal_mv),
        )

    @property
    def standard_mv(self) -> float:
        """Standard deviation."""
        return math.sqrt(self.normal_mv**2 + (self.wide_mv**2 + self.narrow_mv**2) / 3.0)


def combined(items: Iterable[Item]) -> Spread:
    """The distribution of the sum of independent items."""
    variance, rectangles = 0.0, [0.0, 0.0]
    for item in items:
        if not item.size_mv > 0.0:
            continue
        if item.shape == "rectangular":
            rectangles.append(item.size_mv)
        else:
            variance += item.size_mv**2
    rectangles.sort(reverse=True)
    wide_mv, narrow_mv, *others = rectangles
    for size_mv in others:
        variance += size_mv**2 / 3.0
    total_mv = math.sqrt(variance + (wide_mv**2 + narrow_mv**2) / 3.0)
    if narrow_mv < 1e-3 * total_mv:
        variance, narrow_mv = variance + narrow_mv**2 / 3.0, 0.0
    return Spread(max(math.sqrt(variance), 1e-4 * total_mv, 1e-9), wide_mv, narrow_mv)


def _clip(probability: float) -> float:
    return min(1.0, max(0.0, probability))


def _density(z: float) -> float:
    return math.exp(-0.5 * z * z) / _ROOT_2PI if abs(z) < 38.0 else 0.0


def _integrals(z: float) -> tuple[float, float, float]:
    """The standard normal distribution function at z, and its first and second integral from minus infinity."""
    if z > ALL_BELOW:
        return 1.0, z, 0.5 * (z * z + 1.0)
    if z < -ALL_BELOW:
        return 0.0, 0.0, 0.0
    phi, density = 0.5 * math.erfc(-z / _ROOT_2), math.exp(-0.5 * z * z) / _ROOT_2PI
    return phi, z * phi + density, 0.5 * ((z * z + 1.0) * phi + z * density)


@cache
def _normal_quantile(probability: float) -> float:
    return NormalDist().inv_cdf(probability)
