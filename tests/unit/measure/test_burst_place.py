"""A burst is measured on its flat top wherever on the porch it stands, and not at all where it has none."""

import numpy as np
import pytest

from made_video import LINE_625_US, Made, Raster, capture_of, composite, digitised, luma, steps, times, white
from made_video import step as edge
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import Clip, Hookup
from peakwhite.daemon.measure.reading import ChannelReading
from peakwhite.daemon.measure.targets import Conditions

COMPOSITE = Conditions(Hookup((Clip("CH1", "composite"),)))
GREY = steps([714.0, 350.0, 0.0])
FSC_525_HZ, FSC_625_HZ = 315e6 / 88.0, 4_433_618.75
BURST_525_US, BURST_625_US = (5.308, 7.822), (5.6, 7.856)


def reading_of(made: Made, wave: np.ndarray) -> ChannelReading:
    return measure_capture(capture_of(made, digitised(made, "CH1", wave)), COMPOSITE).channels[0]


@pytest.mark.parametrize("late_us", [-0.5, 0.0, 0.5, 0.7, 0.9, 1.2, 1.5])
@pytest.mark.parametrize("sample_ns", [40.0, 10.0])
@pytest.mark.parametrize("in_625", [False, True])
def test_a_burst_that_comes_early_or_late_has_its_amplitude_and_frequency(
    in_625: bool, sample_ns: float, late_us: float
) -> None:
    raster, hz = (Raster(LINE_625_US, 4.7, 10.5), FSC_625_HZ) if in_625 else (Raster(), FSC_525_HZ)
    begin_us, end_us = BURST_625_US if in_625 else BURST_525_US
    made = Made(raster, sample_ns=sample_ns, samples=round(480_000 / sample_ns))
    burst_us = (begin_us + late_us, end_us + late_us)
    reading = reading_of(made, composite(made, GREY, white(0.0), subcarrier_hz=hz, burst_us=burst_us))
    assert reading.burst_mv_pp == pytest.approx(285.7, abs=3.0)
    assert reading.subcarrier_hz == pytest.approx(hz, rel=4e-6)


@pytest.mark.parametrize("cycles", [6.0, 7.0, 12.0])
def test_a_burst_of_any_number_of_cycles_has_its_amplitude(cycles: float) -> None:
    made = Made()
    burst_us = (5.308, 5.308 + cycles * 1e6 / FSC_525_HZ)
    reading = reading_of(made, composite(made, GREY, white(0.0), burst_us=burst_us))
    assert reading.burst_mv_pp == pytest.approx(285.7, abs=3.5)


@pytest.mark.parametrize("cycles", [3.0, 4.0, 5.0])
def test_a_burst_too_short_for_a_flat_top_has_no_amplitude(cycles: float) -> None:
    made = Made()
    burst_us = (5.308, 5.308 + cycles * 1e6 / FSC_525_HZ)
    reading = reading_of(made, composite(made, GREY, white(0.0), burst_us=burst_us))
    assert reading.burst_mv_pp is None
    assert reading.subcarrier_hz is None


def burst_of(made: Made, envelope: np.ndarray) -> np.ndarray:
    return luma(made, GREY) + 142.85 * envelope * np.sin(2e-6 * np.pi * FSC_525_HZ * times(made)[0])


def test_a_burst_that_swells_and_fades_has_no_amplitude() -> None:
    made = Made()
    triangle = np.clip(1.0 - np.abs(times(made)[1] - 6.56) / 1.5, 0.0, 1.0)
    assert reading_of(made, burst_of(made, triangle)).burst_mv_pp is None


def test_the_step_into_a_picture_is_not_taken_for_a_burst() -> None:
    early = Made(Raster(blanking_end_us=8.5))
    begin = edge(times(early)[1], 5.308, 0.3) - edge(times(early)[1], 7.822, 0.3)
    assert reading_of(early, burst_of(early, begin)).burst_mv_pp == pytest.approx(285.7, abs=3.5)
    assert reading_of(early, luma(early, white(700.0))).burst_mv_pp is None


@pytest.mark.parametrize("samples", [4_500, 12_000])
def test_noise_is_no_burst(samples: int) -> None:
    for seed in range(20):
        made = Made(samples=samples, noise_mv=(1.0, 4.0, 15.0)[seed % 3], seed=seed)
        assert reading_of(made, luma(made, GREY)).burst_mv_pp is None
