"""A gain specified of full scale, from both sides: as many errors inside u95 as there ought to be, by scipy's binomial.

The other specifications run in the coverage ensembles of `tests/bench/truth.py`.
"""

import numpy as np
from scipy import stats

from bench_signals import RASTER_525
from made_video import Made, rgb_sync, white
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import GainSpec

CAPTURES = 150
BAD_LUCK = 0.01


def test_three_per_cent_of_full_scale_covers_94_to_97_per_cent() -> None:
    """Each channel's gain is off by anything up to 3 % of a screen of 1.6 V, its terminator by up to 1 %."""
    conditions = Conditions(BENCH_DEFAULT, gain_spec=GainSpec(3.0, "full-scale"))
    rng, inside = np.random.default_rng(21), []
    for seed in range(CAPTURES):
        made = Made(RASTER_525, sample_ns=80.0, samples=6_000, noise_mv=rng.uniform(5.0, 20.0), seed=seed)
        levels_mv = rng.uniform(500.0, 714.3, 3)
        load_ohm = 75.0 * (1.0 + rng.uniform(-0.01, 0.01, 3))
        linearity_mv = 0.5 * made.lsb_mv * rng.uniform(-1.0, 1.0, (2, 3)).sum(axis=0)
        off_mv = 0.03 * 8 * 25 * made.lsb_mv * rng.uniform(-1.0, 1.0, 3) + linearity_mv
        seen_mv = levels_mv * 2.0 * load_ohm / (75.0 + load_ohm) + off_mv
        red, green, blue = (white(float(one)) for one in seen_mv)
        measured = measure_capture(rgb_sync(made, red, green, blue), conditions)
        for reading, level_mv in zip(measured.channels, levels_mv, strict=False):
            assert reading.peak_white_mv is not None
            assert reading.u95_mv is not None
            inside.append(abs(reading.peak_white_mv - level_mv) <= reading.u95_mv)
    hits, size = int(np.count_nonzero(inside)), len(inside)
    assert stats.binom.cdf(hits, size, 0.94) > BAD_LUCK
    assert stats.binom.sf(hits - 1, size, 0.97) > BAD_LUCK
