"""The simulated unit's levels against published tables, measured from its waveform by code of this file's own.

170M = SMPTE 170M-2004; 1700 = ITU-R BT.1700 Part B; 1439 = ITU-R BT.1439-1; J.63 = ITU-T J.63; RECSM = component level
table of a disk recorder's service manual. S: read in the standard, R: read elsewhere, C: computed from it. Millivolts
into 75 ohm; the scope's megohm beside the terminator takes 0.004 % away, so tolerances start at 0.1 mV.
"""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize

from peakwhite.simulated_scope.adc import Adc
from peakwhite.simulated_scope.front_end import ChannelSettings, Front
from peakwhite.simulated_scope.sampler import noiseless
from peakwhite.simulated_scope.signals import trace
from peakwhite.simulated_scope.unit import Unit
from peakwhite.simulated_scope.unit_settings import changed_unit

FSC_HZ = {"525/60": 3579545.4545, "625/50": 4433618.75}  # S: 170M 11.1; 1700
ACTIVE_US = {"525/60": (9.2, 63.5556 - 1.5), "625/50": (10.5, 64 - 1.5)}  # S: 170M; 1700
BARS = ("white", "yellow", "cyan", "green", "magenta", "red", "blue", "black")
FULL = {role: {"gain_percent": 100} for role in ("red", "green", "blue")}


def unit_of(**values: Any) -> Unit:
    return changed_unit(Unit(), {**FULL, **values})


def waveform_mv(unit: Unit, channel: int, times_s: NDArray[Any]) -> NDArray[np.float64]:
    """What stands at the scope's input, through a range of 1 V a division without noise."""
    seen = trace(unit, Front(), channel, ChannelSettings(on=True, volts_per_div=1.0), Adc(12))
    return (noiseless([seen], times_s)[0].astype(np.float64) - 2048) / 400 * 1e3


def bar_times_s(unit: Unit, bar: str, line: int) -> NDArray[np.float64]:
    """The middle half of a bar on a line (0 is line 1), sampled well above the subcarrier."""
    start_us, stop_us = ACTIVE_US[unit.system]
    width_us = (stop_us - start_us) / 8
    first_us = start_us + (BARS.index(bar) + 0.25) * width_us
    return line * unit.line_s + np.linspace(first_us, first_us + width_us / 2, 400) * 1e-6


def composite_bar(unit: Unit, bar: str, line: int = 100) -> tuple[float, float, float]:
    """Luma, chroma peak to peak, and chroma phase against the sine of the scene's clock, by a least-squares fit."""
    times_s = bar_times_s(unit, bar, line)
    return fitted(unit, waveform_mv(unit, 1, times_s), times_s)


def fitted(unit: Unit, values: NDArray[np.float64], times_s: NDArray[np.float64]) -> tuple[float, float, float]:
    phase = 2 * np.pi * FSC_HZ[unit.system] * times_s
    design = np.stack([np.ones_like(times_s), np.sin(phase), np.cos(phase)], axis=1)
    (mean, sine, cosine), *_ = np.linalg.lstsq(design, values, rcond=None)
    return float(mean), float(2 * np.hypot(sine, cosine)), float(np.degrees(np.arctan2(cosine, sine)) % 360)


def burst(unit: Unit, line: int = 100) -> tuple[float, float, float]:
    times_s = line * unit.line_s + np.linspace(6.1e-6, 7.3e-6, 300)
    return fitted(unit, waveform_mv(unit, 1, times_s), times_s)


