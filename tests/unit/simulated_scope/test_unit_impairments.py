"""What may be wrong with the unit: source impedance, ladder, warm-up, drop-outs, sync faults, odd lines."""

import asyncio
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from peakwhite.simulated_scope.adc import Adc
from peakwhite.simulated_scope.clock import FastClock
from peakwhite.simulated_scope.disturbances import Disturbance
from peakwhite.simulated_scope.front_end import ChannelSettings, Front, changed_front
from peakwhite.simulated_scope.instrument import Instrument
from peakwhite.simulated_scope.ladder import Ladder
from peakwhite.simulated_scope.sampler import noiseless
from peakwhite.simulated_scope.settings import BadSetting
from peakwhite.simulated_scope.signals import trace
from peakwhite.simulated_scope.truth import truth
from peakwhite.simulated_scope.unit import Unit
from peakwhite.simulated_scope.unit_settings import changed_unit

LINE_S = 227.5 * 88 / (5e6 * 63)


def unit_of(**values: Any) -> Unit:
    return changed_unit(Unit(), values)


def waveform_mv(unit: Unit, times_s: Any, channel: int = 2, **front: Any) -> NDArray[np.float64]:
    told = ChannelSettings(on=True, volts_per_div=1.0)
    seen = trace(unit, changed_front(Front(), front), channel, told, Adc(12))
    return (noiseless([seen], np.asarray(times_s, dtype=np.float64))[0].astype(np.float64) - 2048) / 400 * 1e3


def levels_of(unit: Unit, role: str, since_s: float = 0.0, **front: Any) -> dict[str, Any]:
    signals: Any = truth(unit, changed_front(Front(), front), since_s)["signals"]
    levels: dict[str, Any] = signals[role]
    return levels


def white_mv(unit: Unit, channel: int = 2, **front: Any) -> float:
    blanking, white = waveform_mv(unit, 100 * LINE_S + np.array([8.6e-6, 35e-6]), channel, **front)
    return float(white - blanking)


# ---------------------------------------------------------------------- source impedance


@pytest.mark.parametrize(("load", "ohm"), [(True, 75.0), ("double", 37.5), ("fifty-ohm", 50.0)])
def test_one_signal_can_have_a_source_of_its_own(load: Any, ohm: float) -> None:
    unit = unit_of(green={"source_ohm": 150})
    expected = 714.3 * (150 + 75) / 75 * ohm / (ohm + 150)
    assert levels_of(unit, "green", terminated=load)["peak_white_mv"] == pytest.approx(expected, rel=2e-4)
    assert white_mv(unit, terminated=load) == pytest.approx(expected, rel=2e-4)
    assert levels_of(unit, "red", terminated=load)["peak_white_mv"] == pytest.approx(
        750.0 * 2 * ohm / (ohm + 75), rel=1e-3
    )


@pytest.mark.parametrize("load", [True, "double", "fifty-ohm", False])
def test_without_its_series_resistor_a_signal_has_twice_its_level_into_any_load(load: Any) -> None:
    unit = unit_of(green={"series_resistor": False})
    assert levels_of(unit, "green", terminated=load)["peak_white_mv"] == pytest.approx(2 * 714.3, rel=1e-4)
    assert white_mv(unit, terminated=load) == pytest.approx(2 * 714.3, rel=1e-5)
    assert white_mv(unit, 1) == pytest.approx(750.0, rel=1e-3)


@pytest.mark.parametrize("source_ohm", [50.0, 100.0])
def test_a_logic_sync_divides_by_its_own_resistance(source_ohm: float) -> None:
    unit = unit_of(sync_level="ttl", sync={"source_ohm": source_ohm})
    assert levels_of(unit, "sync")["sync_mv"] == pytest.approx(3200 * 75 / (75 + source_ohm), rel=1e-3)


# ---------------------------------------------------------------------- ladder


