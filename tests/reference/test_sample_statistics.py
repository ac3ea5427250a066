"""The engine's sample statistics against scipy's on the same samples."""

from typing import cast

import numpy as np
import pytest
from scipy import ndimage, stats

from impaired import coloured_noise
from made_video import LINE_525_US, Made, Raster, rgb_sync, sync_wave, times, white
from peakwhite.daemon.measure.binning import bin_means
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Codes


@pytest.mark.parametrize("dtype", [np.uint8, np.int8, np.uint16])
@pytest.mark.parametrize("count", [2, 8, 64])
def test_bins_are_the_means_of_their_samples(dtype: type[np.uint8 | np.int8 | np.uint16], count: int) -> None:
    info = np.iinfo(dtype)
    drawn = np.random.default_rng(3).integers(info.min, info.max, 64 * 500, endpoint=True)
    codes = cast("Codes", drawn.astype(dtype))
    labels = np.arange(codes.size) // count
    expected = ndimage.mean(codes.astype(np.float64), labels, np.arange(codes.size // count))
    np.testing.assert_allclose(bin_means(codes, count).astype(np.float64), expected, rtol=1e-5, atol=1e-3)


@pytest.mark.parametrize("seed", range(3))
def test_level_average_and_blanking_are_the_means_of_the_windows_samples(seed: int) -> None:
    """Thirty lines of 8 LSB noise: level and blanking by scipy's mean over the made windows, within 1.5 standard errors.

    Noise is told from some 800 samples: 3.5 % either way, one standard deviation."""
    made = Made(Raster(first_us=2.0 + seed), samples=int(30.1 * LINE_525_US / 0.04), noise_mv=8.0, lsb_mv=1.0, bits=12)
    capture = rgb_sync(made, white(700.0), white(500.0), white(650.0))
    _, after_us, _ = times(made)
    flat, clamp = (after_us > 9.6) & (after_us < 61.7), (after_us > 5.2) & (after_us < 8.8)
    readings = measure_capture(capture, Conditions(BENCH_DEFAULT)).channels
    for record, reading in zip(capture.channels[:3], readings, strict=False):
        volts_mv = record.codes * record.mv_per_code + record.mv_at_code_zero
        level_mv = float(stats.tmean(volts_mv[flat]) - stats.tmean(volts_mv[clamp]))
        error_mv = float(np.hypot(stats.sem(volts_mv[flat]), stats.sem(volts_mv[clamp])))
        assert reading.peak_white_mv == pytest.approx(level_mv, abs=1.5 * error_mv)
        assert reading.blanking_mv == pytest.approx(float(stats.tmean(volts_mv[clamp])), abs=1.5 * error_mv)
        assert reading.noise_mv_rms == pytest.approx(float(stats.tstd(volts_mv[flat])), rel=0.15)


def test_jitter_is_the_standard_deviation_of_the_lines() -> None:
    """Sixty lines that come early or late by 50 ns rms; the sample standard deviation scatters by 9 % (1/sqrt(2n))."""
    made = Made(Raster(jitter_us=0.05), samples=95_000, noise_mv=1.0, lsb_mv=0.5, bits=12)
    jitter_ns = measure_capture(
        rgb_sync(made, white(700.0), white(700.0), white(700.0)), Conditions(BENCH_DEFAULT)
    ).sync.jitter_ns
    _, _, lines = times(made)
    assert sync_wave(made).max() > 0.99
    assert len(set(lines.tolist())) > 55
    assert jitter_ns == pytest.approx(50.0, rel=0.3)


@pytest.mark.parametrize("corner_mhz", [0.1, 1.0])
def test_coloured_noise_has_the_autocorrelation_of_one_pole(corner_mhz: float) -> None:
    """Our own generator: exp(-2 pi f t) between samples that lie t apart, by scipy's Pearson correlation."""
    wave = coloured_noise(np.random.default_rng(5), 400_000, 0.04, 8.0, corner_mhz)
    assert float(stats.tstd(wave)) == pytest.approx(8.0, rel=0.05)
    for apart in (1, 10):
        expected = float(np.exp(-2.0 * np.pi * corner_mhz * 0.04 * apart))
        assert float(stats.pearsonr(wave[:-apart], wave[apart:]).statistic) == pytest.approx(expected, abs=0.02)
