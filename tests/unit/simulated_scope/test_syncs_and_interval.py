"""Separate and logic-level syncs, digital red, green and blue, and what the vertical interval carries."""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from peakwhite.simulated_scope.adc import Adc
from peakwhite.simulated_scope.front_end import ChannelSettings, Front, changed_front
from peakwhite.simulated_scope.sampler import noiseless
from peakwhite.simulated_scope.signals import trace
from peakwhite.simulated_scope.truth import truth
from peakwhite.simulated_scope.unit import Unit
from peakwhite.simulated_scope.unit_settings import changed_unit

LINE_S = {"525/60": 227.5 * 88 / (5e6 * 63), "625/50": 64e-6}
BARS = ("white", "yellow", "cyan", "green", "magenta", "red", "blue", "black")


def unit_of(**values: Any) -> Unit:
    return changed_unit(Unit(), values)


def waveform_mv(unit: Unit, times_s: Any, channel: int, **front: Any) -> NDArray[np.float64]:
    told = ChannelSettings(on=True, volts_per_div=1.0)
    seen = trace(unit, changed_front(Front(), front), channel, told, Adc(12))
    return (noiseless([seen], np.asarray(times_s, dtype=np.float64))[0].astype(np.float64) - 2048) / 400 * 1e3


def levels_of(unit: Unit, role: str, **front: Any) -> dict[str, Any]:
    signals: Any = truth(unit, changed_front(Front(), front))["signals"]
    levels: dict[str, Any] = signals[role]
    return levels


def runs(high: NDArray[np.bool_]) -> int:
    """How often it becomes true."""
    return int((high[1:] & ~high[:-1]).sum())


# ---------------------------------------------------------------------- separate syncs


def test_rgb_hv_puts_the_syncs_on_channels_three_and_four() -> None:
    signals: Any = truth(unit_of(format="rgb-hv"), Front())["signals"]
    assert {role: levels["channel"] for role, levels in signals.items()} == {
        "red": "CH1",
        "green": "CH2",
        "hsync": "CH3",
        "vsync": "CH4",
    }
    assert signals["vsync"]["sync_mv"] == pytest.approx(3200 * 75 / 205, rel=1e-3)
    assert signals["vsync"]["peak_white_mv"] is None


@pytest.mark.parametrize(("system", "lines", "vertical_halves"), [("525/60", 525, 6), ("625/50", 625, 5)])
def test_an_interlaced_frame_has_a_horizontal_sync_a_line_and_two_vertical_ones(
    system: str, lines: int, vertical_halves: int
) -> None:
    unit, line_s = unit_of(system=system, scan="interlaced", format="rgb-hv"), LINE_S[system]
    times_s = np.arange(-0.4 * line_s, (lines - 0.4) * line_s, 50e-9)
    assert runs(waveform_mv(unit, times_s, 3, terminated=False) < 1800) == lines
    vertical = waveform_mv(unit, times_s, 4, terminated=False) < 1800
    assert runs(vertical) == 2
    assert vertical.sum() * 50e-9 == pytest.approx(2 * vertical_halves * line_s / 2, abs=1e-6)
    starts_s = times_s[1:][vertical[1:] & ~vertical[:-1]]
    assert np.diff(starts_s)[0] == pytest.approx(lines / 2 * line_s, abs=0.2e-6)


