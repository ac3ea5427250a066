"""Uncertainty and conformity against published rules, worked examples and an independent calculation."""

import math

import numpy as np
import pytest
from scipy import stats

from peakwhite.daemon.measure.budget import budget
from peakwhite.daemon.measure.hookup import Clip
from peakwhite.daemon.measure.levels import Levels
from peakwhite.daemon.measure.uncertainty import Item, Spread, combined
from peakwhite.drivers.capture import GainSpec


def test_the_two_sided_conformity_example_of_jcgm_106() -> None:
    """JCGM 106:2012 clause 7.4: limits 12.5 and 16.3, y 13.6, u 1.8. Inputs [R], probability 0.66263 [C]."""
    spread = Spread(normal_mv=1.8, wide_mv=0.0, narrow_mv=0.0)
    conforming = spread.below(16.3 - 13.6) - spread.below(12.5 - 13.6)
    assert conforming == pytest.approx(0.66263, abs=5e-6)


@pytest.mark.parametrize(
    ("probability", "z"), [(0.80, 0.842), (0.90, 1.282), (0.95, 1.645), (0.975, 1.960), (0.99, 2.326), (0.999, 3.090)]
)
def test_normal_quantiles(probability: float, z: float) -> None:
    """The z of a conformance probability [C]."""
    assert Spread(1.0, 0.0, 0.0).quantile(probability) == pytest.approx(z, abs=1.2e-3)


@pytest.mark.parametrize(
    ("y_mv", "u_mv", "probability"), [(700, 10, 0.99953), (730, 10, 0.69146), (735, 10, 0.5), (720, 5, 0.99865)]
)
def test_conformance_with_a_665_to_735_zone(y_mv: float, u_mv: float, probability: float) -> None:
    """Conformance probabilities of standards.md 5.2, computed there with scipy [C]."""
    spread = Spread(u_mv, 0.0, 0.0)
    assert spread.below(735.0 - y_mv) - spread.below(665.0 - y_mv) == pytest.approx(probability, abs=1e-5)


def test_a_rectangle_has_its_half_width_over_root_three() -> None:
    """JCGM 100:2008 4.3.7; 3 % of a 700 mV reading is u = 12.12 mV [C]."""
    assert Item("gain", "per-channel", "rectangular", 0.03 * 700.0).standard_mv == pytest.approx(12.12, abs=0.01)


def test_the_budget_example_of_a_three_per_cent_scope() -> None:
    """12.12 mV gain, 1.35 mV of 8-bit steps over 1.2 V, 2.02 mV of a 1 % terminator: together 12.37 mV [C]."""
    lsb_mv = 1200.0 / 256.0
    items = (
        Item("scope gain", "per-channel", "rectangular", 21.0),
        Item("8 bits over 1.2 V", "per-channel", "rectangular", lsb_mv / 2.0),
        Item("terminator", "per-channel", "rectangular", 0.005 * 700.0),
    )
    assert items[1].standard_mv == pytest.approx(1.353, abs=1e-3)
    assert items[2].standard_mv == pytest.approx(2.02, abs=0.01)
    assert math.sqrt(sum(item.standard_mv**2 for item in items)) == pytest.approx(12.37, abs=0.01)


def test_a_terminator_of_one_per_cent_moves_the_level_by_half() -> None:
    """V is in proportion to RL/(Rs + RL): ±1 % of RL is ±0.50 % of the level, ±3.5 mV in 700 [C]."""
    levels = Levels(lsb_mv=1.0, white_mv=700.0, white_random_mv=0.1, noise_mv=10.0)
    items = budget(700.0, levels, Clip("CH1", "red"), GainSpec(3.0), 1600.0, 100.0)
    assert next(item for item in items if item.name == "termination").size_mv == pytest.approx(3.5)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(
    "sizes",
    [
        [("rectangular", 21.0), ("normal", 0.3), ("rectangular", 3.5), ("rectangular", 4.0), ("rectangular", 4.0)],
        [("rectangular", 7.0), ("normal", 3.0), ("rectangular", 7.0)],
        [
            ("rectangular", 2.1),
            ("normal", 0.2),
            ("rectangular", 3.5),
            ("rectangular", 3.0),
            ("rectangular", 3.0),
            ("rectangular", 3.0),
        ],
        [("normal", 5.0)],
    ],
)
def test_the_closed_form_agrees_with_propagation_of_distributions(sizes: list[tuple[str, float]], seed: int) -> None:
    """JCGM 101:2008: a million draws with scipy's distributions give the same 5, 95 and 97.5 % quantiles."""
    rng = np.random.default_rng(seed)
    total = np.zeros(1_000_000)
    for shape, size in sizes:
        drawn = stats.norm(scale=size) if shape == "normal" else stats.uniform(-size, 2.0 * size)
        total += drawn.rvs(total.size, random_state=rng)
    spread = combined(Item("x", "random", shape, size) for shape, size in sizes)  # type: ignore[arg-type]
    for probability in (0.05, 0.95, 0.975):
        assert spread.quantile(probability) == pytest.approx(float(np.quantile(total, probability)), rel=0.012)
