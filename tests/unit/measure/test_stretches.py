"""Stretches of records."""

import numpy as np
import pytest

from peakwhite.daemon.measure.stretches import stretches


@pytest.mark.parametrize("kind", [np.uint8, np.int8, np.uint16])
def test_stretches_are_the_codes_themselves(kind: type) -> None:
    codes: np.ndarray = np.arange(100, dtype=kind)[::2]
    np.testing.assert_array_equal(stretches(codes, np.array([[0, 3], [45, 7]]), 5)[1, 0], codes[45:50])


def test_all_rows_are_cut_at_the_same_places() -> None:
    values = np.arange(40.0).reshape(2, 20)
    cut = stretches(values, np.array([0, 15, 3]), 5)
    assert cut.shape == (2, 3, 5)
    np.testing.assert_array_equal(cut[1, 1], values[1, 15:])


def test_a_stretch_beyond_the_end_is_refused() -> None:
    with pytest.raises(IndexError):
        stretches(np.arange(20.0), np.array([16]), 5)