@pytest.mark.parametrize("polarity", ["negative", "positive"])
@pytest.mark.parametrize(("level", "idle_low_mv", "depth_mv"), [("ttl", 200.0, 3200.0), ("75-ohm", 0.0, 600.0)])
@pytest.mark.parametrize(
    ("form", "role", "channel"), [("rgb-hv", "hsync", 3), ("rgb-hv", "vsync", 4), ("rgb-sync", "sync", 4)]
)
def test_every_sync_comes_in_either_polarity(
    polarity: str, level: str, idle_low_mv: float, depth_mv: float, form: str, role: str, channel: int
) -> None:
    unit = unit_of(format=form, sync_level=level, **{role: {"polarity": polarity}})
    inside_s = (3.5 if role == "vsync" else 100) * LINE_S["525/60"] + 2.5e-6
    outside_s = 100 * LINE_S["525/60"] + 20e-6
    tip, idle = waveform_mv(
        unit, [inside_s, outside_s][:: 1 if inside_s < outside_s else -1], channel, terminated=False
    )
    assert tip - idle == pytest.approx(depth_mv * (-1 if polarity == "negative" else 1), rel=1e-3)
    levels = levels_of(unit, role, terminated=False)
    assert levels["sync_mv"] == pytest.approx(depth_mv, rel=1e-3)
    assert levels["sync_polarity"] == polarity
    assert levels["blanking_mv"] == pytest.approx(idle, abs=0.5)
    lower = min(tip, idle) if level == "ttl" else idle
    assert lower == pytest.approx(idle_low_mv, abs=0.5)


def test_a_separate_sync_can_be_coupled_disconnected_and_noisy_like_any_signal() -> None:
    unit = unit_of(format="rgb-hv", hsync={"disconnected": True}, vsync={"noise_mv_rms": 12.0, "gain_percent": 50})
    assert set(levels_of(unit, "hsync").values()) == {"CH3", None}
    assert levels_of(unit, "vsync")["sync_mv"] == pytest.approx(1600 * 75 / 205, rel=1e-3)
    told = ChannelSettings(on=True, volts_per_div=1.0)
    quiet = changed_front(Front(), {"noise_mv_rms": 0})
    assert trace(unit, quiet, 4, told, Adc(12)).noise_codes == pytest.approx(12 * 75 / 205 * 0.4, rel=1e-3)


@pytest.mark.parametrize(("system", "rate_hz", "lines"), [("18k", 18432.0, 370), ("22k", 21850.8, 364)])
def test_the_older_computers_have_the_rates_of_practice(system: str, rate_hz: float, lines: int) -> None:
    unit = unit_of(system=system, format="rgb-hv")
    times_s = np.arange(-20e-6, (lines - 0.3) / rate_hz, 50e-9)
    assert runs(waveform_mv(unit, times_s, 3, terminated=False) > 1800) == lines  # horizontal sync is positive
    line: Any = truth(unit, Front())["line"]
    assert (line["rate_hz"], line["lines_per_field"]) == pytest.approx((rate_hz, lines), abs=0.5)
    assert (line["system"], line["name"]) == ("unknown", system)


# ---------------------------------------------------------------------- digital red, green and blue


@pytest.mark.parametrize("pattern", ["bars-75", "bars-100"])
def test_digital_bars_have_two_states_three_volts_apart(pattern: str) -> None:
    unit = unit_of(rgb_level="ttl", pattern=pattern, red={"gain_percent": 100})
    width_us = (63.5556 - 10.7) / 8
    lit = {"red": "white yellow magenta red", "green": "white yellow cyan green"}
    for channel, role in enumerate(lit, start=1):
        for index, bar in enumerate(BARS):
            middle_s = 100 * LINE_S["525/60"] + (9.2 + (index + 0.5) * width_us) * 1e-6
            expected = 3400.0 if bar in lit[role].split() else 200.0
            assert waveform_mv(unit, [middle_s], channel, terminated=False) == pytest.approx([expected], abs=1), bar
        levels = levels_of(unit, role, terminated=False)
        assert (levels["peak_white_mv"], levels["blanking_mv"], levels["black_mv"]) == pytest.approx(
            (3200, 200, 0), rel=1e-3
        )


def test_digital_red_shrinks_into_75_ohm() -> None:
    unit = unit_of(rgb_level="ttl", green={"source_ohm": 50})
    assert levels_of(unit, "green")["peak_white_mv"] == pytest.approx(3200 * 75 / 125, rel=1e-3)


