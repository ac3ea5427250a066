"""Drift is told from noise, from steps that somebody turned and from gaps."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from peakwhite.daemon.keeping.drift import Drift, drift_of, pieces_of

GAP_S = 15.0
TIMES_S = np.arange(0.0, 300.0, 5.0)


def noise(seed: int, rms_mv: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.random.default_rng(seed).normal(0.0, rms_mv, TIMES_S.size)


def found(levels_mv: np.ndarray[tuple[int], np.dtype[np.float64]]) -> Drift:
    drift = drift_of(pieces_of(TIMES_S, levels_mv, GAP_S))
    assert drift is not None
    return drift


@given(st.integers(0, 2**32 - 1), st.floats(-0.9, 0.9), st.floats(-1000.0, 1000.0))
@settings(max_examples=60, deadline=None)
def test_a_slope_that_is_added_is_found_again_wherever_the_level_stands(
    seed: int, mv_per_min: float, level_mv: float
) -> None:
    flat = noise(seed, 0.1)
    before, after = found(flat), found(flat + level_mv + mv_per_min / 60.0 * TIMES_S)
    assert after.mv_per_min == pytest.approx(before.mv_per_min + mv_per_min, abs=1e-6)
    assert after.low_mv_per_min == pytest.approx(before.low_mv_per_min + mv_per_min, abs=1e-6)
    assert after.low_mv_per_min <= after.mv_per_min <= after.high_mv_per_min


@given(st.integers(0, 2**32 - 1), st.integers(10, 50), st.floats(5.0, 200.0) | st.floats(-200.0, -5.0))
@settings(max_examples=60, deadline=None)
def test_a_trimmer_that_is_turned_is_no_drift(seed: int, place: int, step_mv: float) -> None:
    turned = noise(seed, 0.05) + np.where(np.arange(TIMES_S.size) < place, 0.0, step_mv)
    assert not found(turned).is_drifting


def test_a_trimmer_that_is_turned_hides_no_drift() -> None:
    turned = noise(1, 0.05) + np.where(TIMES_S < 150.0, 0.0, 40.0) + 0.5 / 60.0 * TIMES_S
    assert found(turned).is_drifting
    assert found(turned).mv_per_min == pytest.approx(0.5, abs=0.05)


def test_a_level_that_warms_up_fast_is_not_taken_for_steps() -> None:
    assert found(noise(1, 0.05) + 30.0 / 60.0 * TIMES_S).mv_per_min == pytest.approx(30.0, abs=0.1)


def test_the_interval_holds_the_slope_of_plain_noise_as_often_as_it_says() -> None:
    drifts = [found(noise(seed, 0.3)) for seed in range(400)]
    held = sum(drift.low_mv_per_min <= 0.0 <= drift.high_mv_per_min for drift in drifts)
    assert 0.92 <= held / 400 <= 0.985


@pytest.mark.parametrize("rms_mv", [0.05, 0.5, 3.0])
def test_noise_seldom_reads_as_drift(rms_mv: float) -> None:
    drifting = sum(found(noise(seed, rms_mv)).is_drifting for seed in range(200))
    assert drifting <= 0.08 * 200


def test_a_quiet_level_is_settled_and_a_noisy_one_is_neither() -> None:
    assert found(noise(1, 0.05)).is_settled
    noisy = found(noise(1, 3.0))
    assert not noisy.is_settled and not noisy.is_drifting


def test_a_millivolt_in_five_minutes_is_the_limit() -> None:
    assert not found(0.18 / 60.0 * TIMES_S).is_drifting
    assert found(0.22 / 60.0 * TIMES_S).is_drifting


def test_few_values_tell_nothing() -> None:
    assert drift_of(pieces_of(TIMES_S[:4], TIMES_S[:4], GAP_S)) is None
    assert drift_of(()) is None


def test_a_gap_cuts_as_a_step_does() -> None:
    times_s = np.concatenate([TIMES_S[:10], TIMES_S[:10] + 200.0])
    assert [piece[0].size for piece in pieces_of(times_s, np.zeros(20), GAP_S)] == [10, 10]