@pytest.mark.parametrize("bits", [1, 2, 3, 4])
def test_a_ramp_through_a_ladder_has_two_to_the_bits_equal_steps(bits: int) -> None:
    unit = unit_of(pattern="ramp", ladder={"bits": bits, "wrong_bit": None, "wrong_by_pct": 0})
    values = waveform_mv(unit, 100 * LINE_S + np.arange(9.6e-6, 61.8e-6, 1e-8))
    flat = np.abs(np.gradient(values)) < 1e-3
    steps = np.unique(np.round(values[flat], 1))
    assert steps == pytest.approx(714.3 * np.arange(2**bits) / (2**bits - 1), abs=0.1)
    assert levels_of(unit, "green")["peak_white_mv"] == pytest.approx(714.3, rel=1e-4)


def test_a_wrong_bit_weighs_into_every_level_that_uses_it_and_the_truth_knows() -> None:
    stage = {"ladder": {"bits": 3, "wrong_bit": 2, "wrong_by_pct": -20}}
    unit = unit_of(pattern="staircase-10", green=stage)
    middles_us = 9.2 + (np.arange(11) + 0.5) / 11 * (63.5556 - 10.7)
    codes = np.floor(np.arange(11) / 10 * 7 + 0.5)
    expected = 714.3 / 7 * (codes - np.where(codes >= 4, 0.2 * 4, 0))
    assert waveform_mv(unit, 100 * LINE_S + middles_us * 1e-6) == pytest.approx(expected, abs=0.1)
    assert levels_of(unit, "green")["peak_white_mv"] == pytest.approx(714.3 * (7 - 0.8) / 7, rel=1e-4)
    assert levels_of(unit, "red")["peak_white_mv"] == pytest.approx(750.0, rel=1e-3)


def test_the_highest_level_of_a_ladder_that_falls_back_need_not_be_its_last() -> None:
    wrong = {"bits": 2, "wrong_bit": 1, "wrong_by_pct": -60}  # 0, 1, 0.8, 1.8 thirds
    assert Ladder(**wrong).levels(np.arange(4) / 3) * 3 == pytest.approx([0, 1, 0.8, 1.8])
    unit = unit_of(pattern="multiburst", system="625/50", ladder=wrong)  # its flags: 0.8, code 2; 0.2, code 1
    assert levels_of(unit, "green")["peak_white_mv"] == pytest.approx(700 / 3, rel=1e-4)


def test_luma_is_mixed_from_the_ladders_of_three_primaries() -> None:
    ladder = {"bits": 2, "wrong_bit": None, "wrong_by_pct": 0}
    unit = unit_of(format="luma-sync", pattern="bars-75", ladder=ladder)
    yellow_s = 100 * LINE_S + (9.2 + 1.5 / 8 * (63.5556 - 10.7)) * 1e-6
    assert waveform_mv(unit, [yellow_s], 1) == pytest.approx([714.3 * 0.886 * 2 / 3], abs=0.1)  # 0.75 is code 2


def test_the_edges_of_a_ladders_steps_rise_as_those_of_the_picture() -> None:
    edges = []
    for ladder in (None, {"bits": 4, "wrong_bit": None, "wrong_by_pct": 0}):
        values = waveform_mv(unit_of(pattern="patch", ladder=ladder), 140 * LINE_S + np.arange(40e-6, 45e-6, 1e-9))
        crossings = [np.flatnonzero(values > share * 714.3)[0] for share in (0.1, 0.5, 0.9)]
        edges.append(crossings)
    assert edges[0][2] - edges[0][0] == pytest.approx(100, abs=2)
    assert edges[1] == pytest.approx(edges[0], abs=4)  # a ladder's step stands on the grid of 3.9 ns


@given(bits=st.integers(1, 10), level=st.floats(0, 1))
@settings(max_examples=60, deadline=None)
def test_a_right_ladder_is_never_further_off_than_half_a_step(bits: int, level: float) -> None:
    out = float(Ladder(bits).levels(np.array([level]))[0])
    assert abs(out - level) <= 0.5 / (2**bits - 1) + 1e-9