# S: 170M tables A.1-A.4, C: its IRE at 1 V / 140: luma mV, chroma p-p IRE, phase
WITH_SETUP_75 = {
    "white": (549.1, 0.0, None),
    "yellow": (492.6, 62.0675, 167.0812),
    "cyan": (400.9, 87.7363, 283.4558),
    "green": (344.5, 81.9253, 240.7098),
    "magenta": (258.2, 81.9253, 60.7098),
    "red": (201.7, 87.7363, 103.4558),
    "blue": (110.1, 62.0675, 347.0812),
    "black": (53.6, 0.0, None),
}
WITH_SETUP_100 = {
    "white": (714.3, 0.0, None),
    "yellow": (639.0, 82.7567, 167.0812),
    "cyan": (516.7, 116.9817, 283.4558),
    "green": (441.4, 109.2338, 240.7098),
    "magenta": (326.4, 109.2338, 60.7098),
    "red": (251.1, 116.9817, 103.4558),
    "blue": (128.9, 82.7567, 347.0812),
    "black": (53.6, 0.0, None),
}
# C: 170M clause 10 without its 0.925 and 7.5: luma mV, chroma p-p IRE
WITHOUT_SETUP_75 = {
    "white": (535.7, 0.0, None),
    "yellow": (474.6, 67.10, 167.0812),
    "cyan": (375.5, 94.85, 283.4558),
    "green": (314.5, 88.568, 240.7098),
    "magenta": (221.3, 88.568, 60.7098),
    "red": (160.2, 94.85, 103.4558),
    "blue": (61.1, 67.10, 347.0812),
    "black": (0.0, 0.0, None),
}
SETUP = {"format": "composite", "setup_mv": 53.571}


@pytest.mark.parametrize(
    ("values", "pattern", "table"),
    [
        (SETUP, "bars-75", WITH_SETUP_75),
        (SETUP, "bars-100", WITH_SETUP_100),
        ({"format": "composite"}, "bars-75", WITHOUT_SETUP_75),
    ],
)
def test_composite_525_bars_have_their_published_levels(values: Any, pattern: str, table: Any) -> None:
    unit = unit_of(pattern=pattern, **values)
    burst_phase = burst(unit)[2]
    for bar, (luma_mv, chroma_ire, phase_deg) in table.items():
        luma, chroma_mv, phase = composite_bar(unit, bar)
        assert luma == pytest.approx(luma_mv, abs=0.1), bar
        assert chroma_mv == pytest.approx(chroma_ire * 7.142857, abs=0.2), bar
        if phase_deg is not None:  # 170M: burst lies at 180 degrees
            assert (phase - burst_phase + 180) % 360 == pytest.approx(phase_deg, abs=0.05), bar


# C: 1700's equations: luma mV, chroma p-p mV, phase; R: luma also RECSM
PAL_75 = {
    "white": (700.0, 0.0, None),  # 100/0/75/0
    "yellow": (465.15, 470.50, 167.11),
    "cyan": (368.02, 663.81, 283.48),
    "green": (308.17, 620.09, 240.66),
    "magenta": (216.82, 620.09, 60.66),
    "red": (156.97, 663.81, 103.48),
    "blue": (59.85, 470.50, 347.11),
    "black": (0.0, 0.0, None),
}
PAL_100 = {
    "white": (700.0, 0.0, None),
    "yellow": (620.20, 627.33, 167.11),
    "cyan": (490.70, 885.08, 283.48),
    "green": (410.90, 826.79, 240.66),
    "magenta": (289.10, 826.79, 60.66),
    "red": (209.30, 885.08, 103.48),
    "blue": (79.80, 627.33, 347.11),
    "black": (0.0, 0.0, None),
}


@pytest.mark.parametrize(("pattern", "table"), [("bars-75", PAL_75), ("bars-100", PAL_100)])
@pytest.mark.parametrize("line", [100, 101])
def test_composite_625_bars_have_their_published_levels(pattern: str, table: Any, line: int) -> None:
    unit = unit_of(system="625/50", format="composite", pattern=pattern)
    burst_phase = burst(unit, line)[2]
    inverted = line % 2 == 1
    for bar, (luma_mv, chroma_mv, phase_deg) in table.items():
        luma, chroma, phase = composite_bar(unit, bar, line)
        assert luma == pytest.approx(luma_mv, abs=0.1), bar
        assert chroma == pytest.approx(chroma_mv, abs=0.2), bar
        if phase_deg is not None:  # burst lies at 135 or 225 degrees, V and so every phase inverts on alternate lines
            against_u = (phase - burst_phase + (225 if inverted else 135)) % 360
            assert against_u == pytest.approx(360 - phase_deg if inverted else phase_deg, abs=0.05), bar


