"""Physics of the simulated signal path: loads, coupling, bandwidth, compression, noise, converter, trigger, jitter."""

import asyncio
import math
import time
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal as scipy_signal
from scipy import stats as scipy_stats

from peakwhite.simulated_scope.adc import Adc
from peakwhite.simulated_scope.clock import FastClock, RealClock
from peakwhite.simulated_scope.front_end import ChannelSettings, Front, changed_front
from peakwhite.simulated_scope.instrument import Instrument
from peakwhite.simulated_scope.noise import white
from peakwhite.simulated_scope.sampler import Trace, noiseless, record
from peakwhite.simulated_scope.signals import trace
from peakwhite.simulated_scope.truth import truth
from peakwhite.simulated_scope.unit import Unit
from peakwhite.simulated_scope.unit_settings import changed_unit

WHITE_US, BLANKING_US = 35.0, 8.6
WIDE = ChannelSettings(on=True, volts_per_div=1.0)


def unit_of(**values: Any) -> Unit:
    return changed_unit(Unit(), values)


def waveform_mv(
    unit: Unit, times_s: Any, channel: int = 2, front: dict[str, Any] | None = None, **settings: Any
) -> NDArray[np.float64]:
    """What the converter sees at those instants, back in millivolts at the probe tip, noise left out."""
    told = ChannelSettings(on=True, **{"volts_per_div": 1.0, **settings})
    seen = trace(unit, changed_front(Front(), front or {}), channel, told, Adc(12))
    codes = noiseless([seen], np.asarray(times_s, dtype=np.float64))[0].astype(np.float64)
    return (codes - 2048 - told.position_div * 400) / 400 * told.volts_per_div * 1e3


def level_mv(
    unit: Unit, channel: int = 2, front: dict[str, Any] | None = None, line: int = 100, **settings: Any
) -> float:
    """White over blanking on one line."""
    times_s = line * unit.line_s + np.array([BLANKING_US, WHITE_US]) * 1e-6
    blanking, white = waveform_mv(unit, times_s, channel, front, **settings)
    return float(white - blanking)


def levels_of(unit: Unit, role: str, front: dict[str, Any] | None = None) -> dict[str, Any]:
    signals: Any = truth(unit, changed_front(Front(), front or {}))["signals"]
    levels: dict[str, Any] = signals[role]
    return levels


# ---------------------------------------------------------------------- loads


@pytest.mark.parametrize(
    ("terminated", "factor"),
    [(True, 1.0), (False, 2.0), ("fifty-ohm", 0.8), ("double", 2 / 3)],  # RL / (Rs + RL) over 75 / 150
)
@pytest.mark.parametrize("channel", [1, 2, 3])
def test_the_load_divides_the_level(terminated: Any, factor: float, channel: int) -> None:
    unit, front = unit_of(), {"terminated": terminated}
    nominal = 714.3 * (1.05, 1.0, 0.98)[channel - 1]
    assert level_mv(unit, channel, front) == pytest.approx(nominal * factor, rel=2e-4)
    role = ("red", "green", "blue")[channel - 1]
    assert levels_of(unit, role, front)["peak_white_mv"] == pytest.approx(nominal * factor, rel=2e-4)


def test_the_load_divides_sync_by_the_same_factor() -> None:
    tip = waveform_mv(unit_of(), [2e-6 + 100 * unit_of().line_s], 4, {"terminated": False})
    assert tip == pytest.approx([-600.0], rel=2e-4)


@given(source_ohm=st.floats(1, 1000), load=st.sampled_from([(75.0, True), (37.5, "double"), (50.0, "fifty-ohm")]))
@settings(max_examples=30, deadline=None)
def test_any_source_impedance_divides_as_ohm_has_it(source_ohm: float, load: tuple[float, Any]) -> None:
    load_ohm, terminated = load
    expected = 714.3 * (source_ohm + 75) / 75 * load_ohm / (load_ohm + source_ohm)
    level = levels_of(unit_of(source_ohm=source_ohm), "green", {"terminated": terminated})["peak_white_mv"]
    assert level == pytest.approx(expected, rel=5e-4)


