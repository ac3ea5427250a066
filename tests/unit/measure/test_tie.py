"""Probes tied on one output: what is learnt, when it holds, and what a match then says."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from made_video import Made, capture_of, digitised, picture_wave, rgb_sync, steps, sync_wave, white
from peakwhite.daemon.measure.budget import budget
from peakwhite.daemon.measure.calibrated import NS_PER_DAY, Calibrated
from peakwhite.daemon.measure.calibration import Calibration, Compared, Gain, SignalPath, Terminator, Tie, Tied, Way
from peakwhite.daemon.measure.delay import delay_between
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.level_budget import LevelBudget
from peakwhite.daemon.measure.levels import Levels
from peakwhite.daemon.measure.match import match
from peakwhite.daemon.measure.reading import MatchReading
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.measure.tie_learnt import learn_tie
from peakwhite.daemon.measure.uncertainty import Item
from peakwhite.drivers.capture import Capture, GainSpec
from peakwhite.drivers.errors import InstrumentError, UsageError

MADE = Made(seed=3, noise_mv=6.0)
IDENTITY = "MAKER,MODEL-4,SN77,1.0"
GAINS = (1.02, 0.985, 1.0)
PATH = SignalPath(0.008, 1.6, "coax", 1.0)
HERE = Conditions(BENCH_DEFAULT)


def capture(levels_mv: tuple[float, float, float], made: Made = MADE, gains: tuple[float, ...] = GAINS) -> Capture:
    """Red, green and blue of these levels as channels of these gains read them, and sync."""
    red, green, blue = (white(level_mv * gain) for level_mv, gain in zip(levels_mv, gains, strict=True))
    return replace(rgb_sync(made, red, green, blue), identity=IDENTITY, gain_spec=GainSpec(3.0))


def tied_conditions(*, drop: str = "", **of_calibration: Any) -> Conditions:
    """The bench with a tie learnt at 700 mV, an hour ago; without the channel `drop`."""
    learnt = learn_tie([capture((700.0, 700.0, 700.0), replace(MADE, seed=9))], HERE)
    given: dict[str, Any] = {"made_at_ns": capture((1.0, 1.0, 1.0)).captured_at_ns - NS_PER_DAY // 24, "serial": "SN77"}
    made = [
        Calibration("tie", channel=channel, tie=tie, **(given | of_calibration))
        for channel, tie in learnt.items()
        if channel != drop
    ]
    return replace(HERE, calibrations=tuple(made))


def found(reading: MatchReading | None) -> MatchReading:
    assert reading is not None and reading.spread_mv is not None and reading.u95_mv is not None
    return reading


def refusals(capture: Capture, conditions: Conditions) -> set[str]:
    measured = measure_capture(capture, conditions)
    hints = (*measured.hints, *(hint for channel in measured.channels for hint in channel.hints))
    return {hint.text for hint in hints if hint.code == "calibration-refused"}


def test_relative_gains_are_learnt_against_the_first_channel() -> None:
    learnt = learn_tie([capture((700.0, 700.0, 700.0))], HERE)
    assert list(learnt) == ["CH1", "CH2", "CH3"]
    assert {tie.reference for tie in learnt.values()} == {"CH1"}
    for tie, gain in zip(learnt.values(), GAINS, strict=True):
        assert tie.relative_gain == pytest.approx(gain / GAINS[0], abs=4.0 * 1.5 * tie.own_u)
        assert 0.0 < tie.own_u < 0.001
        assert tie.states == pytest.approx((78.0, 78.0 + 700.0 * gain / 8.0), abs=0.2)
    assert learnt["CH1"].relative_gain == 1.0 and learnt["CH1"].delay_ns == 0.0


def test_another_channel_may_be_the_reference() -> None:
    learnt = learn_tie([capture((700.0, 700.0, 700.0))], HERE, "CH3")
    assert learnt["CH3"].relative_gain == 1.0
    assert learnt["CH1"].relative_gain == pytest.approx(1.02, abs=0.002)


def test_several_captures_tell_the_noise_better() -> None:
    captures = [capture((700.0,) * 3, replace(MADE, seed=seed)) for seed in (9, 19, 29, 39)]
    one, four = (learn_tie(some, HERE)["CH2"].own_u for some in (captures[:1], captures))
    assert four == pytest.approx(one / 2.0, rel=0.3)


def test_without_noise_a_state_of_the_adc_limits_the_tie() -> None:
    quiet = learn_tie([capture((700.0,) * 3, replace(MADE, noise_mv=0.4))], HERE)["CH2"]
    two_rectangles = math.sqrt(2.0) * 4.0 / math.sqrt(3.0)
    assert quiet.own_u * 700.0 == pytest.approx(two_rectangles, rel=0.05)


def shifted(made: Made, name: str, delay_ns: float, index: int, rise_us: float = 0.1) -> Any:
    late = replace(made, raster=replace(made.raster, first_us=made.raster.first_us + delay_ns * 1e-3))
    return digitised(made, name, picture_wave(late, steps([0.0, 700.0, 200.0, 650.0], rise_us=rise_us)), index)


@pytest.mark.parametrize("delay_ns", [-35.0, -3.0, 0.0, 4.9, 50.0])
@pytest.mark.parametrize("sample_ns", [10.0, 40.0])
def test_a_delay_is_found_to_a_fraction_of_a_sample(delay_ns: float, sample_ns: float) -> None:
    made = replace(MADE, sample_ns=sample_ns, samples=round(12_000 * 40 / sample_ns))
    first, second = shifted(made, "CH1", 0.0, 1), shifted(made, "CH2", delay_ns, 2)
    edges_us = np.array([made.raster.first_us + made.raster.period_us * line for line in range(7)])
    found = delay_between(first, second, made.sample_ns * 1e-9, edges_us)
    assert found is not None and found.u_ns is not None
    assert found.ns == pytest.approx(delay_ns, abs=max(4.0 * found.u_ns, 0.2))
    assert 0.0 < found.u_ns < 1.0
    assert found.alike > 0.99


def test_offset_and_delay_are_learnt_and_kept_beside_the_gain() -> None:
    sync = digitised(MADE, "CH4", -285.7 * sync_wave(MADE), 4)
    late = shifted(MADE, "CH2", 12.0, 2)
    late = replace(late, volts_at_code_zero=late.volts_at_code_zero + 0.005)
    made = replace(capture_of(MADE, shifted(MADE, "CH1", 0.0, 1), late, sync), identity=IDENTITY)
    learnt = learn_tie(
        [made], replace(HERE, hookup=Hookup((Clip("CH1", "red"), Clip("CH2", "green"), Clip("CH4", "sync"))))
    )
    assert learnt["CH2"].delay_ns == pytest.approx(12.0, abs=1.5)
    assert learnt["CH2"].offset_mv == pytest.approx(5.0, abs=0.6)


def bars(made: Made, name: str, levels_mv: list[float], index: int) -> Any:
    return digitised(made, name, picture_wave(made, steps(levels_mv)), index)


def untied_captures() -> dict[str, tuple[Capture, type[Exception], str]]:
    sync = digitised(MADE, "CH4", -285.7 * sync_wave(MADE), 4)
    red, black = bars(MADE, "CH1", [0.0, 700.0, 200.0, 700.0], 1), [0.0, 0.0]
    others = bars(MADE, "CH2", [700.0, 0.0, 700.0, 200.0], 2), bars(MADE, "CH3", [0.0, 700.0, 200.0, 700.0], 3)
    return {
        "half": (capture((700.0, 350.0, 700.0)), InstrumentError, "CH2: it reads 0.48"),
        "another picture": (
            capture_of(MADE, red, *others, sync),
            InstrumentError,
            "CH2: it does not see what CH1 sees",
        ),
        "dark": (capture_of(MADE, red, bars(MADE, "CH2", black, 2), others[1], sync), InstrumentError, "CH2: no white"),
        "clipped": (capture((1600.0,) * 3), InstrumentError, "CH1: no white"),
    }


@pytest.mark.parametrize("name", ["half", "another picture", "dark", "clipped"])
def test_probes_that_are_not_on_one_output_are_refused(name: str) -> None:
    made, kind, told = untied_captures()[name]
    with pytest.raises(kind) as refused:
        learn_tie([made], HERE)
    assert str(refused.value).startswith(told)


@pytest.mark.parametrize(
    ("green", "told"),
    [
        (0.91, "CH2: it reads 9.0 % less than CH1, and the accuracy of both allows 6."),
        (1.09, "CH2: it reads 9.0 % more than CH1"),
    ],
)
def test_what_lies_further_apart_than_both_gains_allow_is_the_unit_and_no_tie(green: float, told: str) -> None:
    made = capture((700.0,) * 3, gains=(1.0, green, 1.0))
    with pytest.raises(InstrumentError) as refused:
        learn_tie([made], HERE)
    assert str(refused.value).startswith(told)
    assert str(refused.value).endswith(
        "; put all probes on one output; if they are, state the gain accuracy in the settings"
    )


def test_a_scope_that_is_known_to_be_worse_may_be_tied_though_its_channels_lie_further_apart() -> None:
    made = capture((700.0,) * 3, gains=(1.0, 0.92, 1.0))
    assert learn_tie([made], replace(HERE, gain_spec=GainSpec(5.0)))["CH2"].relative_gain == pytest.approx(
        0.92, abs=2e-3
    )


@pytest.mark.parametrize("green", [0.945, 1.055])
def test_channels_at_the_far_ends_of_their_accuracy_are_tied(green: float) -> None:
    assert learn_tie([capture((700.0,) * 3, gains=(1.0, green, 1.0))], HERE)["CH2"].relative_gain == pytest.approx(
        green, abs=2e-3
    )


def test_a_tie_needs_two_colours_and_a_reference_among_them() -> None:
    made = capture((700.0,) * 3)
    with pytest.raises(UsageError, match="1 channel carries a colour"):
        learn_tie([made], replace(HERE, hookup=Hookup((Clip("CH1", "red"), Clip("CH4", "sync")))))
    with pytest.raises(UsageError, match="CH4 carries no colour"):
        learn_tie([made], HERE, "CH4")


def test_a_channel_that_is_not_in_the_capture_is_named() -> None:
    there = capture((700.0,) * 3)
    with pytest.raises(UsageError, match="there is no channel CH2 in the capture; name those that are in it"):
        learn_tie([replace(there, channels=(there.channels[0], *there.channels[2:]))], HERE)


def test_a_tie_that_does_not_hold_is_not_spoken_of_where_there_is_nothing_to_match() -> None:
    other = replace(capture((700.0,) * 3), identity=IDENTITY.replace("SN77", "SN78"))
    conditions = tied_conditions()
    assert refusals(other, conditions)
    assert not refusals(other, replace(conditions, hookup=Hookup((Clip("CH1", "red"), Clip("CH4", "sync")))))


def test_a_range_that_changed_on_the_way_is_refused() -> None:
    coarse = capture((700.0,) * 3, replace(MADE, lsb_mv=16.0))
    with pytest.raises(InstrumentError, match="range changed"):
        learn_tie([capture((700.0,) * 3), coarse], HERE)


def test_tied_channels_show_the_spread_of_the_signals_not_of_the_channels() -> None:
    made = capture((710.0, 700.0, 698.0))
    untied, tied = (found(measure_capture(made, one).match) for one in (HERE, tied_conditions()))
    assert (untied.method, untied.highest, untied.lowest) == ("untied", "red", "green")
    assert untied.spread_mv == pytest.approx(710.0 * 1.02 - 700.0 * 0.985, abs=2.0)
    assert (tied.method, tied.highest, tied.lowest) == ("tied", "red", "blue")
    assert tied.spread_mv == pytest.approx(12.0 * 1.02, abs=1.5), "in millivolts of CH1, which reads 2 % high"
    assert untied.u95_mv is not None and untied.u95_mv > 30.0
    assert tied.u95_mv is not None and tied.u95_mv < 7.0
    assert untied.ok is None


def level(role: str, mv: float, *items: Item, own_u: float = 0.0, gain: float = 1.0) -> LevelBudget:
    tie = Tie("CH1", gain, own_u, 0.0, 0.0, None, PATH)
    channel = {"red": "CH1", "green": "CH2", "blue": "CH3"}[role]
    return LevelBudget(role, mv * gain, items, channel=channel, state_mv=8.0, tied=Tied(tie, 1, 1.0, (0.0, 0.0)))


def terminators(mv: float) -> Item:
    return Item("termination", "per-channel", "rectangular", 0.005 * mv, "termination")


def test_two_terminators_of_one_per_cent_leave_five_and_a_half_millivolts() -> None:
    """measuring.md: two 1 % ones leave 5.5 mV; 0.7764 is where a triangle of half-width 1 holds 95 % (1 - sqrt 0.05)."""
    gain = Item("scope gain ±3 %", "per-channel", "rectangular", 0.03 * 714.3, "gain")
    linearity = Item("ADC linearity, white", "per-channel", "rectangular", 4.0, "linearity")
    levels = [level(role, 714.3, gain, linearity, terminators(714.3)) for role in ("red", "green", "blue")]
    tied = found(match(levels))
    assert tied.method == "tied"
    assert tied.u95_mv == pytest.approx(2 * 0.005 * 714.3 * (1.0 - math.sqrt(0.05)), rel=1e-3)
    assert f"{tied.u95_mv:.1f}" == "5.5"


def test_the_uncertainty_of_a_tied_match_is_that_of_an_independent_drawing() -> None:
    """Spread of 20 mV of noise 0.6 mV, tie 0.1 %, terminators ±0.5 %, common scale ±3 % on the difference alone."""
    rng, draws = np.random.default_rng(4), 400_000
    gain = Item("scope gain ±3 %", "per-channel", "rectangular", 0.03 * 720.0, "gain")
    noise = Item("noise", "random", "normal", 0.6, "noise")
    levels = [
        level(role, mv, gain, noise, terminators(mv), own_u=0.001)
        for role, mv in (("red", 720.0), ("green", 700.0), ("blue", 710.0))
    ]
    drawn = [
        mv * (1.0 + rng.uniform(-0.005, 0.005, draws) + rng.normal(0.0, 0.001, draws)) + rng.normal(0.0, 0.6, draws)
        for mv in (720.0, 700.0)
    ]
    off_mv = (drawn[0] - drawn[1]) * (1.0 + rng.uniform(-0.03, 0.03, draws)) - 20.0
    tied = found(match(levels))
    assert tied.u95_mv == pytest.approx(float(np.quantile(np.abs(off_mv), 0.95)), rel=0.01)
    assert tied.u95_mv == pytest.approx(6.3, abs=0.3)


def test_linearity_cancels_where_the_tie_was_learnt_and_counts_far_from_there() -> None:
    near, far = (found(measure_capture(capture((mv, mv, mv)), tied_conditions()).match).u95_mv for mv in (700.0, 400.0))
    assert near is not None and near == pytest.approx(2 * 0.005 * 714.0 * 0.7764, rel=0.15)
    assert far is not None and far > 2 * 4.0 * 0.7764, "white of two channels, half a state of 8 mV each"


REFUSED: dict[str, tuple[dict[str, Any], dict[str, Any], str]] = {
    "another scope": ({"identity": "MAKER,MODEL-4,SN78,1.0"}, {}, "made on the scope SN77, and this one is SN78"),
    "no serial": ({"identity": "file.csv"}, {}, "does not say which scope"),
    "expired": ({}, {"valid_days": 1.0 / 48.0}, "has expired"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_tie_that_does_not_hold_is_refused_with_the_reason(name: str) -> None:
    of_capture, of_tie, told = REFUSED[name]
    made = replace(capture((700.0,) * 3), **of_capture)
    conditions = tied_conditions(**of_tie)
    assert found(measure_capture(made, conditions).match).method == "untied"
    [text] = refusals(made, conditions)
    assert text.startswith("The tie of this channel is not used: ") and told in text


def test_another_range_or_probe_refuses_it() -> None:
    conditions = tied_conditions()
    coarse = capture((700.0,) * 3, replace(MADE, lsb_mv=16.0))
    assert any("made on another range" in text for text in refusals(coarse, conditions))
    probes = Hookup(tuple(replace(clip, link="probe-1x") for clip in BENCH_DEFAULT.clips))
    assert any("through coax" in text for text in refusals(capture((700.0,) * 3), replace(conditions, hookup=probes)))


def test_a_tie_of_two_colours_alone_says_for_which_it_does_not_hold() -> None:
    made, conditions = capture((700.0,) * 3), tied_conditions(drop="CH3")
    assert found(measure_capture(made, conditions).match).method == "untied"
    assert refusals(made, conditions) == {"The tie is not used: it does not hold for CH3."}


def test_channels_tied_at_different_times_do_not_make_a_tie() -> None:
    conditions = tied_conditions()
    *others, last = conditions.calibrations
    mixed = replace(conditions, calibrations=(*others, replace(last, made_at_ns=last.made_at_ns + 1)))
    assert refusals(capture((700.0,) * 3), mixed) == {"The tie is not used: its channels were not all tied at once."}


def test_a_tie_leaves_the_levels_themselves_as_they_are() -> None:
    made = capture((700.0,) * 3)
    assert measure_capture(made, HERE).channels == measure_capture(made, tied_conditions()).channels


def test_a_gain_calibration_of_one_channel_does_not_count_twice() -> None:
    """The relative gain is of what the scope reads; a level that was corrected first is uncorrected for it."""
    conditions = tied_conditions()
    gain = Gain(Compared(1.0 / GAINS[1], 0.5, 0.001), PATH, ())
    calibrated = Calibration("supply", conditions.calibrations[0].made_at_ns, "SN77", "CH2", gain=gain)
    both = replace(conditions, calibrations=(*conditions.calibrations, calibrated))
    made = capture((710.0, 700.0, 698.0))
    plain, corrected = (found(measure_capture(made, one).match) for one in (conditions, both))
    assert corrected.method == "tied"
    assert corrected.spread_mv == pytest.approx(plain.spread_mv, rel=1e-6)


def test_a_measured_terminator_still_corrects_its_own_level() -> None:
    conditions = tied_conditions()
    ohm = Calibration(
        "terminator", conditions.calibrations[0].made_at_ns, "SN77", "CH1", terminator=Terminator(74.0, 0.1)
    )
    both = replace(conditions, calibrations=(*conditions.calibrations, ohm))
    made = capture((700.0,) * 3)
    assert found(measure_capture(made, both).match).spread_mv == pytest.approx(
        700.0 * 1.02 * (149.0 / 148.0 - 1.0), abs=1.5
    )


def test_a_pattern_of_75_per_cent_is_matched_by_the_same_tie() -> None:
    made = capture((0.75 * 710.0, 0.75 * 700.0, 0.75 * 700.0))
    tied = found(measure_capture(made, replace(tied_conditions(), pattern_white_pct=75.0)).match)
    assert tied.method == "tied"
    assert tied.spread_mv == pytest.approx(10.0 * 1.02, abs=2.0)


@given(
    factor=st.floats(0.25, 4.0),
    levels=st.tuples(st.floats(400.0, 500.0), st.floats(510.0, 600.0), st.floats(610.0, 900.0)),
    gains=st.tuples(*[st.floats(0.95, 1.05)] * 3),
    order=st.permutations((0, 1, 2)),
)
def test_scaling_scales_and_permuting_permutes_a_tied_match(
    factor: float, levels: tuple[float, ...], gains: tuple[float, ...], order: list[int]
) -> None:
    def made(by: float) -> list[LevelBudget]:
        roles = ("red", "green", "blue")
        items = (Item("noise", "random", "normal", 0.5 * by, "noise"),)
        return [
            level(role, mv * by, *items, terminators(mv * by), own_u=0.001, gain=gain / gains[0])
            for role, mv, gain in zip(roles, levels, gains, strict=True)
        ]

    one, larger = found(match(made(1.0))), found(match(made(factor)))
    again = found(match([made(1.0)[index] for index in order]))
    assert again == one
    assert one.spread_mv == pytest.approx(max(levels) - min(levels), abs=1e-6)
    assert larger.spread_mv == pytest.approx(factor * (one.spread_mv or 0.0), abs=1e-6)
    assert larger.u95_mv == pytest.approx(factor * (one.u95_mv or 0.0), rel=1e-4)
    assert larger.ok is one.ok


def test_every_item_of_every_budget_belongs_to_a_part() -> None:
    seen = set()
    levels = Levels(8.0, blanking_mv=0.0, white_mv=700.0, white_random_mv=0.5, noise_mv=0.1, blanking_noise_mv=0.1)
    of_gain = Calibrated(gain=Gain(Compared(1.0, 0.5, 0.001, 0.2), PATH, (1.0,)), terminator=Terminator(75.0, 0.1))
    for calibrated in (Calibrated(), of_gain):
        clip = Clip("CH1", "red", link="probe-10x")
        for item in budget(700.0, levels, clip, GainSpec(3.0), 1600.0, 100.0, calibrated):
            seen.add(item.part)
    assert seen == {"noise", "gain", "linearity", "quantisation", "termination"}


WAYS: tuple[tuple[Way, str], ...] = (("tie", "gain"), ("supply", "tie"), ("terminator", "tie"))


@pytest.mark.parametrize(("way", "held"), WAYS)
def test_a_way_holds_what_it_is_for(way: Way, held: str) -> None:
    what: dict[str, Any] = {
        "tie": Tie("CH1", 1.0, 0.0, 0.0, 0.0, 0.0, PATH),
        "gain": Gain(Compared(1.0, 0.5, 0.001), PATH),
    }
    with pytest.raises(ValueError, match=f"a calibration by {way}"):
        Calibration(way, 1, "SN77", "CH1", **{held: what[held]})