# ---------------------------------------------------------------------- warm-up


def scope_with(unit: Unit) -> Instrument:
    instrument = Instrument(Adc(12), FastClock(), 5, Unit(), 10)
    instrument.set_front(changed_front(Front(), {"noise_mv_rms": 0}))
    for channel in (1, 2, 4):
        instrument.set_channel(channel, on=True, volts_per_div=0.25)
    instrument.set_trigger(channel=4, level_v=-0.15, rising=False)
    instrument.set_horizontal(samples=10_000, seconds_per_div=20e-6)
    instrument.clock.advance_to(1234.0)
    instrument.set_unit(unit)
    return instrument


async def top_mv(instrument: Instrument, channel: int = 2) -> float:
    for _ in range(20):  # a free capture may fall into the vertical interval
        instrument.single()
        await instrument.idle()
        assert instrument.memory is not None
        top = (float(np.percentile(instrument.memory.codes[channel], 60)) - 2048) / 400 * 250
        if top > 300:
            return top
    raise AssertionError("no picture")


def test_a_gain_creeps_from_the_moment_of_switching_on_and_dies_away() -> None:
    """5 % a minute with a time constant of two minutes: 10 % (1 - exp(-t / 120 s))."""
    instrument = scope_with(unit_of(green={"warm_up": {"pct_per_min": 5, "time_constant_s": 120}}))
    for since_s, gain in ((0.0, 1.0), (60.0, 1.0393), (120.0, 1.0632), (1200.0, 1.1)):
        instrument.clock.advance_to(1234.0 + since_s)
        assert asyncio.run(top_mv(instrument)) == pytest.approx(714.3 * gain, abs=0.7)
        levels = levels_of(instrument.unit, "green", instrument.switched_on_for_s)
        assert levels["peak_white_mv"] == pytest.approx(714.3 * gain, abs=0.5)
    assert asyncio.run(top_mv(instrument, 1)) == pytest.approx(750.0, abs=0.7)


def test_another_setting_does_not_switch_the_unit_off_and_on() -> None:
    warm = {"pct_per_min": 10, "time_constant_s": 60}
    instrument = scope_with(unit_of(warm_up=warm))
    instrument.clock.advance_to(1300.0)
    instrument.set_unit(changed_unit(instrument.unit, {"pattern": "bars-75"}))
    assert instrument.switched_on_for_s == pytest.approx(66.0)
    instrument.set_unit(changed_unit(instrument.unit, {"warm_up": {**warm, "pct_per_min": -10}}))
    assert instrument.switched_on_for_s == 0.0


# ---------------------------------------------------------------------- drop-outs and sync faults


@given(
    every_lines=st.floats(1.5, 500), lines=st.integers(1, 40), first=st.integers(-1000, 10**9), seed=st.integers(0, 99)
)
@settings(max_examples=60, deadline=None)
def test_the_events_of_a_stretch_are_those_of_its_parts(every_lines: float, lines: int, first: int, seed: int) -> None:
    disturbance = Disturbance(("all-out",), lines, every_lines * LINE_S, seed)
    last = first + 800
    whole = disturbance.between(first, last, LINE_S)
    parts = {*disturbance.between(first, first + 300, LINE_S), *disturbance.between(first + 301, last, LINE_S)}
    assert set(whole) == parts
    assert all(stop - start == lines and start <= last and stop > first for start, stop, _ in whole)
    assert len(whole) == pytest.approx((800 + lines) / every_lines, abs=2 + 0.01 * len(whole))


def lines_where(values: NDArray[np.float64], wanted: Any) -> list[int]:
    return np.flatnonzero(wanted(values)).tolist()