def test_one_channel_alone_can_lack_its_terminator() -> None:
    front = {"CH3": {"terminated": False}}
    assert level_mv(unit_of(), 2, front) == pytest.approx(714.3, rel=1e-4)
    assert level_mv(unit_of(), 3, front) == pytest.approx(2 * 700.0, rel=2e-4)


def test_ttl_sync_swings_volts_unloaded_and_shrinks_into_75_ohm() -> None:
    unit = unit_of(sync_level="ttl")
    times_s = 100 * unit.line_s + np.array([BLANKING_US, 2.0]) * 1e-6
    assert waveform_mv(unit, times_s, 4, {"terminated": False}) == pytest.approx([3400, 200], rel=1e-3)
    idle, tip = waveform_mv(unit, times_s, 4)
    assert idle == pytest.approx(3400 * 75 / 205, rel=1e-3)
    assert levels_of(unit, "sync")["sync_mv"] == pytest.approx(idle - tip, rel=1e-4)


def test_a_ten_times_probe_that_the_scope_is_not_told_of_reads_a_tenth() -> None:
    front = {"CH2": {"probe_ratio": 10}}
    assert level_mv(unit_of(), 2, front) == pytest.approx(71.43, rel=1e-3)
    assert level_mv(unit_of(), 2, front, probe=10.0) == pytest.approx(714.3, rel=1e-3)


def test_gain_and_offset_errors_of_the_front_end_show_and_truth_does_not_know_them() -> None:
    unit, front = unit_of(), {"CH2": {"gain_error_pct": 3, "offset_error_mv": 12}}
    assert level_mv(unit, 2, front) == pytest.approx(714.3 * 1.03, rel=1e-4)
    assert waveform_mv(unit, [100 * unit.line_s + 8.6e-6], 2, front) == pytest.approx([12.0], abs=0.01)
    assert levels_of(unit, "green", front)["peak_white_mv"] == pytest.approx(714.3, rel=1e-4)


def test_inverting_turns_the_trace_over() -> None:
    assert level_mv(unit_of(), 2, inverted=True) == pytest.approx(-714.3, rel=1e-4)


# ---------------------------------------------------------------------- the unit's impairments


@given(percent=st.floats(1, 300))
@settings(max_examples=20, deadline=None)
def test_gain_scales_the_level_and_the_truth_alike(percent: float) -> None:
    unit = unit_of(green={"gain_percent": percent})
    assert level_mv(unit) == pytest.approx(levels_of(unit, "green")["peak_white_mv"], rel=1e-4, abs=0.02)
    assert level_mv(unit) == pytest.approx(7.143 * percent, rel=1e-3)


def test_a_dc_offset_lifts_blanking() -> None:
    unit = unit_of(green={"dc_offset_mv": 250})
    blanking = waveform_mv(unit, [100 * unit.line_s + BLANKING_US * 1e-6])
    assert blanking == pytest.approx([250.0], abs=0.1)
    assert levels_of(unit, "green")["blanking_mv"] == pytest.approx(250.0, abs=0.1)


@pytest.mark.parametrize("pattern", ["white", "patch", "bars-75"])
@pytest.mark.parametrize("scan", ["progressive", "interlaced"])
def test_a_coupled_signal_is_what_a_high_pass_makes_of_the_uncoupled_one(pattern: str, scan: str) -> None:
    """Independent: scipy's bilinear one-pole high-pass over many fields, compared in its last one."""
    step_s, tau_s = 0.2e-6, 4e-3
    plain = unit_of(pattern=pattern, scan=scan)
    coupled = unit_of(pattern=pattern, scan=scan, green={"coupling_ms": 4.0, "dc_offset_mv": 500})
    times_s = np.arange(0, 0.1, step_s)
    numerator, denominator = scipy_signal.bilinear([tau_s, 0], [tau_s, 1], 1 / step_s)
    filtered = scipy_signal.lfilter(numerator, denominator, waveform_mv(plain, times_s))
    last = times_s > 0.06  # fourteen time constants after rest
    edge_free = np.abs(np.gradient(waveform_mv(plain, times_s[last]))) < 1
    difference = waveform_mv(coupled, times_s[last]) - filtered[last]
    assert np.abs(difference[edge_free]).max() < 0.25


