"""Statistics of the few agree with the general ones."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from peakwhite.daemon.measure.robust import in_order, median, median_of_five, noise_of, spread


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


@given(hnp.arrays(np.int16, (5, 20), elements=st.integers(-300, 300)))
def test_the_middle_of_five_rows_is_their_median(rows: np.ndarray) -> None:
    np.testing.assert_array_equal(median_of_five(rows), np.median(rows, axis=0))


@pytest.mark.parametrize("kind", [np.uint8, np.int8, np.uint16])
def test_codes_stand_in_order_as_sorted(kind: type) -> None:
    limits = np.iinfo(kind)
    codes = np.random.default_rng(5).integers(limits.min, limits.max, 999, dtype=kind, endpoint=True)
    assert in_order(codes, [0, 9, 500, 998]) == np.sort(codes)[[0, 9, 500, 998]].tolist()
