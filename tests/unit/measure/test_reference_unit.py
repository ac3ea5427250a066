"""Levels as per cent of a reference unit: what drops out where both went the same way, and what does not."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from made_video import Made, rgb_sync, white
from peakwhite.daemon.measure.calibration import SignalPath
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.level_budget import LevelBudget
from peakwhite.daemon.measure.reading import ReferenceReading
from peakwhite.daemon.measure.reference_unit import ReferenceLevel, compared_with, path_words, reference_levels
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.measure.uncertainty import Item
from peakwhite.drivers.capture import Capture, GainSpec

IDENTITY = "MAKER,MODEL-4,SN77,1.0"
PATH = SignalPath(0.008, 1.6, "coax", 1.0)
GAIN = Item("scope gain ±3 %", "per-channel", "rectangular", 21.0, "gain")
REST = (
    Item("noise", "random", "normal", 0.8, "noise"),
    Item("ADC linearity, white", "per-channel", "rectangular", 4.0, "linearity"),
    Item("termination", "per-channel", "rectangular", 3.5, "termination"),
)
HERE = path_words(PATH)


def level(mv: float = 700.0, *items: Item, role: str = "red") -> LevelBudget:
    return LevelBudget(role, mv, items or (*REST, GAIN), channel="CH1", path=PATH)


def reference(mv: float = 700.0, **more: object) -> ReferenceLevel:
    given = {"channel": "CH1", "serial": "SN77", "path": HERE} | more
    return ReferenceLevel("red", mv, 22.0, 1.5, **given)  # type: ignore[arg-type]


def percent(of: LevelBudget, its: ReferenceLevel, serial: str | None = "SN77") -> ReferenceReading:
    found = compared_with([its], of, serial)
    assert found is not None
    return found


def test_the_level_is_told_as_per_cent_of_the_reference() -> None:
    found = percent(level(735.0), reference(700.0))
    assert found.percent == pytest.approx(105.0)
    assert found.level_mv == 700.0


def test_the_same_channel_range_and_probe_share_their_gain() -> None:
    """Without the gain: noise of both, linearity and terminator of both. The other half is drawn."""
    rng, draws = np.random.default_rng(2), 400_000
    off_mv = rng.normal(0.0, math.hypot(0.8, 1.5 / 1.96), draws)
    for half_mv in (4.0, 4.0, 3.5, 3.5):
        off_mv = off_mv + rng.uniform(-half_mv, half_mv, draws)
    found = percent(level(), reference())
    assert found.u95_percent == pytest.approx(float(np.quantile(np.abs(off_mv), 0.95)) / 7.0, rel=0.01)
    assert found.u95_percent < 1.3


@pytest.mark.parametrize(
    ("its", "serial"),
    [
        (reference(channel="CH2"), "SN77"),
        (reference(serial="SN78"), "SN77"),
        (reference(serial=None), None),
        (reference(path=path_words(replace(PATH, volts_per_state=0.02))), "SN77"),
        (reference(path=path_words(replace(PATH, link="probe-10x"))), "SN77"),
        (reference(path=path_words(PATH, 0.98)), "SN77"),
        (reference(path=None), "SN77"),
    ],
    ids=["channel", "scope", "no scope", "range", "probe", "calibrated", "unknown path"],
)
def test_another_way_counts_both_in_full(its: ReferenceLevel, serial: str | None) -> None:
    """Two gains of ±3 % are a triangle; of the reference 22 mV hold 95 %, 1.5 mV of them noise."""
    rng, draws = np.random.default_rng(3), 400_000
    off_mv = rng.normal(0.0, math.hypot(0.8, 1.5 / 1.96), draws)
    for half_mv in (21.0, 4.0, 3.5, math.sqrt(22.0**2 - 1.5**2) / 0.95):
        off_mv = off_mv + rng.uniform(-half_mv, half_mv, draws)
    found = percent(level(), its, serial)
    assert found.u95_percent == pytest.approx(float(np.quantile(np.abs(off_mv), 0.95)) / 7.0, rel=0.01)


def test_a_role_that_the_reference_lacks_is_not_compared() -> None:
    assert compared_with([reference()], level(role="blue"), "SN77") is None
    assert compared_with([], level(), "SN77") is None


@given(factor=st.floats(0.25, 4.0), mv=st.floats(300.0, 1000.0), its_mv=st.floats(300.0, 1000.0))
def test_scaling_both_changes_nothing(factor: float, mv: float, its_mv: float) -> None:
    def of(by: float) -> ReferenceReading:
        items = tuple(replace(item, size_mv=item.size_mv * by) for item in (*REST, GAIN))
        its = replace(reference(its_mv * by), u95_mv=22.0 * by, u95_repeat_mv=1.5 * by)
        return percent(level(mv * by, *items), its)

    one, larger = of(1.0), of(factor)
    assert larger.percent == pytest.approx(one.percent)
    assert larger.u95_percent == pytest.approx(one.u95_percent, rel=1e-4)


def capture(levels_mv: tuple[float, float, float], identity: str = IDENTITY) -> Capture:
    red, green, blue = (white(one) for one in levels_mv)
    return replace(rgb_sync(Made(noise_mv=6.0), red, green, blue), identity=identity, gain_spec=GainSpec(3.0))


def test_a_capture_is_compared_with_the_reading_of_another() -> None:
    conditions = Conditions(BENCH_DEFAULT)
    good = measure_capture(capture((714.0, 714.0, 714.0)), conditions).channels
    assert [one.reference for one in good] == [None] * 4
    levels = reference_levels(good, "SN77")
    assert [one.role for one in levels] == ["red", "green", "blue"]
    found = measure_capture(capture((714.0, 700.0, 357.0)), replace(conditions, reference=levels)).channels
    told = [one.reference for one in found]
    assert told[3] is None
    percents = [one.percent for one in told if one is not None]
    assert percents == pytest.approx([100.0, 98.04, 50.0], abs=0.4)
    assert all(one.u95_percent < 2.0 for one in told if one is not None), "on one scope, without its 3 %"
    elsewhere = measure_capture(
        capture((714.0, 700.0, 357.0), IDENTITY.replace("SN77", "SN78")), replace(conditions, reference=levels)
    ).channels
    assert all(one.reference.u95_percent > 2.0 for one in elsewhere if one.reference is not None)


def test_a_clipped_level_makes_no_reference_and_is_not_compared() -> None:
    conditions = Conditions(BENCH_DEFAULT)
    clipped = capture((1600.0, 700.0, 700.0))
    levels = reference_levels(measure_capture(clipped, conditions).channels, "SN77")
    assert [one.role for one in levels] == ["green", "blue"]
    good = reference_levels(measure_capture(capture((714.0,) * 3), conditions).channels, "SN77")
    assert measure_capture(clipped, replace(conditions, reference=good)).channels[0].reference is None


def test_the_path_of_a_level_is_told_in_words() -> None:
    probes = Hookup((Clip("CH1", "red", link="probe-10x", probe_ratio=10.0), *BENCH_DEFAULT.clips[1:]))
    found = measure_capture(capture((80.0, 700.0, 700.0)), Conditions(probes)).channels
    assert [one.path for one in found] == ["probe-10x x10, 8 mV a state", *["coax x1, 8 mV a state"] * 2, None]


def test_with_hold_the_sustained_level_of_a_record_is_its_highest() -> None:
    plain, held = (
        measure_capture(capture((714.0, 700.0, 357.0)), Conditions(BENCH_DEFAULT, hold_since=since)).channels
        for since in (None, 1)
    )
    assert [one.highest for one in plain] == [None] * 4
    for before, one in zip(plain[:3], held[:3], strict=True):
        assert one.highest is not None
        assert (one.peak_white_mv, one.highest.level_mv, one.highest.age_s) == (*[before.peak_white_mv] * 2, 0.0)
        assert 5 <= one.highest.lines <= 8
        assert one.highest.dwell_us == pytest.approx(one.highest.lines * 50.0, rel=0.1), "most of 52 us a line"
    assert held[3].highest is None


def test_a_clipped_level_is_no_highest() -> None:
    found = measure_capture(capture((1600.0, 700.0, 700.0)), Conditions(BENCH_DEFAULT, hold_since=1)).channels
    assert found[0].highest is None and found[1].highest is not None