def test_the_line_tilt_of_220_uf_into_150_ohm() -> None:
    """Line tilt over 52 us 0.157 % of the step against the mean: 1 - exp(-52 us / 33 ms)."""
    unit = unit_of(green={"coupling_ms": 33.0})
    times_s = 100 * unit.line_s + np.array([9.8e-6, 61.8e-6])
    start, end = waveform_mv(unit, times_s)
    assert (start - end) / start == pytest.approx(0.00157, rel=0.02)


def test_the_truth_of_a_coupled_signal_puts_its_mean_at_zero() -> None:
    unit = unit_of(green={"coupling_ms": 33.0, "dc_offset_mv": 400})
    frame_s = 262 * unit.line_s
    values = waveform_mv(unit, np.arange(0, frame_s, 50e-9))
    assert values.mean() == pytest.approx(0.0, abs=0.05)
    lit = 242 / 262 * (63.5556 - 10.7) / 63.5556
    assert levels_of(unit, "green")["blanking_mv"] == pytest.approx(-714.3 * lit, rel=1e-3)


def test_scope_coupling_blocks_the_offset() -> None:
    unit = unit_of(pattern="black", green={"dc_offset_mv": 800})
    assert waveform_mv(unit, [1e-3], coupling="AC") == pytest.approx([0.0], abs=0.05)
    assert waveform_mv(unit, [1e-3], coupling="GND") == pytest.approx([0.0], abs=0.05)


@pytest.mark.parametrize("bandwidth_mhz", [1.0, 2.0])
def test_a_bandwidth_slows_the_edge_as_one_pole_does(bandwidth_mhz: float) -> None:
    """Independent: the analytic step response of one pole, far from the edge's own 140 ns."""
    unit = unit_of(green={"bandwidth_mhz": bandwidth_mhz})
    since_us = np.linspace(0.3, 0.55, 50)
    values = waveform_mv(unit, 100 * unit.line_s + (9.2 + since_us) * 1e-6)
    slow = 714.3 - values
    constant_us = -np.diff(since_us)[0] / np.log(slow[1:] / slow[:-1])
    assert np.median(constant_us) == pytest.approx(1 / (2 * math.pi * bandwidth_mhz), rel=0.01)


def test_a_low_bandwidth_lowers_the_burst_as_one_pole_does() -> None:
    times_s = 100 * unit_of().line_s + np.linspace(6.1e-6, 7.3e-6, 500)
    plain = waveform_mv(unit_of(format="composite"), times_s, 1)
    narrow = waveform_mv(unit_of(format="composite", composite={"bandwidth_mhz": 3.0}), times_s, 1)
    assert np.ptp(narrow) / np.ptp(plain) == pytest.approx(1 / math.hypot(1, 3.5795 / 3.0), rel=0.02)


def test_compression_flattens_what_lies_above_its_knee() -> None:
    unit = unit_of(pattern="staircase-5", green={"compression": {"knee_mv": 500, "slope": 0.25}})
    middles_us = 9.2 + (np.arange(6) + 0.5) / 6 * (63.5556 - 10.7)
    treads = waveform_mv(unit, 100 * unit.line_s + middles_us * 1e-6)
    straight = 714.3 * np.arange(6) / 5
    assert treads == pytest.approx(np.where(straight > 500, 500 + 0.25 * (straight - 500), straight), abs=0.1)
    assert levels_of(unit, "green")["peak_white_mv"] == pytest.approx(500 + 0.25 * 214.3, abs=0.1)


