"""Statistics of the few agree with the general ones."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from peakwhite.daemon.measure.robust import median, noise_of, spread


@given(hnp.arrays(np.float64, st.integers(1, 40), elements=st.floats(-1e6, 1e6)))
def test_the_median_is_the_median(values: np.ndarray) -> None:
    assert median(values) == pytest.approx(float(np.median(values)))


def test_nothing_has_no_median() -> None:
    assert math.isnan(median(np.empty(0)))


def test_noise_is_told_beside_steps() -> None:
    values = np.random.default_rng(4).normal(0.0, 3.0, 6000) + 500.0 * (np.arange(6000) % 100 < 50)
    assert noise_of(values) == pytest.approx(3.0, rel=0.06)


@given(st.integers(1, 300_000), st.integers(1, 5000))
def test_thinned_values_are_all_there_in_their_order(size: int, count: int) -> None:
    thinned = spread(np.arange(size), count)
    assert min(size, count) <= thinned.size <= max(2 * count, 1)
    assert np.all(np.diff(thinned) > 0)


def test_thinning_is_never_in_step_with_what_repeats() -> None:
    repeating = np.arange(600_000) % 800 < 59
    assert np.mean(spread(repeating, 6000)) == pytest.approx(59 / 800, rel=0.1)
