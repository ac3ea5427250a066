"""What the bench adds: linearity, coloured noise, probe compensation, time base."""

import asyncio
import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal as scipy_signal

from peakwhite.simulated_scope.adc import Adc
from peakwhite.simulated_scope.clock import FastClock
from peakwhite.simulated_scope.front_end import ChannelSettings, Front, changed_front
from peakwhite.simulated_scope.instrument import Instrument
from peakwhite.simulated_scope.linearity import Linearity, state_errors
from peakwhite.simulated_scope.noise import NoiseSource
from peakwhite.simulated_scope.sampler import noiseless, record
from peakwhite.simulated_scope.signals import trace
from peakwhite.simulated_scope.truth import truth
from peakwhite.simulated_scope.unit import Unit
from peakwhite.simulated_scope.unit_settings import changed_unit


def unit_of(**values: Any) -> Unit:
    return changed_unit(Unit(), values)


def front_of(**values: Any) -> Front:
    return changed_front(Front(), values)


def waveform_mv(unit: Unit, times_s: Any, channel: int, front: Front, **settings: Any) -> NDArray[np.float64]:
    told = ChannelSettings(on=True, **{"volts_per_div": 1.0, **settings})
    codes = noiseless([trace(unit, front, channel, told, Adc(12))], np.asarray(times_s, dtype=np.float64))[0]
    return (codes.astype(np.float64) - 2048) / 400 * told.volts_per_div * 1e3


# ---------------------------------------------------------------------- linearity


@pytest.mark.parametrize("bits", [8, 12])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_linearity_curve_reaches_its_peak_and_is_smooth(bits: int, seed: int) -> None:
    curve = state_errors(Linearity(bits, 0.5, seed)).astype(float)
    assert np.abs(curve).max() == pytest.approx(0.5, abs=1e-6)
    assert curve[[0, -1]] == pytest.approx([0, 0], abs=1e-6)  # end-point reckoning
    assert np.abs(np.diff(curve)).max() < 0.5 * 6 * math.pi * 6 / curve.size  # six half waves at most


def test_every_seed_draws_another_curve() -> None:
    first, second = (state_errors(Linearity(8, 0.5, seed)) for seed in (1, 2))
    assert np.abs(first - second).max() > 0.1


def test_the_mean_code_of_a_flat_is_off_by_its_states_error_alone() -> None:
    """With noise of several codes the rounding averages out; the linearity error stays."""
    told, times = ChannelSettings(on=True, volts_per_div=0.2), (200_000, 1e-9)
    flat = unit_of(pattern="black", sync={"disconnected": True})
    for offset_mv in (-500.0, 137.0, 611.0):
        front = {"CH1": {"offset_error_mv": offset_mv}, "noise_mv_rms": 20}
        crooked = {"CH1": {"offset_error_mv": offset_mv, "inl_lsb": 0.5, "inl_seed": 3}, "noise_mv_rms": 20}
        means = []
        for values in (front, crooked):
            seen = trace(flat, front_of(**values), 1, told, Adc(8))
            (codes,) = record([seen], Adc(8), 0.0, times[1], times[0], (9,))
            means.append(codes.mean())
        wanted = state_errors(Linearity(8, 0.5, 3))[round(128 + offset_mv / 8)]
        assert means[1] - means[0] == pytest.approx(float(wanted), abs=0.02)


def test_linearity_is_the_channels_own_and_unknown_to_the_truth() -> None:
    front = front_of(CH2={"inl_lsb": 0.5})
    told = ChannelSettings(on=True)
    assert trace(unit_of(), front, 1, told, Adc(8)).linearity is None
    assert trace(unit_of(), front, 2, told, Adc(8)).linearity == Linearity(8, 0.5, 0)
    assert truth(unit_of(), front) == truth(unit_of(), Front())


# ---------------------------------------------------------------------- coloured noise


@pytest.mark.parametrize("band_hz", [0.2e6, 2e6, 20e6])
def test_coloured_noise_forgets_as_one_pole_does(band_hz: float) -> None:
    """The autocorrelation of noise through one pole is exp(-2 pi f t); over the seams of the pieces too."""
    step_s, piece, pieces = 10e-9, 10_000, 60
    source = NoiseSource(np.random.SFC64(5), band_hz, step_s)
    values = np.concatenate([source.next(piece) for _ in range(pieces)]).astype(float)
    effective = values.size * 2 * math.pi * band_hz * step_s / 2
    assert values.std() == pytest.approx(1.0, abs=4 / math.sqrt(effective))
    for lag in (1, 5, 20):
        found = (values[:-lag] * values[lag:]).mean() / values.var()
        expected = math.exp(-2 * math.pi * band_hz * step_s * lag)
        assert found == pytest.approx(expected, abs=4 * (1 - expected**2 + 0.001) / math.sqrt(effective) + 0.01)
    seams = [values[piece * i - 1] * values[piece * i] for i in range(1, pieces)]
    if band_hz == 0.2e6:
        assert np.mean(seams) == pytest.approx(1.0, abs=0.5)  # independent pieces would give 0 +- 0.13


def test_a_band_of_the_front_end_takes_the_high_frequencies_out() -> None:
    told = ChannelSettings(on=True, volts_per_div=0.05)
    seen = trace(unit_of(pattern="black"), front_of(noise_mv_rms=5, noise_band_mhz=3), 2, told, Adc(12))
    (codes,) = record([seen], Adc(12), 0.0, 4e-9, 400_000, (3,))
    assert codes.std() * 0.125 == pytest.approx(5.0, rel=0.03)
    frequency_hz, density = scipy_signal.welch(codes.astype(float), 250e6, nperseg=2048)
    low, corner = (density[np.abs(frequency_hz - f) < 0.4e6].mean() for f in (0.5e6, 3e6))
    assert corner / low == pytest.approx(0.515, abs=0.08)


