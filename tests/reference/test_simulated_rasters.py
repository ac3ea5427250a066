"""The simulated unit's less usual rasters against published figures, measured from its waveform by code of this
file's own.

Rates: computed from the published clocks and totals (standards table 1.4: C, for 24 and 31 kHz also R); the 31 kHz
porches: R and C. A signal is taken as the scope's input has it, into 75 ohm or, of logic levels, unloaded.
"""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from peakwhite.simulated_scope.adc import Adc
from peakwhite.simulated_scope.front_end import ChannelSettings, Front, changed_front
from peakwhite.simulated_scope.sampler import noiseless
from peakwhite.simulated_scope.signals import trace
from peakwhite.simulated_scope.unit import Unit
from peakwhite.simulated_scope.unit_settings import changed_unit

FSC_525_HZ = 5e6 * 63 / 88  # S: 170M 11.1


def waveform_mv(
    values: dict[str, Any], channel: int, times_s: NDArray[Any], loaded: bool = True
) -> NDArray[np.float64]:
    unit, front = changed_unit(Unit(), values), changed_front(Front(), {"terminated": loaded})
    seen = trace(unit, front, channel, ChannelSettings(on=True, volts_per_div=1.0), Adc(12))
    return (noiseless([seen], times_s)[0].astype(np.float64) - 2048) / 400 * 1e3


def crossings_s(times_s: NDArray[np.float64], values: NDArray[np.float64], level: float) -> tuple[Any, Any]:
    """Instants of falling and of rising crossings."""
    below = values < level
    at = np.flatnonzero(below[1:] != below[:-1])
    share = (level - values[at]) / (values[at + 1] - values[at])
    instants = times_s[at] + share * (times_s[at + 1] - times_s[at])
    falling = below[at + 1]
    return instants[falling], instants[~falling]


def line_period_s(values: dict[str, Any]) -> float:
    times_s = np.arange(2e-3, 8e-3, 10e-9)
    falling, _ = crossings_s(times_s, waveform_mv(values, 4, times_s), -150.0)
    return float((falling[-1] - falling[0]) / (falling.size - 1))


@pytest.mark.parametrize(
    ("values", "line_hz", "field_hz"),
    [
        ({"subcarrier_cycles": 228}, 15699.76, 59.9228),
        ({"subcarrier_cycles": 227.333}, 15745.80, 60.0985),
        ({"system": "625/50", "subcarrier_cycles": 284}, 15611.33, 50.0363),
        ({"system": "625/50", "lines_per_field": 314}, 15625.0, 49.7611),
        ({"system": "24k", "vertical_sync": "block"}, 24826.2, 56.423),
        ({"system": "31k", "vertical_sync": "block"}, 31468.75, 59.940),
        ({"system": "31k-70", "vertical_sync": "block"}, 31468.75, 70.086),
    ],
)
def test_line_and_field_rates_are_the_published_ones(values: Any, line_hz: float, field_hz: float) -> None:
    assert 1 / line_period_s(values) == pytest.approx(line_hz, abs=0.06)
    times_s = np.arange(0, 45e-3, 100e-9)
    falling, rising = crossings_s(times_s, waveform_mv(values, 4, times_s), -150.0)
    rising = rising[rising > falling[0]]
    count = min(falling.size, rising.size)
    long_s = falling[:count][rising[:count] - falling[:count] > 15e-6]
    starts = long_s[np.flatnonzero(np.diff(long_s, prepend=-1.0) > 1e-3)]
    assert 1 / np.diff(starts)[0] == pytest.approx(field_hz, abs=0.001)


@pytest.mark.parametrize(
    ("cycles", "degrees"),
    [(227.5, 180.0), (228, 0.0), (227.333, 120.0)],  # C: the cycles' fraction of a turn
)
def test_the_bursts_of_two_lines_differ_by_the_odd_cycles(cycles: float, degrees: float) -> None:
    period_s = {227.5: 227.5, 228: 228, 227.333: 227 + 1 / 3}[cycles] / FSC_525_HZ
    phases = []
    for line in (100, 101):
        since_s = np.linspace(6.1e-6, 7.3e-6, 300)
        values = waveform_mv({"format": "composite", "subcarrier_cycles": cycles}, 1, line * period_s + since_s)
        design = np.stack([np.sin(2 * np.pi * FSC_525_HZ * since_s), np.cos(2 * np.pi * FSC_525_HZ * since_s)], axis=1)
        (sine, cosine), *_ = np.linalg.lstsq(design, values, rcond=None)
        assert 2 * np.hypot(sine, cosine) == pytest.approx(285.7, abs=0.2)
        phases.append(np.degrees(np.arctan2(cosine, sine)))
    assert np.cos(np.radians(phases[1] - phases[0] - degrees)) == pytest.approx(1.0, abs=1e-4)


def test_a_31_khz_line_has_its_published_porches() -> None:
    """R, C: front porch 0.636, sync 3.813, back porch 1.907, picture 25.42 us."""
    line_s = 800 / 25.175e6
    times_s = 100 * line_s + np.arange(-1.0e-6, line_s, 1e-9)
    values = {"system": "31k", "format": "rgb-hv"}
    falling, rising = crossings_s(times_s, waveform_mv(values, 3, times_s, loaded=False), 1800.0)
    assert (rising[0] - falling[0]) * 1e6 == pytest.approx(3.813, abs=0.002)
    down, up = crossings_s(times_s, waveform_mv(values, 2, times_s), 350.0)
    assert (up[0] - rising[0]) * 1e6 == pytest.approx(1.907, abs=0.002)
    assert (down[1] - up[0]) * 1e6 == pytest.approx(25.42, abs=0.003)
    assert (falling[0] - down[0]) * 1e6 == pytest.approx(0.636, abs=0.002)


@pytest.mark.parametrize(
    ("system", "lines", "sync_lines", "picture_lines", "vertical_high"),
    [("31k", 525, 2, 480, False), ("31k-70", 449, 2, 400, True), ("24k", 440, 8, 400, False)],
)
def test_separate_syncs_of_a_computer(
    system: str, lines: int, sync_lines: int, picture_lines: int, vertical_high: bool
) -> None:
    """R: totals and pictures; 31 kHz tells its modes by the polarity of vertical sync. Lengths of 24 kHz: practice."""
    line_s = {"31k": 800 / 25.175e6, "31k-70": 800 / 25.175e6, "24k": 848 / 21.0526e6}[system]
    values = {"system": system, "format": "rgb-hv"}
    middles_s = (np.arange(lines) + 0.5) * line_s
    vertical = waveform_mv(values, 4, middles_s, loaded=False) > 1800
    assert (vertical == vertical_high).sum() == sync_lines
    assert bool(vertical[0]) == vertical_high
    assert (waveform_mv(values, 2, middles_s) > 350).sum() == picture_lines
    times_s = np.arange(-line_s / 2, (lines - 0.5) * line_s, 10e-9)
    falling, _ = crossings_s(times_s, waveform_mv(values, 3, times_s, loaded=False), 1800.0)
    assert falling.size == lines
    assert np.ptp(np.diff(falling)) < 1e-9
