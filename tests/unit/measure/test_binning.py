"""Block means are the means of the samples, whatever the type of code."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from peakwhite.daemon.measure.binning import bin_means, running_sums, samples_per_bin


@given(
    codes=st.sampled_from([np.uint8, np.int8, np.uint16]).flatmap(
        lambda kind: hnp.arrays(dtype=kind, shape=st.integers(1, 700))
    ),
    count=st.sampled_from([1, 2, 4, 8, 16, 32, 64]),
)
def test_a_bin_is_the_mean_of_its_samples(codes: np.ndarray, count: int) -> None:
    means = bin_means(codes, count)
    expected = codes[: means.size * count].reshape(-1, count).mean(axis=1)
    assert codes.size - means.size * count < max(count, 8) + 8
    np.testing.assert_allclose(means, expected, rtol=1e-6, atol=1e-4)


def test_codes_at_an_odd_address_are_binned_like_any_others() -> None:
    bytes_ = np.random.default_rng(2).integers(0, 256, 1001, dtype=np.uint8).tobytes()
    codes = np.frombuffer(bytes_, dtype=np.uint8, offset=1)
    np.testing.assert_allclose(bin_means(codes, 8), codes.reshape(-1, 8).mean(axis=1), rtol=1e-6)


@pytest.mark.parametrize(
    ("seconds_per_sample", "count"), [(200e-9, 1), (100e-9, 1), (40e-9, 2), (4e-9, 16), (1e-9, 64), (0.1e-9, 64)]
)
def test_a_bin_lasts_100_ns_at_most(seconds_per_sample: float, count: int) -> None:
    assert samples_per_bin(seconds_per_sample) == count


@given(width=st.integers(1, 40), size=st.integers(40, 90))
def test_running_sums_are_the_sums_of_neighbours(width: int, size: int) -> None:
    values = np.random.default_rng(size).normal(size=size).astype(np.float32)
    expected = np.convolve(values, np.ones(width), mode="valid")
    np.testing.assert_allclose(running_sums(values, width), expected, atol=1e-4)