def test_a_coupled_composite_that_is_compressed_first_is_still_a_high_pass_of_it() -> None:
    """Independent: scipy's high-pass of the compressed signal; the mean that chroma adds by being clipped counts."""
    step_s, squeeze = 20e-9, {"knee_mv": 600, "slope": 0.2}
    values = {"format": "composite", "pattern": "bars-100"}
    plain = unit_of(**values, composite={"compression": squeeze})
    coupled = unit_of(**values, composite={"compression": squeeze, "coupling_ms": 4.0})
    times_s = np.arange(0, 0.06, step_s)
    numerator, denominator = scipy_signal.bilinear([4e-3, 0], [4e-3, 1], 1 / step_s)
    filtered = scipy_signal.lfilter(numerator, denominator, waveform_mv(plain, times_s, 1))
    last = slice(-200_000, None)
    assert np.abs(waveform_mv(coupled, times_s[last], 1) - filtered[last]).max() < 0.25


def test_compression_of_composite_clips_the_chroma_that_rides_above_the_knee() -> None:
    unit = unit_of(format="composite", pattern="bars-100", composite={"compression": {"knee_mv": 750, "slope": 0}})
    times_s = np.arange(100, 101, 1e-4) * unit.line_s
    assert waveform_mv(unit, times_s, 1).max() == pytest.approx(750, abs=0.1)


def test_interference_has_its_size_and_frequency_and_is_not_locked_to_the_line() -> None:
    unit = unit_of(pattern="black", interference={"mv_pp": 40, "frequency_hz": 1.2345e6})
    times_s = np.arange(0, 2e-3, 20e-9)
    values = waveform_mv(unit, times_s)
    spectrum = np.abs(np.fft.rfft(values * np.hanning(values.size)))
    assert np.fft.rfftfreq(values.size, 20e-9)[spectrum.argmax()] == pytest.approx(1.2345e6, abs=500)
    assert np.ptp(values) == pytest.approx(40, rel=0.01)
    assert waveform_mv(unit, times_s, 4)[1000] in (pytest.approx(0, abs=0.1), pytest.approx(-300, abs=0.1))


def test_one_signal_can_have_interference_of_its_own() -> None:
    unit = unit_of(pattern="black", red={"interference": {"mv_pp": 10, "frequency_hz": 50}})
    times_s = np.arange(0, 0.04, 1e-5)
    assert np.ptp(waveform_mv(unit, times_s, 1)) == pytest.approx(10, rel=0.01)
    assert np.ptp(waveform_mv(unit, times_s, 2)) == pytest.approx(0, abs=0.01)


def test_line_jitter_has_the_stated_spread_and_moves_all_signals_together() -> None:
    unit = unit_of(line_jitter_ns=20)
    lines = np.arange(30, 230)
    falling_s = lines[:, None] * unit.line_s + np.arange(-150e-9, 150e-9, 2e-9)
    sync = waveform_mv(unit, falling_s.ravel(), 4).reshape(lines.size, -1)
    late_ns = np.array([np.interp(150, -row, np.arange(row.size) * 2.0) for row in sync]) - 150
    assert late_ns.std() == pytest.approx(20, rel=0.15)
    white = waveform_mv(unit, (falling_s + 9.2e-6).ravel(), 2).reshape(lines.size, -1)
    white_ns = np.array([np.interp(357.15, row, np.arange(row.size) * 2.0) for row in white]) - 150
    assert np.abs(white_ns - late_ns).max() < 1.0


def test_a_disconnected_signal_reads_zero_and_has_no_truth() -> None:
    unit = unit_of(green={"disconnected": True})
    assert level_mv(unit) == 0.0
    assert set(levels_of(unit, "green").values()) == {"CH2", None}