@pytest.mark.parametrize(
    ("system", "burst_mv", "sync_mv"),
    [("525/60", 285.7, 285.7), ("625/50", 300.0, 300.0)],  # S, C: 170M table 1; 1700 table 2
)
def test_burst_and_sync_of_composite_have_their_published_depth(system: str, burst_mv: float, sync_mv: float) -> None:
    unit = unit_of(system=system, format="composite")
    mean_mv, chroma_mv, _ = burst(unit)
    assert (mean_mv, chroma_mv) == pytest.approx((0.0, burst_mv), abs=0.1)
    tip_s = 100 * unit.line_s + np.linspace(1e-6, 4e-6, 50)
    assert waveform_mv(unit, 1, tip_s) == pytest.approx(-sync_mv, abs=0.1)


@pytest.mark.parametrize(
    ("system", "start_us", "cycles"),
    [("525/60", 5.308, 9), ("625/50", 5.6, 10)],  # S: 170M table 2; 1700
)
def test_the_burst_starts_and_lasts_as_published(system: str, start_us: float, cycles: int) -> None:
    unit = unit_of(system=system, format="composite")
    times_s = np.arange(4.8e-6, 9e-6, 4e-9)
    values = waveform_mv(unit, 1, times_s + 100 * unit.line_s)
    carrier = np.exp(-2j * np.pi * FSC_HZ[system] * times_s)
    cycle = round(1 / FSC_HZ[system] / 4e-9)
    envelope = np.abs(np.convolve(values * carrier, np.ones(cycle) / cycle, mode="same"))
    above = times_s[envelope > envelope.max() / 2] * 1e6
    assert above[0] == pytest.approx(start_us, abs=0.02)
    assert above[-1] - above[0] == pytest.approx(cycles / FSC_HZ[system] * 1e6, abs=0.03)


def test_the_525_subcarrier_crosses_zero_at_0h() -> None:
    """S: 170M table 2, SC/H 0 +-10 degrees: the burst's phase carried back to 0H is 0 or 180 degrees."""
    unit = unit_of(format="composite", scan="interlaced")
    for line in (99, 100, 101, 400):
        _, _, phase = burst(unit, line)
        at_0h = (phase + 360 * FSC_HZ["525/60"] * line * unit.line_s) % 180
        assert min(at_0h, 180 - at_0h) < 0.1


# R: RECSM: luma of component bars on a 700 mV scale (RECSM), and RGB at 75 %
@pytest.mark.parametrize(
    ("bar", "luma_mv", "rgb"),
    [
        ("yellow", 465.2, (1, 1, 0)),
        ("cyan", 368.0, (0, 1, 1)),
        ("green", 308.2, (0, 1, 0)),
        ("magenta", 216.8, (1, 0, 1)),
        ("red", 157.0, (1, 0, 0)),
        ("blue", 59.9, (0, 0, 1)),
    ],
)
def test_component_bars_have_their_published_levels(bar: str, luma_mv: float, rgb: tuple[int, ...]) -> None:
    luma = unit_of(system="625/50", format="luma-sync", pattern="bars-75")
    assert waveform_mv(luma, 1, bar_times_s(luma, bar, 100)) == pytest.approx(luma_mv, abs=0.1)
    colours = unit_of(system="625/50", pattern="bars-75")
    for channel, lit in enumerate(rgb, start=1):
        levels = waveform_mv(colours, channel, bar_times_s(colours, bar, 100))
        assert levels == pytest.approx(525.0 * lit, abs=0.1)


def test_rgb_bars_on_the_714_scale() -> None:
    unit = unit_of(pattern="bars-75")
    assert waveform_mv(unit, 2, bar_times_s(unit, "white", 100)) == pytest.approx(535.7, abs=0.1)  # C: 0.75 of 714.3