def test_a_drop_out_takes_its_lines_from_one_channel_alone() -> None:
    unit = unit_of(green={"drop_out": {"loses": "picture", "lines": 5, "every_s": 0.01, "seed": 4}})
    starts_s = np.arange(3 * 262) * LINE_S
    lit = {channel: waveform_mv(unit, starts_s + 35e-6, channel) > 350 for channel in (1, 2)}
    lost = np.flatnonzero(lit[1] & ~lit[2])
    (breaks,) = np.nonzero(np.diff(lost) > 1)
    runs = np.split(lost, breaks + 1)
    assert 3 <= len(runs) <= 6  # 50 ms
    assert {run.size for run in runs} <= {1, 2, 3, 4, 5}  # shorter only at the vertical interval
    assert 5 in {run.size for run in runs}


@pytest.mark.parametrize(
    ("form", "channel", "role", "loses"),
    [("rgb-sync", 4, "sync", "sync"), ("composite", 1, "composite", "sync"), ("composite", 1, "composite", "all")],
)
def test_a_drop_out_can_take_the_sync(form: str, channel: int, role: str, loses: str) -> None:
    stage = {role: {"drop_out": {"loses": loses, "lines": 3, "every_s": 0.004, "seed": 1}}}
    unit = unit_of(format=form, **stage)
    starts_s = np.arange(20, 260) * LINE_S
    tips = waveform_mv(unit, starts_s + 2.5e-6, channel)
    lost = np.flatnonzero(tips > -50)
    assert 6 <= lost.size <= 18
    assert tips[lost] == pytest.approx(0.0, abs=0.1)
    if form == "composite":
        white = waveform_mv(unit, starts_s + 35e-6, channel)
        assert (white[lost] > 350).all() == (loses == "sync")
        burst = waveform_mv(unit, (starts_s[:, None] + np.linspace(6.1e-6, 7.3e-6, 40)).ravel(), 1).reshape(-1, 40)
        assert (np.ptp(burst[lost], axis=1) > 200).all() == (loses == "sync")


def pulses_us(unit: Unit, fields: int = 4) -> tuple[Any, Any]:
    times_s = np.arange(20 * LINE_S - 5e-6, fields * 262 * LINE_S, 20e-9)
    low = waveform_mv(unit, times_s, 4) < -150
    at = np.flatnonzero(low[1:] != low[:-1])
    starts, stops = times_s[at[0::2]], times_s[at[1::2]]
    return starts[: stops.size] * 1e6, (stops - starts[: stops.size]) * 1e6


def faults(**rates: float) -> Unit:
    wanted = {"dropped_per_s": 0.0, "doubled_per_s": 0.0, "glitches_per_s": 0.0, "seed": 3, **rates}
    return unit_of(sync_faults=wanted, vertical_sync="serrated")


def test_dropped_pulses_leave_gaps_of_two_lines() -> None:
    starts, _ = pulses_us(faults(dropped_per_s=200))
    gaps = np.round(np.diff(starts) / (LINE_S * 1e6)).astype(int)
    assert 8 <= (gaps == 2).sum() <= 18  # 66 ms
    assert set(gaps.tolist()) == {1, 2}


def test_doubled_pulses_come_within_the_line_and_as_wide_as_the_first() -> None:
    starts, widths = pulses_us(faults(doubled_per_s=200))
    within = starts / (LINE_S * 1e6) % 1
    second = (within > 0.1) & (within < 0.9)
    assert 8 <= second.sum() <= 18
    assert widths[second] == pytest.approx(4.7, abs=0.05)
    assert set(np.round(within[second], 2).tolist()) == {0.2, 0.62}


def test_glitches_are_shorter_than_a_microsecond() -> None:
    _, widths = pulses_us(faults(glitches_per_s=300))
    short = widths[widths < 1]
    assert 14 <= short.size <= 26
    assert set(np.round(short, 1).tolist()) == {0.2, 0.5, 0.9}


def test_sync_faults_show_on_the_composite_signal_and_never_on_red() -> None:
    unit = unit_of(
        format="composite", sync_faults={"dropped_per_s": 200, "doubled_per_s": 0, "glitches_per_s": 0, "seed": 3}
    )
    tips = waveform_mv(unit, np.arange(10, 700) * LINE_S + 2.5e-6, 1)
    assert 3 <= (tips > -50).sum() <= 15
    assert unit_of(sync_faults=None).disturbances_of("red") == ()
    assert unit.disturbances_of("red") == ()


