"""One probe moved red, green, blue and back to red: what cancels, what the way back bounds, and when there is no match."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from made_video import Made, rgb_sync, white
from peakwhite.daemon.measure.calibration import SignalPath
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.level_budget import LevelBudget
from peakwhite.daemon.measure.one_probe import LONGEST_S, ORDER, check_one_probe, one_probe, too_far_apart_s
from peakwhite.daemon.measure.reading import MatchReading
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.measure.uncertainty import Item
from peakwhite.drivers.errors import UsageError

BEGUN_NS = 1_767_323_045_678_000_000
PATH = SignalPath(0.008, 1.6, "coax", 1.0)
STATE_MV = 8.0
GAIN = Item("scope gain ±3 %", "per-channel", "rectangular", 21.0, "gain")
LINEARITY = tuple(
    Item(f"ADC linearity, {state}", "per-channel", "rectangular", 4.0, "linearity") for state in ("white", "blanking")
)
TERMINATION = Item("termination", "per-channel", "rectangular", 3.5, "termination")


def taken(
    *levels_mv: float, noise_mv: float = 0.5, every_s: float = 15.0, items: tuple[Item, ...] = ()
) -> list[LevelBudget]:
    """Levels in the order of the colours, one every so many seconds."""
    of_each = (Item("noise", "random", "normal", noise_mv, "noise"), *items)
    return [
        LevelBudget(
            role,
            mv,
            of_each,
            channel="CH1",
            blanking_mv=2.0,
            state_mv=STATE_MV,
            path=PATH,
            captured_at_ns=BEGUN_NS + round(number * every_s * 1e9),
        )
        for number, (role, mv) in enumerate(zip(ORDER, levels_mv, strict=False))
    ]


def found(levels: list[LevelBudget]) -> MatchReading:
    match = one_probe(levels)
    assert match is not None and match.spread_mv is not None and match.u95_mv is not None
    return match


def u95_mv(levels: list[LevelBudget]) -> float:
    return found(levels).u95_mv or 0.0


def test_the_spread_is_of_the_colours_with_red_as_the_mean_of_both_its_readings() -> None:
    match = found(taken(714.0, 700.0, 706.0, 716.0))
    assert (match.method, match.highest, match.lowest) == ("one-probe", "red", "green")
    assert match.spread_mv == pytest.approx(15.0)


def test_gain_and_terminator_went_the_same_way_and_cancel() -> None:
    plain, with_both = (u95_mv(taken(*[700.0] * 4, items=items)) for items in ((), (GAIN, TERMINATION)))
    assert with_both == plain == pytest.approx(1.96 * 0.5 * math.sqrt(0.5 + 1.0), rel=1e-3)


def test_the_gain_is_still_the_scale_of_the_difference() -> None:
    match = found(taken(714.0, 614.0, 714.0, 714.0, noise_mv=0.01, items=(GAIN,)))
    assert match.u95_mv == pytest.approx(0.95 * 21.0 * 100.0 / 714.0, rel=0.02)


def test_the_way_back_to_red_bounds_the_drift() -> None:
    """Red alone has no doubt of its own; green has ±d/2, of which a rectangle holds 95 % within 0.95."""
    drifted = found(taken(710.0, 700.0, 705.0, 714.0, noise_mv=0.01))
    assert drifted.spread_mv == pytest.approx(12.0)
    assert drifted.u95_mv == pytest.approx(0.95 * 2.0, rel=0.01)


def test_drift_of_any_shape_that_goes_one_way_is_covered() -> None:
    """Draws: a drift that grows by chance between the readings, noise, and colours that lie 20 mV apart."""
    rng, inside, draws = np.random.default_rng(5), 0, 4000
    for _ in range(draws):
        drift_mv = rng.uniform(-6.0, 6.0) * np.sort(np.concatenate(([0.0, 1.0], rng.uniform(0.0, 1.0, 2))))
        true_mv = np.array([720.0, 700.0, 710.0, 720.0])
        seen = true_mv + drift_mv + rng.normal(0.0, 0.4, 4)
        match = found(taken(*seen, noise_mv=0.4))
        inside += abs((match.spread_mv or 0.0) - 20.0) <= (match.u95_mv or 0.0)
    assert inside / draws > 0.935, "94 % in the long run, green mostly early in the drift and blue late"


def test_the_uncertainty_is_that_of_an_independent_drawing() -> None:
    """Red of two readings, green of one, with drift: the difference drawn 400 000 times."""
    rng, draws = np.random.default_rng(6), 400_000
    off_mv = rng.normal(0.0, 0.5, (3, draws))
    drift_mv = rng.uniform(-1.5, 1.5, draws)
    drawn = 0.5 * (off_mv[0] + off_mv[1]) - off_mv[2] + drift_mv
    assert u95_mv(taken(710.0, 700.0, 704.0, 713.0)) == pytest.approx(float(np.quantile(np.abs(drawn), 0.95)), rel=0.01)


def test_linearity_counts_by_how_far_the_levels_stand_apart_on_the_adc() -> None:
    same, near, far = (
        u95_mv(taken(700.0, mv, 700.0, 700.0, items=LINEARITY)) for mv in (700.0, 700.0 - 4 * STATE_MV, 600.0)
    )
    assert same == pytest.approx(1.96 * 0.5 * math.sqrt(0.5 + 1.0), rel=1e-3)
    assert same < near < far
    assert far == pytest.approx(2 * 4.0 * (1.0 - math.sqrt(0.05)), rel=0.03), "two rectangles of half a state"


def test_another_blanking_level_counts_like_another_white() -> None:
    levels = taken(*[700.0] * 4, items=LINEARITY)
    moved = [replace(level, blanking_mv=100.0 if level.role == "green" else 2.0) for level in levels]
    moved = [replace(level, level_mv=699.0 if level.role == "green" else 700.0) for level in moved]
    assert u95_mv(moved) > 2.0 * u95_mv(levels)


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_fewer_than_four_readings_are_no_match(count: int) -> None:
    assert one_probe(taken(*[700.0] * 4)[:count]) is None


@pytest.mark.parametrize(("every_s", "matched"), [(19.9, True), (20.0, True), (20.1, False)])
def test_readings_of_more_than_a_minute_are_no_match(every_s: float, matched: bool) -> None:
    levels = taken(*[700.0] * 4, every_s=every_s)
    assert (one_probe(levels) is not None) is matched
    apart_s = too_far_apart_s(levels)
    assert apart_s == (None if matched else pytest.approx(3.0 * every_s))


@pytest.mark.parametrize(("later_s", "matched"), [(0.0, True), (LONGEST_S, True), (LONGEST_S + 0.1, False)])
def test_a_match_ages(later_s: float, matched: bool) -> None:
    levels = taken(*[700.0] * 4)
    now_ns = levels[-1].captured_at_ns + round(later_s * 1e9)
    assert (one_probe(levels, now_ns) is not None) is matched


def test_a_reading_of_unknown_time_is_no_match() -> None:
    levels = taken(*[700.0] * 4)
    assert one_probe([replace(levels[0], captured_at_ns=0), *levels[1:]]) is None


WRONG = {
    "another order": ({"role": "blue"}, "reading 2 is blue where green is due"),
    "luma": ({"role": "luma"}, "reading 2 is luma where green is due"),
    "another channel": ({"channel": "CH2"}, "green was taken on CH2, the first reading on CH1"),
    "another range": ({"path": replace(PATH, full_scale_v=4.0)}, "green was taken on another range"),
    "another probe": ({"path": replace(PATH, link="probe-10x")}, "through another probe"),
    "calibrated": ({"calibration": 0.98}, "green was taken on another range"),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_one_probe_did_not_see_is_refused(name: str) -> None:
    levels = taken(*[700.0] * 4)
    what, told = WRONG[name]
    levels[1] = replace(levels[1], **what)  # type: ignore[arg-type]
    with pytest.raises(UsageError, match=told):
        check_one_probe(levels)


@pytest.mark.parametrize("later_s", [0.0, -15.0])
def test_one_reading_twice_or_a_later_one_first_is_refused(later_s: float) -> None:
    levels = taken(*[700.0] * 4)
    levels[2] = replace(levels[2], captured_at_ns=levels[1].captured_at_ns + round(later_s * 1e9))
    with pytest.raises(UsageError, match="blue, reading 3, was not taken after the one before; take red, green, blue"):
        check_one_probe(levels)


@given(
    factor=st.floats(0.25, 4.0),
    later_s=st.floats(0.0, 1e6),
    levels=st.tuples(st.floats(600.0, 640.0), st.floats(650.0, 690.0), st.floats(710.0, 750.0)),
    drift_mv=st.floats(-5.0, 5.0),
)
def test_scaling_scales_and_shifting_time_changes_nothing(
    factor: float, later_s: float, levels: tuple[float, float, float], drift_mv: float
) -> None:
    def of(by: float) -> list[LevelBudget]:
        items = tuple(replace(item, size_mv=item.size_mv * by) for item in (*LINEARITY, GAIN))
        made = taken(*(mv * by for mv in (*levels, levels[0] + drift_mv)), noise_mv=0.5 * by, items=items)
        return [replace(one, blanking_mv=one.blanking_mv * by, state_mv=one.state_mv * by) for one in made]

    one, larger = found(of(1.0)), found(of(factor))
    assert larger.spread_mv == pytest.approx(factor * (one.spread_mv or 0.0), rel=1e-9)
    assert larger.u95_mv == pytest.approx(factor * (one.u95_mv or 0.0), rel=1e-4)
    assert larger.ok is one.ok
    moved = [replace(level, captured_at_ns=level.captured_at_ns + round(later_s * 1e9)) for level in of(1.0)]
    assert found(moved) == one


@given(levels=st.permutations((620.0, 670.0, 720.0)))
def test_permuting_the_colours_permutes_the_match(levels: list[float]) -> None:
    red, green, blue = levels
    match = found(taken(red, green, blue, red))
    by_level = {red: "red", green: "green", blue: "blue"}
    assert (match.highest, match.lowest) == (by_level[720.0], by_level[620.0])
    assert match.spread_mv == pytest.approx(100.0)


def test_a_capture_carries_the_match_while_it_is_fresh() -> None:
    capture = rgb_sync(Made(noise_mv=6.0), white(700.0), white(690.0), white(680.0))
    conditions = Conditions(BENCH_DEFAULT)
    levels = [
        replace(level, captured_at_ns=level.captured_at_ns - BEGUN_NS + capture.captured_at_ns - round(1e9))
        for level in taken(714.0, 700.0, 706.0, 714.0, every_s=0.1)
    ]
    fresh, old = (
        measure_capture(
            replace(capture, captured_at_ns=capture.captured_at_ns + later_ns),
            replace(conditions, one_probe=tuple(levels)),
        )
        for later_ns in (0, 70_000_000_000)
    )
    assert fresh.match is not None and fresh.match.method == "one-probe"
    assert fresh.match.spread_mv == pytest.approx(14.0)
    assert old.match is not None and old.match.method == "untied"


def test_levels_that_contradict_what_one_probe_found_give_it_up() -> None:
    made = Made()
    capture = replace(rgb_sync(made, white(714.0), white(571.0), white(700.0)), captured_at_ns=BEGUN_NS)
    conditions = Conditions(BENCH_DEFAULT, one_probe=tuple(taken(714.0, 713.0, 714.0, 714.0, every_s=0.1)))
    match = measure_capture(capture, conditions).match
    assert match is not None
    assert match.method == "untied"
    assert match.spread_mv == pytest.approx(143.0, abs=2.0)
