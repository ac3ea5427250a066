"""Budgets convolve as they should."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.daemon.measure.uncertainty import Item, Spread, combined

sizes_mv = st.floats(0.01, 50.0)
items = st.builds(
    Item, name=st.just("x"), kind=st.just("random"), shape=st.sampled_from(["normal", "rectangular"]), size_mv=sizes_mv
)
budgets = st.lists(items, min_size=1, max_size=6)


def test_one_rectangle_has_the_quantiles_of_a_rectangle() -> None:
    spread = combined([Item("gain", "per-channel", "rectangular", 21.0)])
    assert spread.quantile(0.95) == pytest.approx(0.9 * 21.0, abs=0.01)
    assert spread.quantile(0.975) == pytest.approx(0.95 * 21.0, abs=0.01)


def test_two_equal_rectangles_have_the_quantiles_of_a_triangle() -> None:
    spread = combined([Item("gain", "per-channel", "rectangular", 21.0)] * 2)
    assert spread.quantile(0.975) == pytest.approx(42.0 * (1.0 - math.sqrt(0.05)), abs=0.02)


def test_normal_items_add_as_squares() -> None:
    spread = combined([Item("a", "random", "normal", 3.0), Item("b", "random", "normal", 4.0)])
    assert spread.quantile(0.975) == pytest.approx(1.95996 * 5.0, rel=1e-3)


def test_nothing_uncertain_is_certain() -> None:
    assert combined([]).quantile(0.975) == pytest.approx(0.0, abs=1e-6)


@given(budgets, st.floats(0.01, 0.99))
def test_the_quantile_undoes_the_distribution(budget: list[Item], probability: float) -> None:
    spread = combined(budget)
    assert spread.below(spread.quantile(probability)) == pytest.approx(probability, abs=2e-3)


@given(budgets, st.floats(-200.0, 200.0))
def test_the_distribution_is_symmetric(budget: list[Item], x_mv: float) -> None:
    spread = combined(budget)
    assert spread.below(x_mv) + spread.below(-x_mv) == pytest.approx(1.0, abs=1e-6)


@given(budgets)
def test_one_more_item_never_narrows_the_interval(budget: list[Item]) -> None:
    more = [*budget, Item("y", "random", "rectangular", 5.0)]
    assert combined(more).quantile(0.975) >= combined(budget).quantile(0.975) * (1.0 - 6e-3)


@given(budgets, st.floats(0.1, 10.0))
def test_enlarging_every_item_enlarges_the_interval(budget: list[Item], factor: float) -> None:
    larger = [Item(item.name, item.kind, item.shape, item.size_mv * factor) for item in budget]
    assert combined(larger).quantile(0.95) == pytest.approx(factor * combined(budget).quantile(0.95), rel=2e-3)


def test_the_distribution_grows_from_0_to_1() -> None:
    spread = Spread(normal_mv=0.01, wide_mv=20.0, narrow_mv=4.0)
    x_mv = np.linspace(-30.0, 30.0, 400)
    below = [spread.below(float(x)) for x in x_mv]
    assert below[0] == pytest.approx(0.0, abs=1e-6)
    assert below[-1] == pytest.approx(1.0, abs=1e-6)
    assert np.all(np.diff(below) >= -1e-6)
