"""Edges are placed to a fraction of a sample, as near as noise allows, whatever their shape and length."""

import math

import numpy as np
import pytest

from made_video import Array, Made, digitised, step
from peakwhite.daemon.measure.edge_fit import Edges, fitted_edges

REACH_US = 1.175
APART_US = 13.37
"""No whole number of samples at any of the rates, so that edges lie everywhere between samples."""


def edges_of(rise_us: float, sample_ns: float, noise_mv: float, edges: int = 200) -> tuple[Edges, Array]:
    """Falling and rising edges by turns of 286 mV as the engine places them from 0.1 us off, and where they are."""
    true_us = 7.0 + APART_US * np.arange(edges, dtype=np.float64)
    samples = math.ceil((true_us[-1] + 7.0) / sample_ns * 1e3)
    made = Made(sample_ns=sample_ns, samples=samples, noise_mv=noise_mv, lsb_mv=0.5, centre_mv=-143.0, bits=12, seed=5)
    t_us = np.arange(samples, dtype=np.float64) * sample_ns * 1e-3
    nearest = np.clip(np.rint((t_us - true_us[0]) / APART_US).astype(int), 0, edges - 1)
    into = step(t_us, true_us[nearest], rise_us)
    wave = -286.0 * np.where(nearest % 2 == 0, into, 1.0 - into)
    near_us = true_us + np.random.default_rng(6).uniform(-0.1, 0.1, edges)
    return fitted_edges(digitised(made, "CH1", wave), near_us, REACH_US, sample_ns * 1e-3), true_us


@pytest.mark.parametrize("rise_us", [0.10, 0.14, 0.25])
@pytest.mark.parametrize("sample_ns", [8.0, 40.0, 100.0])
def test_the_error_is_what_noise_makes_unavoidable(rise_us: float, sample_ns: float) -> None:
    edges, true_us = edges_of(rise_us, sample_ns, noise_mv=5.0)
    length_us = rise_us / 0.590
    bound_us = 5.0 / 286.0 * math.sqrt(8.0 * length_us * sample_ns * 1e-3) / math.pi
    rms_us = float(np.sqrt(np.mean((edges.at_us - true_us) ** 2)))
    assert 0.85 * bound_us < rms_us < 1.35 * bound_us
    assert rms_us == pytest.approx(5.0 / 286.0 * math.sqrt(edges.spread_us2.mean()), rel=0.25)


def test_edges_shorter_than_a_sample_are_no_farther_off_than_sampling_makes_them() -> None:
    edges, true_us = edges_of(0.01, 40.0, noise_mv=0.5)
    rms_us = float(np.sqrt(np.mean((edges.at_us - true_us) ** 2)))
    assert rms_us < 1.2 * 0.040 / math.sqrt(12.0)
    assert edges.grain_us2 == pytest.approx(0.040**2 / 12.0)


def test_edges_that_are_seen_have_no_grain() -> None:
    assert edges_of(0.14, 40.0, noise_mv=0.5)[0].grain_us2 == 0.0


def test_the_levels_beside_an_edge_and_their_noise_are_told() -> None:
    edges, _ = edges_of(0.14, 40.0, noise_mv=5.0)
    falls = (edges.before - edges.after)[0::2] * 0.5
    assert float(np.median(falls)) == pytest.approx(286.0, abs=1.0)
    assert 0.5 * math.sqrt(float(edges.rms2_after.mean())) == pytest.approx(5.0, rel=0.03)


def test_an_edge_that_the_record_cuts_short_is_not_placed() -> None:
    made = Made(samples=400, sample_ns=40.0, noise_mv=1.0, centre_mv=-143.0)
    wave = -286.0 * step(np.arange(400, dtype=np.float64) * 0.040, 8.0, 0.14)
    edges = fitted_edges(digitised(made, "CH1", wave), np.array([0.5, 8.02, 15.8]), REACH_US, 0.040)
    assert np.isnan(edges.at_us[[0, 2]]).all()
    assert edges.at_us[1] == pytest.approx(8.0, abs=0.01)
