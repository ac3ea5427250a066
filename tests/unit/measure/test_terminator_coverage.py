"""The source impedance of the terminator test lies within its uncertainty as often as that says, on drawn loads and noise."""

import numpy as np
import pytest

from peakwhite.daemon.measure.calibration import SignalPath
from peakwhite.daemon.measure.hookup import Clip, Hookup
from peakwhite.daemon.measure.level_budget import LevelBudget
from peakwhite.daemon.measure.terminator_test import Second, source_impedances
from peakwhite.daemon.measure.uncertainty import Item

HOOKUP = Hookup((Clip("CH1", "red", load="terminator", load_tolerance_pct=1.0),))
PATH = SignalPath(0.008, 1.6, "coax", 1.0)
NOISE_MV = 0.7
DRAWS = 3000


def level(level_mv: float) -> LevelBudget:
    noise = Item("noise", "random", "normal", NOISE_MV, "noise")
    gain = Item("scope gain", "per-channel", "rectangular", 0.03 * level_mv, "gain")
    return LevelBudget("red", level_mv, (noise, gain), channel="CH1", path=PATH)


@pytest.mark.parametrize("source_ohm", [40.0, 75.0, 150.0])
@pytest.mark.parametrize("with_second", ["open", "two-loads"])
def test_the_source_impedance_lies_within_its_uncertainty(with_second: Second, source_ohm: float) -> None:
    rng = np.random.default_rng(7)
    inside = []
    for _ in range(DRAWS):
        one_ohm, other_ohm = 75.0 * rng.uniform(0.99, 1.01, 2)
        second_ohm = np.inf if with_second == "open" else one_ohm * other_ohm / (one_ohm + other_ohm)
        gain = rng.uniform(0.97, 1.03)
        one_mv = 1400.0 * gain / (1.0 + source_ohm / one_ohm) + rng.normal(0.0, NOISE_MV)
        second_mv = 1400.0 * gain / (1.0 + source_ohm / second_ohm) + rng.normal(0.0, NOISE_MV)
        (found,) = source_impedances([level(one_mv)], [level(second_mv)], HOOKUP, with_second)
        assert found.source_ohm is not None
        assert found.u95_ohm is not None
        inside.append(abs(found.source_ohm - source_ohm) <= found.u95_ohm)
    assert 0.94 <= np.mean(inside) <= 0.98