@pytest.mark.parametrize(("pattern", "risers"), [("staircase-5", 5), ("staircase-10", 10)])
def test_a_staircase_has_equal_risers(pattern: str, risers: int) -> None:
    unit = unit_of(system="625/50", pattern=pattern)
    start_us, stop_us = ACTIVE_US["625/50"]
    middles_us = start_us + (np.arange(risers + 1) + 0.5) / (risers + 1) * (stop_us - start_us)
    treads_mv = waveform_mv(unit, 2, 100 * unit.line_s + middles_us * 1e-6)
    assert np.diff(treads_mv) == pytest.approx(700.0 / risers, abs=0.1)  # S: J.63: 140 mV at five risers


@pytest.mark.parametrize(("system", "half_ns"), [("525/60", 250.0), ("625/50", 200.0)])
def test_the_2t_pulse_has_its_published_width_and_the_height_of_the_bar(system: str, half_ns: float) -> None:
    """S: 1439 annex 4, J.63: half-amplitude duration 250 ns in 525, 200 ns in 625."""
    unit = unit_of(system=system, pattern="pulse-and-bar")
    start_us, stop_us = ACTIVE_US[system]
    centre_us = start_us + 0.75 * (stop_us - start_us)
    times_us = np.arange(centre_us - 1, centre_us + 1, 0.001)
    values = waveform_mv(unit, 2, 100 * unit.line_s + times_us * 1e-6)
    wide = times_us[values > unit.white_mv / 2]
    assert (wide[-1] - wide[0]) * 1e3 == pytest.approx(half_ns, abs=3)
    assert values.max() == pytest.approx(unit.white_mv, rel=0.002)


@pytest.mark.parametrize(
    ("system", "frequencies_mhz", "amplitude_pp"),
    [("525/60", (0.5, 1.0, 2.0, 3.0, 3.58, 4.2), 0.5), ("625/50", (0.5, 1.0, 2.0, 4.0, 4.8, 5.8), 0.6)],
)
def test_multiburst_has_its_published_frequencies(system: str, frequencies_mhz: Any, amplitude_pp: float) -> None:
    """S: J.63: 50 IRE p-p on 50 IRE in 525; 0.420 V p-p on 0.35 V in 625."""
    unit = unit_of(system=system, pattern="multiburst")
    start_us, stop_us = ACTIVE_US[system]
    for index, wanted_mhz in enumerate(frequencies_mhz):
        first = 0.19 + 0.13 * index
        inside_us = start_us + np.linspace(first + 0.01, first + 0.105, 2000) * (stop_us - start_us)
        values = waveform_mv(unit, 2, 100 * unit.line_s + inside_us * 1e-6)

        def model(t: Any, mean: float, size: float, f: float, phase: float) -> Any:
            return mean + size * np.sin(2 * np.pi * f * t + phase)

        since_us = inside_us - inside_us[0]
        guess = (
            unit.white_mv / 2,
            unit.white_mv * amplitude_pp / 2,
            wanted_mhz,
            2 * np.pi * wanted_mhz * 0.01 * (stop_us - start_us),
        )
        (mean, size, found_mhz, _), _ = optimize.curve_fit(model, since_us, values, guess)
        assert found_mhz == pytest.approx(wanted_mhz, rel=0.002)
        assert mean == pytest.approx(unit.white_mv / 2, abs=0.5)
        assert 2 * abs(size) == pytest.approx(unit.white_mv * amplitude_pp, rel=0.004)


def test_sync_on_green_puts_sync_under_green_alone() -> None:
    unit = unit_of(format="sync-on-green")
    tip_s = 100 * unit.line_s + np.linspace(1e-6, 4e-6, 50)
    assert waveform_mv(unit, 2, tip_s) == pytest.approx(-300.0, abs=0.1)
    assert waveform_mv(unit, 1, tip_s) == pytest.approx(0.0, abs=0.1)
    assert waveform_mv(unit, 4, tip_s) == pytest.approx(0.0, abs=0.1)
