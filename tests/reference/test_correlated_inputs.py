"""JCGM 100:2008 Annex H.2, resistance, reactance and impedance from simultaneous readings, through our type A code.

H.2 has correlated inputs. Its second approach (H.2.4) needs no correlation coefficients: every set of simultaneous
readings gives a result of its own, and the scatter of those carries the correlations. So does the engine, which takes
white and blanking off the same line and looks at how the differences scatter. That approach runs through our code here.
The first approach, a matrix of any coefficients (r(V,I) = -0.36, r(V,phi) = 0.86, r(I,phi) = -0.65), has no counterpart
in Peakwhite: inputs are independent, or in common to all channels, which is what the last test compares with a matrix.

Uncertainties in the published outputs 127.732(70), 219.85(30), 254.26(24) and inputs (3.2 mV, 9.5 uA, 0.75 mrad): [R];
from the raw data 0.0711, 0.2956, 0.2363 ohm: [C].
"""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from uncertainties import correlated_values

from peakwhite.daemon.measure.level_budget import LevelBudget
from peakwhite.daemon.measure.level_noise import mean_error_mv
from peakwhite.daemon.measure.match import match
from peakwhite.daemon.measure.uncertainty import Item

VOLTAGE_V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
CURRENT_A = 1e-3 * np.array([19.663, 19.639, 19.640, 19.685, 19.678])
PHASE_RAD = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
IMPEDANCE_OHM = VOLTAGE_V / CURRENT_A
OUTPUTS = {
    "resistance": (IMPEDANCE_OHM * np.cos(PHASE_RAD), 127.732, 0.0711),
    "reactance": (IMPEDANCE_OHM * np.sin(PHASE_RAD), 219.85, 0.2956),
    "impedance": (IMPEDANCE_OHM, 254.26, 0.2363),
}


@pytest.mark.parametrize(
    ("readings", "published", "digit"),
    [(1e3 * VOLTAGE_V, 3.2, 0.1), (1e6 * CURRENT_A, 9.5, 0.1), (1e3 * PHASE_RAD, 0.75, 0.01)],
)
def test_the_inputs_of_h2_have_their_published_uncertainty(
    readings: NDArray[np.float64], published: float, digit: float
) -> None:
    """The experimental standard deviation of the mean (JCGM 100 4.2.3), in mV, uA and mrad."""
    assert mean_error_mv(readings, 0.0) == pytest.approx(published, abs=0.5 * digit)


@pytest.mark.parametrize("name", OUTPUTS)
def test_the_outputs_of_h2_by_its_second_approach(name: str) -> None:
    """The published uncertainties are of first order, the scatter of results is not: 0.3 % apart at most."""
    each_ohm, published_ohm, published_u_ohm = OUTPUTS[name]
    assert float(each_ohm.mean()) == pytest.approx(published_ohm, abs=6e-3)
    assert mean_error_mv(each_ohm, 0.0) == pytest.approx(published_u_ohm, rel=5e-3)


@pytest.mark.parametrize("correlation", [0.0, 0.25, 0.5, 0.9])
def test_levels_that_share_a_part_differ_as_a_correlation_matrix_says(correlation: float) -> None:
    """JCGM 100 5.2.2 with `uncertainties`: a common part c and own parts are correlated by c^2 / (u1 u2)."""
    red_u_mv, blue_u_mv = 5.0, 4.6
    common_mv = math.sqrt(correlation * red_u_mv * blue_u_mv)
    covariance = [[red_u_mv**2, common_mv**2], [common_mv**2, blue_u_mv**2]]
    red, blue = correlated_values([720.0, 690.0], covariance)
    levels = [
        level("red", 720.0, math.sqrt(red_u_mv**2 - common_mv**2), common_mv),
        level("green", 705.0, 1.0, common_mv),
        level("blue", 690.0, math.sqrt(blue_u_mv**2 - common_mv**2), common_mv),
    ]
    found = match(levels)
    assert found is not None
    assert found.spread_mv == pytest.approx((red - blue).nominal_value)
    assert found.u95_mv == pytest.approx(float(stats.norm.ppf(0.975)) * (red - blue).std_dev, rel=1e-4)


def level(role: str, level_mv: float, own_mv: float, common_mv: float) -> LevelBudget:
    items = (Item("own", "per-channel", "normal", own_mv), Item("all", "common", "normal", common_mv))
    return LevelBudget(role, level_mv, items)
