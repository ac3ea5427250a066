"""Budgets of real readings, combination rules, and conformity, against independent packages and published rules.

JCGM 100:2008 5.1.2 and 5.2 (combination) against the package `uncertainties`; JCGM 101:2008 (propagation of
distributions) against a Monte Carlo of scipy's; JCGM 106:2012 clauses 7.4 and 8.3 through the verdict code. Annex H.2 of
JCGM 100 is in test_correlated_inputs.py, clause 9.5.4 of JCGM 106 in test_conformity_risk.py.
"""

import math

import numpy as np
import pytest
from scipy import stats
from uncertainties import ufloat

from made_video import Made, rgb_sync, white
from peakwhite.daemon.measure.engine import budgets, measure_capture
from peakwhite.daemon.measure.hookup import Clip, Hookup
from peakwhite.daemon.measure.level_budget import LevelBudget
from peakwhite.daemon.measure.match import match
from peakwhite.daemon.measure.targets import Conditions, Target
from peakwhite.daemon.measure.uncertainty import Item, Spread, combined
from peakwhite.daemon.measure.verdict import judge
from peakwhite.drivers.capture import GainSpec

HOOKUP = Hookup(
    (Clip("CH1", "red", link="probe-10x"), Clip("CH2", "green"), Clip("CH3", "blue", load="none"), Clip("CH4", "sync"))
)


@pytest.mark.parametrize("gain", [GainSpec(3.0), GainSpec(1.0), GainSpec(0.3), GainSpec(2.0, "full-scale")])
@pytest.mark.parametrize("noise_mv", [1.0, 6.0])
def test_the_limits_of_a_reading_are_those_of_a_monte_carlo_of_its_budget(gain: GainSpec, noise_mv: float) -> None:
    """A million draws of every item with scipy's distributions: u95, and the 5 and 95 % quantiles."""
    capture = rgb_sync(Made(noise_mv=noise_mv), white(742.0), white(714.3), white(655.0))
    conditions = Conditions(HOOKUP, gain_spec=gain)
    readings = {one.channel: one for one in measure_capture(capture, conditions).channels}
    rng = np.random.default_rng(11)
    for one in budgets(capture, conditions):
        total = np.full(1_000_000, one.level_mv)
        for item in one.items:
            size_mv = item.size_mv
            drawn = stats.norm(scale=size_mv) if item.shape == "normal" else stats.uniform(-size_mv, 2.0 * size_mv)
            total += drawn.rvs(total.size, random_state=rng)
        low_mv, high_mv = np.quantile(total, (0.05, 0.95))
        u95_mv = float(np.diff(np.quantile(total, (0.025, 0.975)))[0]) / 2.0
        reading = readings[one.channel]
        assert reading.u95_mv == pytest.approx(u95_mv, rel=0.012)
        assert reading.low_mv == pytest.approx(float(low_mv), abs=0.012 * u95_mv)
        assert reading.high_mv == pytest.approx(float(high_mv), abs=0.012 * u95_mv)


@pytest.mark.parametrize("seed", range(5))
def test_independent_items_combine_as_the_law_of_propagation_says(seed: int) -> None:
    """JCGM 100:2008 5.1.2, sensitivities of 1: the standard deviation that `uncertainties` gives the sum."""
    rng = np.random.default_rng(seed)
    items = [
        Item("x", "random", "normal" if rng.random() < 0.5 else "rectangular", float(rng.uniform(0.1, 20.0)))
        for _ in range(int(rng.integers(1, 8)))
    ]
    parts = [ufloat(0.0, one.size_mv / (math.sqrt(3.0) if one.shape == "rectangular" else 1.0)) for one in items]
    assert combined(items).standard_mv == pytest.approx(sum(parts).std_dev, rel=1e-9)


def test_what_is_common_to_two_channels_drops_out_of_their_difference() -> None:
    """JCGM 100:2008 5.2.2: fully correlated parts cancel in a difference. All items normal, so U95 is 1.96 u."""
    common = ufloat(0.0, 9.0)
    own = {"red": ufloat(720.0, 3.0), "green": ufloat(700.0, 2.0), "blue": ufloat(690.0, 1.5)}
    levels = [
        LevelBudget(
            role,
            one.nominal_value,
            (Item("own", "per-channel", "normal", one.std_dev), Item("all", "common", "normal", 9.0)),
        )
        for role, one in own.items()
    ]
    difference = (own["red"] + common) - (own["blue"] + common)
    found = match(levels)
    assert found is not None
    assert found.spread_mv == pytest.approx(difference.nominal_value)
    assert found.u95_mv == pytest.approx(float(stats.norm.ppf(0.975)) * difference.std_dev, rel=1e-4)


def target(low: float, high: float) -> Target:
    return Target("zone", ("luma",), nominal_mv=high, over_above_mv=high, on_from_mv=low, dim_from_mv=low)


def test_the_oil_viscosity_example_of_jcgm_106_through_the_verdict() -> None:
    """JCGM 106:2012 7.4: limits 12.5 and 16.3, y 13.6, u 1.8 [R]; conforming with 0.66263 [C] = 1 - over - too low."""
    said = judge(13.6, lambda level: Spread(1.8, 0.0, 0.0), target(12.5, 16.3))
    assert 1.0 - said.p_over - said.p_too_low == pytest.approx(0.66263, abs=5e-6)
    assert said.verdict == "unsure"


def test_the_aim_is_the_guarded_acceptance_limit() -> None:
    """JCGM 106:2012 8.3, guard band 1.645 u: zone 665 to 735 with u = 5 is accepted up to 726.78 [C]."""
    said = judge(700.0, lambda level: Spread(5.0, 0.0, 0.0), target(665.0, 735.0))
    assert said.aim_mv == pytest.approx(726.78, abs=0.01)
    assert said.verdict == "leave-it"


@pytest.mark.parametrize(("level", "u", "conforming"), [(700.0, 10.0, 0.99953), (730.0, 10.0, 0.69146), (735.0, 10.0, 0.5), (720.0, 5.0, 0.99865)])  # fmt: skip
def test_conformance_of_a_zone_through_the_verdict(level: float, u: float, conforming: float) -> None:
    """Zone 665 to 735 (standards.md 5.2 [C]); at 735 the lower edge is seven u away."""
    said = judge(level, lambda mv: Spread(u, 0.0, 0.0), target(665.0, 735.0))
    assert 1.0 - said.p_over - said.p_too_low == pytest.approx(conforming, abs=1e-5)