def test_the_narrower_of_band_and_limit_shapes_the_noise() -> None:
    front = front_of(noise_band_mhz=40)
    bands = [
        trace(unit_of(), front, 2, ChannelSettings(on=True, bandwidth_limited=limited), Adc(8)).noise_band_hz
        for limited in (False, True)
    ]
    assert bands == [40e6, 20e6]


# ---------------------------------------------------------------------- probe compensation


@pytest.mark.parametrize(("pct", "tau_us"), [(8.0, 5.0), (-6.0, 2.0), (4.0, 100.0)])
def test_a_miscompensated_probe_is_the_network_it_stands_for(pct: float, tau_us: float) -> None:
    """Independent: scipy's bilinear transform of H = 1 + k s tau / (1 + s tau) over several fields."""
    step_s, tau_s, k = 0.05e-6, tau_us * 1e-6, pct / 100
    unit, front = unit_of(pattern="staircase-5"), front_of(CH2={"compensation_pct": pct, "compensation_tau_us": tau_us})
    times_s = np.arange(0, 20e-3, step_s)
    plain = waveform_mv(unit, times_s, 2, Front())
    numerator, denominator = scipy_signal.bilinear([tau_s * (1 + k), 1], [tau_s, 1], 1 / step_s)
    filtered = scipy_signal.lfilter(numerator, denominator, plain)
    last = slice(-100_000, None)
    away = np.abs(np.gradient(plain[last])) < 1
    assert np.abs(waveform_mv(unit, times_s[last], 2, front) - filtered[last])[away].max() < 0.5


def test_compensation_behind_a_coupling_capacitor_is_the_product_of_both() -> None:
    step_s, tau_s, k = 0.1e-6, 20e-6, 0.05
    unit = unit_of(green={"coupling_ms": 2.0})
    front = front_of(CH2={"compensation_pct": 5, "compensation_tau_us": 20})
    times_s = np.arange(0, 50e-3, step_s)
    filtered = waveform_mv(unit_of(), times_s, 2, Front())
    for zeros, poles in (([2e-3, 0], [2e-3, 1]), ([tau_s * (1 + k), 1], [tau_s, 1])):
        numerator, denominator = scipy_signal.bilinear(zeros, poles, 1 / step_s)
        filtered = scipy_signal.lfilter(numerator, denominator, filtered)
    last = slice(-50_000, None)
    away = np.abs(np.gradient(filtered[last])) < 1
    assert np.abs(waveform_mv(unit, times_s[last], 2, front) - filtered[last])[away].max() < 0.5


def test_compensation_raises_chroma_by_its_share() -> None:
    unit = unit_of(format="composite")
    since_s = np.linspace(6.1e-6, 7.3e-6, 500)
    phase = 2 * np.pi * 5e6 * 63 / 88 * since_s
    design = np.stack([np.ones_like(since_s), since_s, np.sin(phase), np.cos(phase)], axis=1)  # beside what dies away
    sizes = []
    for front in (Front(), front_of(CH1={"compensation_pct": 10, "compensation_tau_us": 50})):
        fit, *_ = np.linalg.lstsq(design, waveform_mv(unit, 100 * unit.line_s + since_s, 1, front), rcond=None)
        sizes.append(np.hypot(fit[2], fit[3]))
    assert sizes[1] / sizes[0] == pytest.approx(1.10, abs=0.001)


def test_compensation_is_one_channels_own_and_leaves_the_settled_level() -> None:
    unit, front = unit_of(), front_of(CH1={"compensation_pct": 20, "compensation_tau_us": 1})
    late_s = [100 * unit.line_s + 50e-6]
    assert waveform_mv(unit, late_s, 1, front) == pytest.approx([750.0], abs=0.1)
    times_s = np.arange(0, 1e-3, 1e-7)
    assert waveform_mv(unit, times_s, 2, front).tolist() == waveform_mv(unit, times_s, 2, Front()).tolist()


# ---------------------------------------------------------------------- time base


@pytest.mark.parametrize("ppm", [50.0, -200.0])
def test_a_time_base_in_error_stretches_the_period_it_shows(ppm: float) -> None:
    async def period_s() -> float:
        instrument = Instrument(Adc(12), FastClock(), 5, unit_of(), 10)
        instrument.set_front(front_of(noise_mv_rms=0, timebase_error_ppm=ppm))
        instrument.set_channel(4, on=True, volts_per_div=0.2)
        instrument.set_trigger(channel=4, level_v=-0.15, rising=False)
        instrument.set_horizontal(samples=200_000, seconds_per_div=500e-6)
        instrument.single()
        await instrument.idle()
        assert instrument.memory is not None
        volts = (instrument.memory.codes[4].astype(float) - 2048) / 400 * 0.2
        at = np.flatnonzero((volts[:-1] > -0.15) & (volts[1:] <= -0.15))
        edges = at + (volts[at] + 0.15) / (volts[at] - volts[at + 1])
        lines = np.round((edges - edges[0]) * instrument.horizontal.step_s / 63.5556e-6)
        return float(np.polyfit(lines, edges, 1)[0]) * instrument.horizontal.step_s

    assert asyncio.run(period_s()) / (227.5 * 88 / (5e6 * 63)) == pytest.approx(1 + ppm * 1e-6, abs=2e-6)
    assert truth(unit_of(), front_of(timebase_error_ppm=ppm)) == truth(unit_of(), Front())
