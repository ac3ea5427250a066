"""Rise time times bandwidth through the engine's rise times: ln 9 / 2 pi of one pole, 0.33962 of a Gaussian response [C].

The filters are scipy's. Beside them edges of the broadcast standards, whose 10 to 90 % times are published: 140 ns
(SMPTE 170M-2004 13.1 [S]), 300 ns (ITU-R BT.1700 Part B [S]).
"""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage, signal

from made_video import Made, capture_of, digitised, picture_wave, steps, sync_wave
from peakwhite.daemon.measure.edge_rise import rise_us
from peakwhite.daemon.measure.found_sync import find_sync
from peakwhite.daemon.measure.hookup import Clip, Hookup
from peakwhite.daemon.measure.targets import Conditions

MADE = Made(sample_ns=1.0, samples=250_000, noise_mv=0.5, lsb_mv=0.5, bits=12)
CONDITIONS = Conditions(Hookup((Clip("CH1", "red"), Clip("CH4", "sync"))))
RISER_MV = 600.0


def measured_us(wave_mv: NDArray[np.float64], expected_us: float) -> float:
    sync = digitised(MADE, "CH4", -285.7 * sync_wave(MADE), 4)
    capture = capture_of(MADE, digitised(MADE, "CH1", wave_mv, 1), sync)
    grid = find_sync(capture, CONDITIONS).grid
    assert grid is not None
    return rise_us(capture.channels[0], 1.0, grid, 1e-3 * MADE.sample_ns, expected_us)


def one_riser(rise_us: float) -> NDArray[np.float64]:
    """One edge a line, from 0 to 600 mV in mid-picture; the picture's own end is at 0 again long after."""
    return picture_wave(MADE, steps([0.0, RISER_MV, RISER_MV, 0.0], rise_us=rise_us))


@pytest.mark.parametrize("bandwidth_mhz", [2.5, 5.0, 10.0])
def test_one_pole_rises_in_ln_9_over_2_pi_of_its_bandwidth(bandwidth_mhz: float) -> None:
    kept = math.exp(-2.0 * math.pi * bandwidth_mhz * 1e-3 * MADE.sample_ns)
    wave = np.asarray(signal.lfilter([1.0 - kept], [1.0, -kept], one_riser(1e-3)), dtype=np.float64)
    expected_us = math.log(9.0) / (2.0 * math.pi * bandwidth_mhz)
    assert measured_us(wave, expected_us) * bandwidth_mhz == pytest.approx(0.34970, rel=0.03)


@pytest.mark.parametrize("bandwidth_mhz", [2.5, 5.0, 10.0])
def test_a_gaussian_response_rises_in_its_own_share(bandwidth_mhz: float) -> None:
    """Half power at B: its impulse response has sigma = sqrt(ln 2) / (2 pi B), and 10 to 90 % takes 2.5631 sigma [C]."""
    sigma_us = math.sqrt(math.log(2.0)) / (2.0 * math.pi * bandwidth_mhz)
    wave = np.asarray(ndimage.gaussian_filter1d(one_riser(1e-3), 1e3 * sigma_us / MADE.sample_ns), dtype=np.float64)
    assert measured_us(wave, 2.5631 * sigma_us) * bandwidth_mhz == pytest.approx(0.33962, rel=0.03)


@pytest.mark.parametrize("published_us", [0.140, 0.300])
def test_a_raised_cosine_edge_rises_as_published(published_us: float) -> None:
    assert measured_us(one_riser(published_us), published_us) == pytest.approx(published_us, rel=0.03)
