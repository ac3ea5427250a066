"""Zone, verdict, slider and aim say the same thing."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.daemon.measure.targets import SHIPPED
from peakwhite.daemon.measure.uncertainty import Item, Spread, combined
from peakwhite.daemon.measure.verdict import aim, judge, zone_of

TARGET = SHIPPED["rgb-525"]


def three_per_cent(level_mv: float) -> Spread:
    return combined([Item("gain", "per-channel", "rectangular", 0.03 * abs(level_mv))])


@pytest.mark.parametrize(
    ("level_mv", "zone"),
    [
        (750.0, "over"),
        (714.4, "over"),
        (714.3, "on-target"),
        (678.6, "on-target"),
        (678.0, "dim"),
        (600.0, "dim"),
        (599.0, "too-low"),
    ],
)
def test_the_zone_is_where_the_level_lies(level_mv: float, zone: str) -> None:
    assert zone_of(level_mv, TARGET) == zone


def test_the_aim_of_a_three_per_cent_scope_lies_below_nominal() -> None:
    """measuring.md: 714.3/1.027 = 695.5 for a ±3 % rectangle alone."""
    assert aim(three_per_cent, TARGET) == pytest.approx(714.3 / 1.027, abs=0.05)


@given(st.floats(500.0, 900.0))
def test_a_slider_that_touches_an_edge_is_five_per_cent_beyond_it(level_mv: float) -> None:
    said = judge(level_mv, three_per_cent, TARGET)
    half_mv = three_per_cent(level_mv).quantile(0.95)
    if abs(level_mv + half_mv - TARGET.over_above_mv) > 0.05:
        assert (level_mv + half_mv > TARGET.over_above_mv) == (said.p_over > 0.05)
    if abs(level_mv - half_mv - TARGET.dim_from_mv) > 0.05:
        assert (level_mv - half_mv < TARGET.dim_from_mv) == (said.p_too_low > 0.05)
    if said.verdict == "leave-it":
        assert said.p_over <= 0.05 + 1e-9
        assert said.off_aim_mv <= 0.05


@pytest.mark.parametrize(
    ("level_mv", "verdict"),
    [
        (760.0, "over"),
        (714.0, "unsure"),
        (694.0, "leave-it"),
        (640.0, "leave-it"),
        (605.0, "unsure"),
        (570.0, "too-low"),
    ],
)
def test_what_may_be_said_of_a_level(level_mv: float, verdict: str) -> None:
    assert judge(level_mv, three_per_cent, TARGET).verdict == verdict


def test_a_dim_level_is_left_alone_and_named_dim() -> None:
    said = judge(640.0, three_per_cent, TARGET)
    assert (said.zone, said.verdict) == ("dim", "leave-it")


def test_a_clipped_record_never_says_leave_it() -> None:
    said = judge(690.0, three_per_cent, TARGET, lower_bound=True)
    assert said.verdict == "unsure"
    assert not said.decidable


@pytest.mark.parametrize(
    ("level_mv", "verdict"), [(745.0, "over"), (715.0, "unsure"), (680.0, "leave-it"), (605.0, None), (400.0, None)]
)
def test_the_highest_level_seen_is_never_called_too_low(level_mv: float, verdict: str | None) -> None:
    assert judge(level_mv, three_per_cent, TARGET, is_white=False).verdict == verdict


def test_a_clipped_level_that_need_not_be_white_stays_unsure() -> None:
    assert judge(605.0, three_per_cent, TARGET, is_white=False, lower_bound=True).verdict == "unsure"


def test_a_scope_too_coarse_can_decide_nothing() -> None:
    assert not judge(690.0, lambda _: combined([Item("gain", "per-channel", "rectangular", 90.0)]), TARGET).decidable