@pytest.mark.parametrize("pattern", ["white", "patch", "ramp", "pulse-and-bar", "bars-75", "bars-100", "black"])
@pytest.mark.parametrize("form", ["rgb-sync", "luma-sync"])
def test_truth_names_the_highest_level_of_every_pattern(pattern: str, form: str) -> None:
    unit = unit_of(pattern=pattern, format=form, setup_mv=40, nominal_mv=700)
    channel, role = (2, "green") if form == "rgb-sync" else (1, "luma")
    times_s = np.arange(150, 152, 1e-4) * unit.line_s  # crosses the patch
    highest = waveform_mv(unit, times_s, channel).max()
    assert highest == pytest.approx(levels_of(unit, role)["peak_white_mv"], abs=0.15)
    assert levels_of(unit, role)["black_mv"] == pytest.approx(40, abs=0.01)


def test_the_patch_is_on_a_minority_of_lines() -> None:
    unit = unit_of(pattern="patch")
    start_us, stop_us = 9.2, 63.5556 - 1.5
    centre_s = (start_us + 0.65 * (stop_us - start_us)) * 1e-6
    lit = waveform_mv(unit, np.arange(262) * unit.line_s + centre_s) > 357
    assert 25 < lit.sum() < 40


# ---------------------------------------------------------------------- converter and noise


@pytest.mark.parametrize(("bits", "per_div", "top"), [(8, 25, 255), (12, 400, 4095)])
def test_the_converter_rounds_and_has_rails(bits: int, per_div: int, top: int) -> None:
    adc = Adc(bits)
    assert (adc.codes_per_div, adc.top) == (per_div, top)
    wanted = np.array([-50.0, -0.4, 0.6, 100.4, 100.6, top + 0.4, top + 90.0], dtype=np.float32)
    assert adc.convert(wanted).tolist() == [0, 0, 1, 100, 101, top, top]


def test_a_range_that_is_too_small_drives_the_codes_to_the_rail() -> None:
    seen = trace(unit_of(), Front(), 2, ChannelSettings(on=True, volts_per_div=0.1), Adc(8))
    (codes,) = record([seen], Adc(8), 100 * unit_of().line_s, 1e-8, 6000, (1,))
    assert codes.max() == 255
    assert (codes == 255).sum() > 4000


@pytest.mark.parametrize("step_s", [1e-9, 20e-9])
@pytest.mark.parametrize("limited", [True, False])
def test_front_end_noise_has_the_stated_rms_in_any_band(step_s: float, limited: bool) -> None:
    told = ChannelSettings(on=True, volts_per_div=0.05, bandwidth_limited=limited)
    seen = trace(unit_of(pattern="black"), changed_front(Front(), {"noise_mv_rms": 5}), 2, told, Adc(12))
    (codes,) = record([seen], Adc(12), 0.0, step_s, 200_000, (3,))
    assert codes.std() * 0.125 == pytest.approx(5.0, rel=0.03)


def test_noise_is_gaussian_and_independent() -> None:
    """Independent: scipy's normal distribution, and the autocorrelation of white noise."""
    values = white(np.random.SFC64(4), 200_000).astype(float)
    assert scipy_stats.kstest(values, "norm").pvalue > 0.01
    assert (values.mean(), values.std()) == (pytest.approx(0, abs=0.01), pytest.approx(1, abs=0.01))
    assert (np.abs(values) > 3).mean() == pytest.approx(0.0027, rel=0.15)
    spectrum = np.abs(np.fft.rfft(values, 1 << 19)) ** 2
    correlation = np.fft.irfft(spectrum)[1:50] / values.size
    assert np.abs(correlation).max() < 5 / math.sqrt(values.size)


