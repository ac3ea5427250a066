"""The arithmetic of calibrating: multimeter on the unit, supply and multimeter, terminator by ohmmeter."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from peakwhite.daemon.measure.calibrated import Calibrated
from peakwhite.daemon.measure.calibration import (
    Calibration,
    FieldSeen,
    Gain,
    LevelSeen,
    Meter,
    SignalPath,
    Terminator,
    gain_from_fields,
    gain_from_levels,
    terminator_from_ohms,
)
from peakwhite.daemon.measure.uncertainty import Item, combined
from peakwhite.drivers.errors import UsageError

DUTY = 0.749
"""Share of a field that is picture, so that a white of 714.3 mV makes a mean of 535 mV."""
PATH = SignalPath(0.008, 1.6, "coax", 1.0)


def fields(gain: float = 1.025, *, offset_mv: float = 0.0, white_mv: float = 714.3) -> tuple[FieldSeen, FieldSeen]:
    """White and black as an ideal meter and a scope of that gain see them; both have their offsets, and there is sync."""
    sync_mv = -21.0
    white, black = DUTY * white_mv + sync_mv, sync_mv
    return tuple(  # type: ignore[return-value]
        FieldSeen(mean + 0.4, -mean + 0.4, gain * mean + offset_mv, 0.0) for mean in (white, black)
    )


def levels(gain: float = 1.025, bends_mv: tuple[float, ...] = (0.0, 0.0, 0.0)) -> list[LevelSeen]:
    true_mv = (0.0, 350.0, 700.0)
    return [LevelSeen(mv, (mv + bend) * gain, 0.0) for mv, bend in zip(true_mv, bends_mv, strict=True)]


def test_white_less_black_gives_the_gain_whatever_offsets_and_sync_are() -> None:
    for offset_mv in (-40.0, 0.0, 25.0):
        assert gain_from_fields(*fields(offset_mv=offset_mv), Meter()).factor == pytest.approx(1.0 / 1.025, rel=1e-12)


def test_a_common_multimeter_brings_21_mv_down_to_six() -> None:
    """0.5 % of 714.3 is 3.57 mV, u 2.06; 2 counts of 1 mV twice in 535 mV, u 1.63, at 714.3 mV 2.18; together 3.0 mV.

    At 95 % that is ±5.8 mV (measuring.md: about 6) beside 0.95 x 3 % = ±20.4 mV of the specification alone.
    """
    compared = gain_from_fields(*fields(), Meter(0.5, 2.0, 1.0))
    assert compared.relative_u * 714.3 == pytest.approx(3.0, abs=0.02)
    by_meter = combined(Calibrated(gain=Gain(compared, PATH)).gain_items(714.3)).quantile(0.975)
    by_specification = combined([Item("gain", "per-channel", "rectangular", 0.03 * 714.3)]).quantile(0.975)
    assert by_meter == pytest.approx(5.8, abs=0.1)
    assert by_specification == pytest.approx(20.4, abs=0.1)


def test_the_scopes_own_means_count_too() -> None:
    white, black = fields()
    noisy = (replace(white, scope_u_mv=3.0), replace(black, scope_u_mv=4.0))
    quiet_u = gain_from_fields(white, black, Meter()).rest_u
    noisy_u = gain_from_fields(*noisy, Meter()).rest_u
    assert noisy_u == pytest.approx(math.hypot(quiet_u, 5.0 / (1.025 * 535.0)), rel=1e-3)


@pytest.mark.parametrize("off_mv", [6.0, -6.0, 1000.0])
def test_swapped_leads_that_change_more_than_the_sign_refuse_it(off_mv: float) -> None:
    white, black = fields()
    with pytest.raises(UsageError, match="leads swapped"):
        gain_from_fields(replace(white, swapped_mv=white.swapped_mv + off_mv), black, Meter())
    with pytest.raises(UsageError, match="leads swapped"):
        gain_from_fields(white, replace(black, swapped_mv=black.swapped_mv + off_mv), Meter())


def test_leads_that_were_never_swapped_are_noticed() -> None:
    white, black = fields()
    with pytest.raises(UsageError, match=r"reads 514\.\d+ mV on white where -514\.\d+ is due"):
        gain_from_fields(replace(white, swapped_mv=white.meter_mv), black, Meter())


def test_a_meter_within_its_counts_is_no_reason_to_refuse() -> None:
    white, black = fields()
    gain_from_fields(replace(white, swapped_mv=-white.meter_mv + 4.0), black, Meter())


def test_an_output_behind_a_capacitor_is_refused() -> None:
    flat = FieldSeen(0.0, 0.0, 0.0, 0.0)
    with pytest.raises(UsageError, match="DC-coupled"):
        gain_from_fields(flat, flat, Meter())


@pytest.mark.parametrize("gain", [0.1, 0.85, 1.2, 2.0, 1000.0])
def test_a_factor_that_no_scope_in_order_has_is_refused(gain: float) -> None:
    with pytest.raises(UsageError, match="which no scope in order does"):
        gain_from_fields(*fields(gain), Meter())
    with pytest.raises(UsageError, match="which no scope in order does"):
        gain_from_levels(levels(gain), Meter(), 8.0)


@settings(max_examples=50, deadline=None)
@given(gain=st.floats(0.92, 1.09), offset_mv=st.floats(-200.0, 200.0), white_mv=st.floats(400.0, 1500.0))
def test_a_calibrated_level_is_the_true_one(gain: float, offset_mv: float, white_mv: float) -> None:
    factor = gain_from_fields(*fields(gain, offset_mv=offset_mv, white_mv=white_mv), Meter()).factor
    assert factor * gain * white_mv == pytest.approx(white_mv, rel=1e-9)


def test_the_line_and_its_scatter_are_those_of_a_statistics_library() -> None:
    random = np.random.default_rng(3)
    meter_mv = np.array([0.0, 200.0, 350.0, 500.0, 700.0])
    scope_mv = meter_mv * 1.02 + 12.0 + random.normal(0.0, 4.0, 5)
    found = gain_from_levels(
        [LevelSeen(float(m), float(s), 0.0) for m, s in zip(meter_mv, scope_mv, strict=True)], Meter(0.0, 0.0), 8.0
    )
    line = stats.linregress(scope_mv, meter_mv)
    rest = meter_mv - line.intercept - line.slope * scope_mv
    assert found.factor == pytest.approx(line.slope, rel=1e-9)
    assert found.rest_u * found.factor == pytest.approx(line.stderr, rel=1e-9)
    pooled_mv = math.sqrt((16.0 / 3.0 + float(rest @ rest)) / 4.0)
    assert found.linearity_u_mv == pytest.approx(pooled_mv, rel=1e-9), "half a state of 8 mV is one degree of freedom"


def test_the_residual_of_a_bent_scope_is_its_linearity() -> None:
    """Middle level bent by 6 mV: residuals 2, -4, 2 mV, s = sqrt(24) mV; with half a state, 2.31 mV: 3.83 mV."""
    found = gain_from_levels(levels(1.0, (0.0, 6.0, 0.0)), Meter(0.5, 1.0, 0.1), 8.0)
    assert found.linearity_u_mv == pytest.approx(3.83, abs=0.03)


def test_three_levels_on_a_line_tell_little_of_linearity_and_five_more() -> None:
    """2.31 mV over the root of two, and of four."""
    five = [LevelSeen(mv, mv, 0.0) for mv in (0.0, 200.0, 350.0, 550.0, 700.0)]
    assert gain_from_levels(levels(), Meter(), 8.0).linearity_u_mv == pytest.approx(1.633, abs=1e-3)
    assert gain_from_levels(five, Meter(), 8.0).linearity_u_mv == pytest.approx(1.155, abs=1e-3)


@pytest.mark.parametrize("kept", [[0, 2], [0], [], [0, 0, 2], [0, 1]])
def test_too_few_levels_make_no_line(kept: list[int]) -> None:
    with pytest.raises(UsageError, match="do not make a line"):
        gain_from_levels([levels()[index] for index in kept], Meter(), 8.0)


def test_a_mistyped_level_is_named() -> None:
    three = levels()
    three[1] = replace(three[1], meter_mv=530.0)
    with pytest.raises(UsageError, match=r"530 mV lies \d+ mV off the line"):
        gain_from_levels(three, Meter(), 8.0)


def test_a_supply_on_another_channel_is_noticed() -> None:
    with pytest.raises(UsageError, match="the same at every level"):
        gain_from_levels([replace(one, scope_mv=3.0) for one in levels()], Meter(), 8.0)


def test_the_terminator_is_the_reading_less_that_of_shorted_leads() -> None:
    """75.1 - 0.3 = 74.8 ohm; 0.5 % is 0.374, u 0.216; 2 counts of 0.1 in both, u 0.163; together 0.271 ohm."""
    found = terminator_from_ohms(75.1, 0.3, Meter(0.5, 2.0, 0.1))
    assert found.ohm == pytest.approx(74.8)
    assert found.u_ohm == pytest.approx(0.271, abs=0.001)


def test_a_low_terminator_makes_the_level_low_by_half_as_much() -> None:
    """74.25 ohm is 1 % low: V·RL/(75 + RL) is 0.503 % low."""
    factor = Terminator(74.25, 0.2).factor
    assert factor == pytest.approx((75.0 / 150.0) / (74.25 / (75.0 + 74.25)), rel=1e-12)
    assert factor == pytest.approx(1.00505, abs=1e-5)
    assert Terminator(75.0, 0.3).relative_u == pytest.approx(0.002)


@pytest.mark.parametrize(("reading", "shorted"), [(50.3, 0.3), (37.5, 0.0), (80.6, 0.5), (75.0, 6.0), (75.0, -0.1)])
def test_what_is_no_terminator_of_75_ohm_is_refused(reading: float, shorted: float) -> None:
    with pytest.raises(UsageError):
        terminator_from_ohms(reading, shorted, Meter(0.5, 2.0, 0.1))


@pytest.mark.parametrize("way", ["fields", "levels"])
def test_the_true_level_lies_within_the_stated_95_per_cent(way: str) -> None:
    """Ensemble: meter gain and counts drawn from their rectangles, scope means from their normals: 94 to 97.5 % covered."""
    random = np.random.default_rng(17)
    meter, true_mv, gain = Meter(0.5, 2.0, 1.0), 714.3, 1.02
    inside, half_widths = [], []
    for _ in range(2000):
        scale = 1.0 + random.uniform(-0.005, 0.005)
        count_mv = random.uniform(-2.0, 2.0, 3)
        scope_mv = random.normal(0.0, 0.3, 3)
        if way == "fields":
            shown = [
                FieldSeen(scale * mv + count_mv[i], -scale * mv - count_mv[i], gain * mv + scope_mv[i], 0.3)
                for i, mv in enumerate((DUTY * true_mv, 0.0))
            ]
            compared = gain_from_fields(shown[0], shown[1], meter)
        else:
            seen = [
                LevelSeen(scale * mv + count_mv[i], gain * mv + scope_mv[i], 0.3)
                for i, mv in enumerate((0.0, 350.0, 700.0))
            ]
            compared = gain_from_levels(seen, meter, 8.0)
        half_mv = combined(Calibrated(gain=Gain(compared, PATH)).gain_items(true_mv)).quantile(0.975)
        half_widths.append(half_mv)
        inside.append(abs(compared.factor * gain * true_mv - true_mv) <= half_mv)
    assert 0.94 <= np.mean(inside) <= 0.975, np.mean(inside)
    assert np.median(half_widths) < 6.5


def test_a_scope_whose_states_are_bent_is_covered_by_what_three_levels_tell() -> None:
    """Every state of the ADC off by its own ±0.5 LSB of 8 mV, three levels: 94 to 97.5 % covered."""
    random = np.random.default_rng(23)
    meter, gain, true_mv = Meter(0.5, 2.0, 0.1), 0.98, 690.0
    inside = []
    for _ in range(2000):
        scale = 1.0 + random.uniform(-0.005, 0.005)
        bends_mv = random.uniform(-4.0, 4.0, 4)
        seen = [
            LevelSeen(scale * mv + random.uniform(-0.2, 0.2), gain * mv + bends_mv[index], 0.05)
            for index, mv in enumerate((0.0, 350.0, 700.0))
        ]
        compared = gain_from_levels(seen, meter, 8.0)
        read_mv = gain * true_mv + bends_mv[3] - bends_mv[0]
        items = [Item("state", "per-channel", "normal", compared.linearity_u_mv)] * 2
        spread = combined([*Calibrated(gain=Gain(compared, PATH)).gain_items(true_mv), *items])
        inside.append(abs(compared.factor * read_mv - true_mv) <= spread.quantile(0.975))
    assert 0.94 <= np.mean(inside) <= 0.975, np.mean(inside)


def test_a_calibration_holds_what_its_way_gives_and_nothing_else() -> None:
    with pytest.raises(ValueError, match="the one that it is of"):
        Calibration("supply", 1, "S1", "CH1")
    with pytest.raises(ValueError, match="the one that it is of"):
        Calibration("supply", 1, "S1", "CH1", terminator=Terminator(75.0, 0.1))