def test_digital_levels_leave_luma_and_setup_alone() -> None:
    unit = unit_of(rgb_level="ttl", setup_mv=50)
    assert levels_of(unit, "green")["black_mv"] == 0.0
    assert levels_of(unit_of(rgb_level="ttl", setup_mv=50, format="luma-sync"), "luma")["black_mv"] == pytest.approx(
        50, rel=1e-3
    )


# ---------------------------------------------------------------------- vertical interval


def busy_lines(unit: Unit, channel: int, lines: int) -> list[int]:
    """Lines (1 is the first) whose back half lifts off blanking anywhere, picture left out."""
    inside_s = np.linspace(12e-6, 60e-6, 300)
    times_s = (np.arange(lines)[:, None] * unit.line_s + inside_s).ravel()
    values = waveform_mv(unit, times_s, channel).reshape(lines, -1)
    return [int(line) + 1 for line in np.flatnonzero(values.max(axis=1) > 100)]


@pytest.mark.parametrize(
    ("system", "content", "expected"),
    [
        ("525/60", "data", [*range(10, 21), *range(273, 284)]),
        ("525/60", "pulses", [*range(12, 20), *range(275, 283)]),
        ("625/50", "data", [*range(7, 23), *range(320, 336)]),
        ("625/50", "pulses", [*range(9, 19), *range(322, 332)]),
        ("625/50", "off", []),
    ],
)
@pytest.mark.parametrize("form", ["composite", "rgb-sync"])
def test_the_interval_carries_them_on_their_lines_of_both_fields(
    system: str, content: str, expected: list[int], form: str
) -> None:
    unit = unit_of(system=system, vbi=content, pattern="black", scan="interlaced", format=form)
    assert busy_lines(unit, 1, unit.constants.lines) == expected


def test_pulses_lie_above_white_and_stay_flat_for_microseconds_and_the_truth_is_not_moved() -> None:
    unit = unit_of(vbi="pulses", format="luma-sync")
    values = waveform_mv(unit, 15 * LINE_S["525/60"] + np.arange(0, 63e-6, 10e-9), 1)
    assert values.max() == pytest.approx(1.2 * 714.3, abs=0.2)
    assert runs(values > 0.6 * 714.3) == 5
    assert (values > 0.6 * 714.3).sum() * 10e-9 / 5 == pytest.approx(4.5e-6, abs=0.05e-6)
    assert (values > 1.199 * 714.3).sum() * 10e-9 / 5 > 4e-6
    assert levels_of(unit, "luma") == levels_of(unit_of(format="luma-sync"), "luma")


@pytest.mark.parametrize(("system", "rate_hz", "level"), [("525/60", 5727272.7, 0.70), ("625/50", 6.9375e6, 0.66)])
def test_data_begin_with_a_run_in_at_half_their_bit_rate(system: str, rate_hz: float, level: float) -> None:
    unit = unit_of(system=system, vbi="data", format="luma-sync")
    start_s = unit.constants.blanking_end_s + 1.3 / rate_hz
    times_s = 11 * unit.line_s + start_s + np.arange(0, 14 / rate_hz, 2e-9)
    values = waveform_mv(unit, times_s, 1)
    spectrum = np.abs(np.fft.rfft((values - values.mean()) * np.hanning(values.size), 1 << 16))
    assert np.fft.rfftfreq(1 << 16, 2e-9)[spectrum.argmax()] == pytest.approx(rate_hz / 2, rel=0.01)
    later = waveform_mv(unit, 11 * unit.line_s + np.arange(15e-6, 60e-6, 5e-9), 1)
    assert (later.max(), later.min()) == pytest.approx((level * unit.white_mv, 0.0), abs=1.0)


def test_lines_of_data_differ_from_each_other() -> None:
    unit = unit_of(vbi="data", format="luma-sync")
    first, second = (waveform_mv(unit, line * unit.line_s + np.arange(15e-6, 60e-6, 5e-9), 1) for line in (11, 12))
    assert np.abs(first - second).max() > 300