def test_the_bandwidth_limit_takes_the_high_frequencies_out_of_the_noise() -> None:
    told = ChannelSettings(on=True, volts_per_div=0.05, bandwidth_limited=True)
    seen = trace(unit_of(pattern="black"), changed_front(Front(), {"noise_mv_rms": 5}), 2, told, Adc(12))
    (codes,) = record([seen], Adc(12), 0.0, 1e-9, 200_000, (3,))
    frequency_hz, density = scipy_signal.welch(codes.astype(float), 1e9, nperseg=1024)
    low, corner = (density[np.abs(frequency_hz - f) < 2e6].mean() for f in (4e6, 20e6))
    assert corner / low == pytest.approx(0.52, abs=0.08)  # one pole: half power at its corner, 0.96 at 4 MHz


def test_noise_without_a_setting_is_six_tenths_of_a_code() -> None:
    seen = trace(unit_of(pattern="black"), Front(), 2, ChannelSettings(on=True, volts_per_div=0.2), Adc(8))
    assert seen.noise_codes == pytest.approx(0.625)


def test_the_units_noise_adds_in_quadrature_and_is_divided_by_the_load() -> None:
    unit, front = unit_of(noise_mv_rms=8), changed_front(Front(), {"noise_mv_rms": 6, "terminated": False})
    seen = trace(unit, front, 2, ChannelSettings(on=True, volts_per_div=0.2), Adc(12))
    assert seen.noise_codes * 0.5 == pytest.approx(math.hypot(16, 6), rel=1e-3)


def test_records_in_pieces_equal_the_waveform_at_every_sample() -> None:
    """A record longer than one piece of work has no seam."""
    adc, unit = Adc(12), unit_of(pattern="bars-75", format="composite")
    quiet = trace(
        unit, changed_front(Front(), {"noise_mv_rms": 0}), 1, ChannelSettings(on=True, volts_per_div=0.3), adc
    )
    (codes,) = record([quiet], adc, 0.0123, 7e-9, 100_000, (1,))
    expected = noiseless([quiet], np.linspace(0.0123, 0.0123 + 7e-9 * 99_999, 100_000))[0]
    assert np.abs(codes - expected).max() < 0.52


# ---------------------------------------------------------------------- trigger, memory, clocks


def scope(clock: Any = None, bits: int = 12, **unit: Any) -> Instrument:
    instrument = Instrument(Adc(bits), clock or FastClock(), 5, unit_of(**unit), 10)
    for channel in (1, 2, 3, 4):
        instrument.set_channel(channel, on=True, volts_per_div=0.2)
    instrument.set_trigger(channel=4, level_v=-0.15, rising=False)
    instrument.set_horizontal(samples=10_000, seconds_per_div=20e-6)
    return instrument


def run(work: Any) -> Any:
    return asyncio.run(work)


async def captured(instrument: Instrument) -> Any:
    instrument.single()
    await instrument.idle()
    return instrument.memory


def test_the_trigger_instant_is_the_crossing_to_a_fraction_of_a_sample() -> None:
    async def errors_ns() -> list[float]:
        instrument, found = scope(), []
        instrument.set_front(changed_front(instrument.front, {"noise_mv_rms": 0}))
        for _ in range(40):
            memory = await captured(instrument)
            values = (memory.codes[4].astype(float) - 2048) / 400 * 0.2
            times_s = memory.horizontal.first_s + memory.horizontal.step_s * np.arange(values.size)
            near = np.flatnonzero((values[:-1] > -0.15) & (values[1:] <= -0.15))
            near = near[np.abs(times_s[near]).argmin()]
            share = (values[near] + 0.15) / (values[near] - values[near + 1])
            found.append((times_s[near] + share * memory.horizontal.step_s) * 1e9)
        return found

    errors = np.array(run(errors_ns()))
    assert np.abs(errors).max() < 2.0
    assert errors.std() > 0.1


