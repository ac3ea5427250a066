"""Calibrations on a capture: which hold, what they correct, what they do to the budget, and why others are refused."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from made_video import Made, capture_of, digitised, luma, rgb_sync, white
from peakwhite.daemon.measure.averaged_line import LinesUnderSync, LineView
from peakwhite.daemon.measure.calibrated import NEAR_STATES, NS_PER_DAY, serial_of, state_of
from peakwhite.daemon.measure.calibration import Calibration, Compared, Gain, SignalPath, Terminator, Way
from peakwhite.daemon.measure.engine import budgets, measure_capture, measuring_of
from peakwhite.daemon.measure.expected import expected_u95_mv
from peakwhite.daemon.measure.explain import explain
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.reading import ChannelReading
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture, GainSpec

TRUE_MV = 700.0
OFF = 1.025
MADE = Made(seed=4)
IDENTITY = "MAKER,MODEL-4,SN77,1.0"
COMPARED = Compared(1.0 / OFF, 0.5, 0.002, 0.5)
PATH = SignalPath(0.008, 1.6, "coax", 1.0)


def capture(identity: str = IDENTITY) -> Capture:
    """Red, green and blue of 700 mV and a sync, of which the scope reads red 2.5 % too high."""
    made = rgb_sync(MADE, white(TRUE_MV * OFF), white(TRUE_MV), white(TRUE_MV))
    return replace(made, identity=identity, gain_spec=GainSpec(3.0))


def states(*volts: float) -> tuple[float, ...]:
    record = capture().channels[0]
    return tuple(state for one in volts if (state := state_of(record, one)) is not None)


def calibration(way: Way = "supply", **gain: Any) -> Calibration:
    """Made an hour before the capture."""
    made_at_ns = capture().captured_at_ns - NS_PER_DAY // 24
    given: dict[str, Any] = {"compared": COMPARED, "path": PATH, "states": states(0.0, 0.73)} | gain
    return Calibration(way, made_at_ns, "SN77", "CH1", gain=Gain(**given))


def terminator(ohm: float = 74.25, u_ohm: float = 0.2) -> Calibration:
    return Calibration("terminator", capture().captured_at_ns, "SN77", "CH1", terminator=Terminator(ohm, u_ohm))


def conditions(*calibrations: Calibration, **more: Any) -> Conditions:
    return Conditions(**({"hookup": BENCH_DEFAULT} | more), calibrations=calibrations)


def red(*calibrations: Calibration, of: Capture | None = None, **more: Any) -> ChannelReading:
    return measure_capture(of or capture(), conditions(*calibrations, **more)).channels[0]


def value(number: float | None) -> float:
    assert number is not None
    return number


def refusal(reading: ChannelReading) -> str:
    texts = [hint.text for hint in reading.hints if hint.code == "calibration-refused"]
    assert len(texts) == 1, reading.hints
    return texts[0]


def codes(reading: ChannelReading) -> set[str]:
    return {hint.code for hint in reading.hints}


def test_a_calibration_makes_the_level_right_within_a_smaller_uncertainty() -> None:
    before, after = red(), red(calibration())
    assert value(before.peak_white_mv) == pytest.approx(TRUE_MV * OFF, abs=1.0)
    assert abs(value(before.peak_white_mv) - TRUE_MV) < value(before.u95_mv)
    assert value(after.peak_white_mv) == pytest.approx(TRUE_MV, abs=1.0)
    assert abs(value(after.peak_white_mv) - TRUE_MV) < value(after.u95_mv) < 0.35 * value(before.u95_mv)
    assert not codes(after)


def test_only_its_own_channel_is_corrected() -> None:
    plain, corrected = (measure_capture(capture(), conditions(*some)) for some in ((), (calibration(),)))
    assert plain.channels[1:] == corrected.channels[1:]


def test_the_uncertainty_is_that_of_an_independent_drawing() -> None:
    """Meter 0.5 %, comparison 0.2 %, terminator 1 % by half, each of two states off by a normal 0.5 mV."""
    random = np.random.default_rng(8)
    draws = 400_000
    drawn_mv = TRUE_MV * (
        random.uniform(-0.005, 0.005, draws) + random.normal(0.0, 0.002, draws) + random.uniform(-0.005, 0.005, draws)
    ) + random.normal(0.0, 0.5 * np.sqrt(2.0), draws)
    half_mv = float(np.quantile(np.abs(drawn_mv), 0.95))
    assert value(red(calibration()).u95_mv) == pytest.approx(half_mv, rel=0.03)


def test_the_budget_shows_the_calibration_in_the_place_of_the_specification() -> None:
    link = Hookup((Clip("CH1", "red", link="probe-10x"), *BENCH_DEFAULT.clips[1:]))
    path = replace(PATH, link="probe-10x")
    made = conditions(calibration(path=path), hookup=link)
    names = [item.name for item in budgets(capture(), made)[0].items]
    assert {"calibrating meter ±0.5 %", "calibration", "ADC linearity, white", "termination"} <= set(names)
    assert not {"scope gain ±3 %", "probe ratio"} & set(names)
    assert {item.kind for item in budgets(capture(), made)[0].items if item.name != "noise"} == {"per-channel"}
    told = explain(capture(), made)
    assert "calibrating meter ±0.5 %" in told.split("CH2")[0]
    assert "scope gain ±3 %" not in told.split("CH2")[0] and "scope gain ±3 %" in told.split("CH2")[1]


def test_linearity_is_known_where_it_was_compared_and_unknown_far_away() -> None:
    def size_mv(way: Way, *volts: float) -> float:
        made = conditions(calibration(way, states=states(*volts)))
        items = budgets(capture(), made)[0].items
        return next(item.standard_mv for item in items if item.name == "ADC linearity, white")

    white_v, near_v = TRUE_MV * OFF / 1e3, TRUE_MV * OFF / 1e3 - 0.5 * NEAR_STATES * 0.008
    state_mv = 0.5 * 8.0 / OFF / np.sqrt(3.0)
    assert size_mv("multimeter", 0.0, white_v) == pytest.approx(0.5, abs=0.01)
    assert size_mv("multimeter", 0.0, near_v) == pytest.approx(np.hypot(0.5, state_mv / 2.0), rel=0.02)
    assert size_mv("multimeter", 0.0, 0.3) == pytest.approx(np.hypot(0.5, state_mv), rel=0.01)
    assert size_mv("multimeter", 0.0, 1.2) == pytest.approx(np.hypot(0.5, state_mv), rel=0.01)
    assert size_mv("supply", 0.0, 1.2) == pytest.approx(0.5, abs=0.01)
    assert size_mv("supply", 0.0, 0.5) == pytest.approx(np.hypot(0.5, state_mv), rel=0.01)
    assert size_mv("supply") == pytest.approx(np.hypot(0.5, state_mv), rel=0.01)


def test_a_measured_terminator_corrects_the_level_and_takes_its_tolerances_place() -> None:
    plain, corrected = red(), red(terminator())
    assert value(corrected.peak_white_mv) == pytest.approx(value(plain.peak_white_mv) * 1.00505, rel=1e-4)
    items = {item.name: item for item in budgets(capture(), conditions(terminator()))[0].items}
    assert "termination" not in items
    assert items["termination, measured"].standard_mv == pytest.approx(0.5 * 0.2 / 74.25 * 721.0, rel=0.01)


def test_a_measured_terminator_says_nothing_where_another_load_stands() -> None:
    monitor = Hookup((Clip("CH1", "red", load="monitor"), *BENCH_DEFAULT.clips[1:]))
    assert red(terminator(), hookup=monitor) == red(hookup=monitor)


def test_gain_and_terminator_go_together() -> None:
    both = red(calibration(), terminator())
    assert value(both.peak_white_mv) == pytest.approx(TRUE_MV * 1.00505, abs=1.0)
    assert value(both.u95_mv) < value(red(calibration()).u95_mv)


REFUSED: dict[str, tuple[Callable[[Calibration], Calibration], str]] = {
    "serial": (lambda one: replace(one, serial="SN78"), "it was made on the scope SN78, and this one is SN77"),
    "expired": (lambda one: replace(one, made_at_ns=one.made_at_ns - 90 * NS_PER_DAY), "has expired"),
    "range": (lambda one: calibration(path=replace(PATH, volts_per_state=0.008 * (1 + 2e-6))), "on another range"),
    "screen": (lambda one: calibration(path=replace(PATH, full_scale_v=2.0)), "2 V full scale, and this one is 1.6 V"),
    "link": (lambda one: calibration(path=replace(PATH, link="probe-1x")), "through probe-1x, ratio 1, and this is coax"),
    "ratio": (lambda one: calibration(path=replace(PATH, probe_ratio=10.0)), "coax, ratio 10, and this is coax, ratio 1"),
}  # fmt: skip


@pytest.mark.parametrize(("other", "why"), REFUSED.values(), ids=REFUSED.keys())
def test_what_does_not_hold_is_refused_with_its_reason(other: Callable[[Calibration], Calibration], why: str) -> None:
    refused = red(other(calibration()))
    assert why in refusal(refused)
    assert replace(refused, hints=()) == red()
    assert "calibration-refused" not in codes(red(calibration()))


def test_a_range_within_a_millionth_is_the_same() -> None:
    assert not codes(red(calibration(path=replace(PATH, volts_per_state=0.008 * (1 + 0.5e-6)))))


def test_days_of_validity_count() -> None:
    old = replace(calibration(), made_at_ns=calibration().made_at_ns - 90 * NS_PER_DAY, valid_days=91.0)
    assert not codes(red(old))


@pytest.mark.parametrize("identity", ["capture.csv", "MAKER,MODEL", "MAKER,MODEL,,1.0", "MAKER,MODEL,0,1.0"])
def test_a_capture_that_does_not_name_its_scope_takes_none(identity: str) -> None:
    assert "does not say which scope" in refusal(red(calibration(), of=capture(identity)))


def test_a_capture_without_a_time_takes_none() -> None:
    assert "does not say when" in refusal(red(calibration(), of=replace(capture(), captured_at_ns=0)))


def test_calibrations_of_other_channels_are_no_reason_for_a_hint() -> None:
    assert red(replace(calibration(), channel="CH2", serial="SN78")) == red()


def test_one_that_holds_silences_those_that_do_not() -> None:
    others = [other(calibration()) for other, _ in REFUSED.values()]
    assert red(*others, calibration()) == red(calibration())


def test_the_latest_of_several_holds() -> None:
    later = replace(calibration(compared=replace(COMPARED, factor=0.99)), made_at_ns=calibration().made_at_ns + 1)
    assert value(red(later, calibration()).peak_white_mv) == value(red(calibration(), later).peak_white_mv)
    assert value(red(later).peak_white_mv) == value(red(calibration(), later).peak_white_mv)


def test_the_reason_told_is_that_of_this_scopes_own_calibration() -> None:
    foreign = replace(calibration(), serial="SN78", made_at_ns=calibration().made_at_ns + 1)
    assert "another range" in refusal(red(foreign, calibration(path=replace(PATH, volts_per_state=0.02))))


def test_sync_and_noise_of_a_channel_are_corrected_with_its_white() -> None:
    record = digitised(MADE, "CH1", OFF * luma(MADE, white(TRUE_MV)))
    of = replace(capture_of(MADE, record), identity=IDENTITY)
    hookup = Hookup((Clip("CH1", "luma"),))
    read, true = red(of=of, hookup=hookup), red(calibration(), of=of, hookup=hookup)
    for name in ("peak_white_mv", "sync_mv", "blanking_mv", "average_mv", "noise_mv_rms"):
        assert value(getattr(true, name)) == pytest.approx(value(getattr(read, name)) / OFF, rel=1e-4, abs=1e-3)
    assert true.picture_to_sync == pytest.approx(read.picture_to_sync, rel=1e-4)


def test_the_averaged_line_is_corrected_too() -> None:
    tops = []
    for some in ((), (calibration(),)):
        line = LinesUnderSync(measuring_of(capture(), conditions(*some))).drawn(LineView(400))
        assert line is not None
        trace = line.traces[0]
        tops.append((float(np.median(trace.pairs[0, 100:300])) * trace.mv_per_count, trace.evidence.level_mv or 0.0))
    assert tops[1] == pytest.approx([top / OFF for top in tops[0]], rel=1e-3)


def test_nothing_is_assumed_of_a_scope_whose_channels_are_all_calibrated() -> None:
    unknown = replace(capture(), gain_spec=None)
    each = [replace(calibration(), channel=f"CH{number}") for number in (1, 2, 3)]
    for some, assumed in ((each[:2], True), (each, False)):
        found = measure_capture(unknown, conditions(*some))
        assert ("accuracy-assumed" in {hint.code for hint in found.hints}) is assumed


def test_a_calibrated_scope_can_decide_what_an_uncalibrated_one_cannot() -> None:
    """703 mV: eleven under the edge, which ±3 % may hide and 1 % does not."""
    made = replace(rgb_sync(MADE, white(703.0), white(703.0), white(703.0)), identity=IDENTITY, gain_spec=GainSpec(3.0))
    straight = calibration(compared=replace(COMPARED, factor=1.0))
    assert red(of=made).verdict == "unsure"
    assert red(straight, of=made).verdict == "leave-it"
    assert value(red(straight, of=made).aim_mv) > value(red(of=made).aim_mv) + 10.0


def test_what_is_expected_beforehand_is_what_a_reading_then_tells() -> None:
    made = conditions(calibration())
    reading = red(calibration())
    expected = expected_u95_mv(
        value(reading.peak_white_mv), capture(), made, "CH1", blanking_mv=0.0, noise_mv=value(reading.noise_mv_rms)
    )
    assert expected == pytest.approx(value(reading.u95_mv), rel=0.01)


@pytest.mark.parametrize(
    ("identity", "serial"),
    [("A,B,C123,1.0", "C123"), ("A, B , C123 ,v1,x", "C123"), ("A,B,0,1", None), ("A,B,C", None), ("a.csv", None)],
)
def test_the_serial_is_the_third_field_of_four(identity: str, serial: str | None) -> None:
    assert serial_of(identity) == serial