def test_disturbances_do_not_touch_the_truth() -> None:
    unit = unit_of(green={"drop_out": {"loses": "all", "lines": 5, "every_s": 0.01, "seed": 4}})
    assert truth(unit, Front()) == truth(unit_of(), Front())


# ---------------------------------------------------------------------- odd lines


@pytest.mark.parametrize("odd_us", [3.0, -4.0])
@pytest.mark.parametrize("kind", ["serrated", "block"])
def test_the_first_line_after_vertical_sync_can_be_odd(odd_us: float, kind: str) -> None:
    unit = unit_of(odd_line_us=odd_us, vertical_sync=kind)
    times_s = np.arange(-5e-6, 2.5 * 262 * LINE_S, 10e-9)
    values = waveform_mv(unit, times_s, 4)
    starts_us = times_s[np.flatnonzero((values[1:] < -150) & (values[:-1] >= -150))] * 1e6
    periods = np.diff(starts_us)
    plain = LINE_S * 1e6
    odd = periods[np.abs(periods % plain - odd_us % plain) < 0.1]
    assert odd == pytest.approx([plain + odd_us] * odd.size, abs=0.02)
    assert odd.size == 3
    field_us = 262 * plain + odd_us
    line: Any = truth(unit, Front())["line"]
    assert line["field_rate_hz"] == pytest.approx(1e6 / field_us)
    for turn in (0, 1):
        fields = starts_us[(starts_us > turn * field_us - 1) & (starts_us < (turn + 1) * field_us - 1)]
        assert fields[0] == pytest.approx(turn * field_us, abs=0.02)


def test_the_picture_starts_as_long_after_its_sync_as_ever_behind_an_odd_line() -> None:
    unit = unit_of(odd_line_us=5)
    shift_s = 5e-6
    assert waveform_mv(unit, 100 * LINE_S + shift_s + np.array([8.6e-6, 35e-6]))[1] == pytest.approx(714.3, abs=0.1)
    before, after = waveform_mv(unit, 100 * LINE_S + shift_s + np.array([9.0e-6, 9.4e-6]))
    assert (before, after) == (pytest.approx(0, abs=1), pytest.approx(714.3, abs=1))


# ---------------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    ("values", "named"),
    [
        ({"subcarrier_cycles": 229}, "subcarrier_cycles"),
        ({"subcarrier_cycles": True}, "subcarrier_cycles"),
        ({"subcarrier_cycles": 284}, "525/60"),
        ({"subcarrier_cycles": 228, "line_period_us": 63.6}, "line_period_us"),
        ({"line_period_us": 40}, "20 %"),
        ({"odd_line_us": 2, "scan": "interlaced"}, "progressive"),
        ({"system": "31k", "scan": "interlaced"}, "set.scan"),
        ({"system": "31k", "format": "composite"}, "set.format"),
        ({"system": "24k", "vbi": "data"}, "set.vbi"),
        ({"system": "24k", "vertical_sync": "full"}, "set.vertical_sync"),
        ({"system": "31k", "lines_per_field": 262}, "lines_per_field"),
        ({"rgb_level": "ttl", "format": "sync-on-green"}, "rgb_level"),
        ({"ladder": {"bits": 2, "wrong_bit": 2, "wrong_by_pct": 5}}, "wrong_bit"),
        ({"ladder": {"bits": 2.5, "wrong_bit": None, "wrong_by_pct": 0}}, "whole number"),
        ({"blue": {"polarity": "positive"}}, "blue.polarity"),
    ],
)
def test_settings_that_cannot_be_are_refused_by_name(values: Any, named: str) -> None:
    with pytest.raises(BadSetting, match=named):
        unit_of(**values)