@pytest.mark.parametrize(("rising", "level_v"), [(False, -0.05), (True, -0.25), (True, 0.3)])
def test_slope_and_level_are_obeyed(rising: bool, level_v: float) -> None:
    async def around() -> tuple[float, float]:
        instrument = scope()
        instrument.set_trigger(channel=4 if level_v < 0 else 2, rising=rising, level_v=level_v)
        memory = await captured(instrument)
        values = (memory.codes[instrument.trigger.channel].astype(float) - 2048) / 400 * 0.2
        middle = values.size // 2
        return float(values[middle - 3]), float(values[middle + 3])

    before, after = run(around())
    assert (before < level_v < after) if rising else (before > level_v > after)


def test_captures_land_on_many_different_lines() -> None:
    async def lines() -> set[int]:
        instrument = scope()
        return {int((await captured(instrument)).start_s / instrument.unit.line_s) % 262 for _ in range(30)}

    assert len(run(lines())) > 20


def test_without_a_crossing_normal_waits_until_forced_and_auto_does_not() -> None:
    async def states() -> tuple[bool, bool, bool]:
        instrument = scope()
        instrument.set_trigger(level_v=5.0, mode="NORMAL")
        instrument.single()
        waited = instrument.armed
        instrument.force()
        forced = not instrument.armed
        instrument.set_trigger(mode="AUTO")
        await captured(instrument)
        return waited, forced, not instrument.armed

    assert run(states()) == (True, True, True)


def test_a_waiting_scope_triggers_when_the_unit_comes_alive() -> None:
    async def armed() -> tuple[bool, bool]:
        instrument = scope(sync={"disconnected": True})
        instrument.set_trigger(mode="NORMAL")
        instrument.single()
        before = instrument.armed
        instrument.set_unit(unit_of())
        return before, instrument.armed

    assert run(armed()) == (True, False)


def test_by_the_real_clock_an_acquisition_takes_its_record_time() -> None:
    async def taken_s() -> float:
        instrument = scope(RealClock())
        instrument.set_horizontal(seconds_per_div=10e-3)
        start_s = time.monotonic()
        await captured(instrument)
        return time.monotonic() - start_s

    assert run(taken_s()) >= 0.1


def test_by_the_fast_clock_a_second_of_record_completes_at_once() -> None:
    async def armed() -> bool:
        instrument = scope()
        instrument.set_horizontal(seconds_per_div=1.0)
        instrument.single()
        return instrument.armed

    assert run(armed()) is False


def test_a_changed_unit_does_not_change_the_record_in_memory() -> None:
    async def tops() -> tuple[int, int]:
        instrument = scope()
        memory = await captured(instrument)
        instrument.set_unit(unit_of(green={"gain_percent": 50}))
        return int(memory.codes[2].max()), int(instrument.memory.codes[2].max() if instrument.memory else 0)

    first, second = run(tops())
    assert first == second > 3000


@given(start_s=st.floats(-1, 5000), step_s=st.floats(1e-9, 1e-5), offset=st.floats(-500, 500))
@settings(max_examples=40, deadline=None)
def test_no_instant_and_no_rate_leaves_the_range_of_the_signal(start_s: float, step_s: float, offset: float) -> None:
    unit = unit_of(green={"dc_offset_mv": offset, "coupling_ms": None})
    values = waveform_mv(unit, start_s + step_s * np.arange(2000))
    assert values.min() > offset - 1
    assert values.max() < offset + 716


def test_an_empty_input_is_flat() -> None:
    flat = noiseless([Trace(None, 0.0, 100.0)], np.arange(5.0))[0]
    assert flat.tolist() == [100.0] * 5


@pytest.mark.parametrize(("clock", "at_once"), [(RealClock, True), (FastClock, False)])
def test_at_the_real_clock_an_acquisition_has_its_samples_before_it_is_complete(clock: Any, at_once: bool) -> None:
    async def has_samples() -> bool:
        return "codes" in vars(await captured(scope(clock())))

    assert run(has_samples()) is at_once
