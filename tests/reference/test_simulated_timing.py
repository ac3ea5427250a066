"""The simulated unit's timing against published tables, measured from its waveform by code of this file's own.

170M = SMPTE 170M-2004; 1700 = ITU-R BT.1700 Part B; 470 = ITU-R BT.470-6; S: read in the standard, C: computed from it.
"""

from collections import Counter
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from peakwhite.simulated_scope.adc import Adc
from peakwhite.simulated_scope.front_end import ChannelSettings, Front
from peakwhite.simulated_scope.sampler import noiseless
from peakwhite.simulated_scope.signals import trace
from peakwhite.simulated_scope.unit import Unit
from peakwhite.simulated_scope.unit_settings import changed_unit

STEP_S = 10e-9
LINES = {"525/60": 525, "625/50": 625}
LINE_US = {"525/60": 63.5556, "625/50": 64.0}  # S: 170M table 2; 1700


def unit_of(**values: Any) -> Unit:
    return changed_unit(Unit(), values)


def waveform_mv(unit: Unit, channel: int, times_s: NDArray[Any]) -> NDArray[np.float64]:
    """What stands at the scope's input, through a range of 1 V a division without noise."""
    front = Front()
    seen = trace(unit, front, channel, ChannelSettings(on=True, volts_per_div=1.0), Adc(12))
    codes = noiseless([seen], times_s)[0].astype(np.float64)
    return (codes - 2048) / 400 * 1e3


def crossings_s(times_s: NDArray[np.float64], values: NDArray[np.float64], level: float) -> tuple[Any, Any]:
    """Instants of falling and of rising crossings."""
    below = values < level
    at = np.flatnonzero(below[1:] != below[:-1])
    share = (level - values[at]) / (values[at + 1] - values[at])
    instants = times_s[at] + share * (times_s[at + 1] - times_s[at])
    falling = below[at + 1]
    return instants[falling], instants[~falling]


def sync_pulses(unit: Unit, lines: float, channel: int = 4) -> tuple[Any, Any]:
    """Starts and widths of all sync pulses of so many lines, from half a line before line 1 on; in us."""
    line_s = LINE_US[unit.system] * 1e-6
    times_s = np.arange(-line_s / 4, (lines - 0.25) * line_s, STEP_S)
    values = waveform_mv(unit, channel, times_s)
    falling, rising = crossings_s(times_s, values, -150.0)
    rising = rising[rising > falling[0]]
    count = min(falling.size, rising.size)
    return falling[:count] * 1e6, (rising[:count] - falling[:count]) * 1e6


@pytest.mark.parametrize("system", ["525/60", "625/50"])
def test_the_pulses_of_an_interlaced_frame_are_those_of_the_standard(system: str) -> None:
    unit = unit_of(system=system, scan="interlaced")
    _, widths_us = sync_pulses(unit, LINES[system])
    kinds = Counter(np.round(widths_us, 2).tolist())
    if system == "525/60":  # S: 170M table 2 and figure 7: 4.70, 2.30, 27.08 us; 3 + 3 + 3 lines a field
        assert kinds == {4.7: 507, 2.3: 24, 27.08: 12}
    else:  # S: 1700: 4.7, 2.35, 27.3 us; 2.5 H of each a field
        assert kinds == {4.7: 610, 2.35: 20, 27.3: 10}


@pytest.mark.parametrize("system", ["525/60", "625/50"])
def test_serrations_are_as_wide_as_the_standard_has_them(system: str) -> None:
    unit = unit_of(system=system, scan="interlaced")
    starts_us, widths_us = sync_pulses(unit, 12)
    broad = np.flatnonzero(widths_us > 20)
    gaps_us = starts_us[broad[1:]] - starts_us[broad[:-1]] - widths_us[broad[:-1]]
    assert broad.size == (6 if system == "525/60" else 5)
    assert gaps_us == pytest.approx(4.7, abs=0.01)  # S: both standards 4.7 us


def test_the_fields_of_an_interlaced_frame_start_half_a_line_apart() -> None:
    for system in ("525/60", "625/50"):
        starts_us, widths_us = sync_pulses(unit_of(system=system, scan="interlaced"), LINES[system])
        broad_us = starts_us[widths_us > 20]
        first_of_each = broad_us[np.flatnonzero(np.diff(broad_us, prepend=-1e6) > 1000)]
        halves = (first_of_each[1] - first_of_each[0]) / (LINE_US[system] / 2)
        assert halves == pytest.approx(LINES[system], abs=0.01)  # S: 262.5 and 312.5 lines


@pytest.mark.parametrize(
    ("system", "edge_ns"),
    [("525/60", 140.0), ("625/50", 200.0)],  # S: 170M 13.1; 1700
)
def test_sync_edges_rise_as_the_standard_has_them(system: str, edge_ns: float) -> None:
    unit = unit_of(system=system)
    times_s = np.arange(-1e-6, 1e-6, 1e-9) + 50 * unit.line_s
    values = waveform_mv(unit, 4, times_s)
    (start_s,), _ = crossings_s(times_s, values, -30.0)
    (end_s,), _ = crossings_s(times_s, values, -270.0)
    assert (end_s - start_s) * 1e9 == pytest.approx(edge_ns, abs=2)


@pytest.mark.parametrize(
    ("system", "blanking_end_us", "front_porch_us"),
    [("525/60", 9.20, 1.5), ("625/50", 10.5, 1.5)],  # S: 170M table 2; 1700 and 470 table 1-1
)
def test_the_picture_starts_and_ends_as_the_standard_has_it(
    system: str, blanking_end_us: float, front_porch_us: float
) -> None:
    unit = unit_of(system=system, red={"gain_percent": 100})
    times_s = np.arange(0, unit.line_s, 2e-9) + 100 * unit.line_s
    values = waveform_mv(unit, 1, times_s)
    falling, rising = crossings_s(times_s, values, unit.white_mv / 2)
    assert (rising[0] - 100 * unit.line_s) * 1e6 == pytest.approx(blanking_end_us, abs=0.005)
    assert (101 * unit.line_s - falling[0]) * 1e6 == pytest.approx(front_porch_us, abs=0.005)


def picture_lines(unit: Unit) -> dict[int, tuple[bool, bool]]:
    """Per line of a frame (1 is the first) whether its first and second half show white."""
    lines = LINES[unit.system] if unit.scan == "interlaced" else int(unit.progressive_lines or 0)
    starts_s = np.arange(lines) * unit.line_s
    quarter = waveform_mv(unit, 2, starts_s + 0.35 * unit.line_s) > unit.white_mv / 2
    three = waveform_mv(unit, 2, starts_s + 0.75 * unit.line_s) > unit.white_mv / 2
    return {line + 1: (bool(quarter[line]), bool(three[line])) for line in range(lines)}


def test_the_lines_of_a_525_frame_that_show_picture() -> None:
    """S: 170M: vertical blanking of 20 lines; picture from line 21 and from the middle of line 283 (figure 7)."""
    shown = picture_lines(unit_of(scan="interlaced"))
    assert [line for line, halves in shown.items() if halves == (True, True)] == [*range(21, 263), *range(284, 526)]
    assert (shown[263], shown[283]) == ((True, False), (False, True))


def test_the_lines_of_a_625_frame_that_show_picture() -> None:
    """S: 1700: field blanking of 25 lines. The two half lines follow from it (M: 23 and 623)."""
    shown = picture_lines(unit_of(system="625/50", scan="interlaced"))
    assert [line for line, halves in shown.items() if halves == (True, True)] == [*range(24, 311), *range(336, 623)]
    assert (shown[23], shown[623]) == ((False, True), (True, False))
    assert sum(any(halves) for halves in shown.values()) == 576  # S: 1700: 576 active lines


@pytest.mark.parametrize(
    ("system", "lines", "field_hz"),
    [("525/60", 262, 60.0544), ("525/60", 263, 59.8261), ("625/50", 312, 50.0801), ("625/50", 313, 49.9201)],
)
def test_a_progressive_source_repeats_after_its_lines(system: str, lines: int, field_hz: float) -> None:
    """C: 15 734.27 or 15 625 Hz over the lines."""
    unit = unit_of(system=system, lines_per_field=lines)
    starts_us, widths_us = sync_pulses(unit, 2 * lines + 8)
    long_us = starts_us[widths_us > 20]
    first_of_each = long_us[np.flatnonzero(np.diff(long_us, prepend=-1e6) > 1000)]
    assert 1e6 / (first_of_each[1] - first_of_each[0]) == pytest.approx(field_hz, abs=0.001)


def test_progressive_vertical_sync_comes_in_three_kinds() -> None:
    """Practice: broad pulses of a line each, one block that the next line's sync prolongs, or the standard's."""
    counts = {
        kind: Counter(np.round(sync_pulses(unit_of(vertical_sync=kind), 262)[1], 2).tolist())
        for kind in ("serrated", "block", "full")
    }
    assert counts["serrated"] == {4.7: 259, 58.86: 3}
    assert counts["block"] == {4.7: 258, round(3 * 63.5556 + 4.7, 2): 1}
    assert counts["full"] == {4.7: 253, 2.3: 12, 27.08: 6}


def burst_lines(unit: Unit, frames: int) -> list[int]:
    """Lines with a burst, counted from 1 through all frames."""
    lines = np.arange(frames * LINES[unit.system])
    inside_s = np.linspace(6.0e-6, 7.4e-6, 200)
    times_s = (lines[:, np.newaxis] * unit.line_s + inside_s).ravel()
    values = waveform_mv(unit, 1, times_s).reshape(lines.size, -1)
    return [int(line) + 1 for line in lines[values.std(axis=1) > 30]]


def test_the_525_burst_is_absent_from_the_nine_lines_of_each_vertical_interval() -> None:
    """S: 170M figure 7: burst from line 10 on."""
    present = burst_lines(unit_of(format="composite", scan="interlaced"), 1)
    assert [line for line in range(1, 526) if line not in present] == [*range(1, 10), *range(264, 273)]


def test_the_625_burst_is_blanked_by_four_fields() -> None:
    """S: 1700 and 470: lines 623-6, 310-318, 622-5, 311-319."""
    present = burst_lines(unit_of(system="625/50", format="composite", scan="interlaced"), 2)
    first = [*range(1, 7), *range(310, 319), *range(622, 626)]
    second = [*range(1, 6), *range(311, 320), *range(623, 626)]
    assert [line for line in range(1, 1251) if line not in present] == [*first, *(625 + line for line in second)]


def test_the_line_rate_is_that_of_the_standard() -> None:
    assert 1 / unit_of().line_s == pytest.approx(15734.2657, abs=0.001)  # S: 170M 11.2
    assert 1 / unit_of(system="625/50").line_s == pytest.approx(15625.0)  # S: 1700
