"""Ranges and trigger levels for a hookup."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, ROLES, Clip, Hookup, Role
from peakwhite.daemon.measure.levels import is_clipped
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.scope_plan import (
    FIRST_TRIGGER_V,
    STEPS_V_PER_DIV,
    Range,
    channel_plans,
    finest_range,
    next_coarser,
    on_screen_v,
    trigger_clip,
    trigger_level_v,
)
from peakwhite.drivers.capture import ChannelRecord
from peakwhite.drivers.family import ChannelPlan

STEP_S = 40e-9
LINE = 1588
"""Samples of a line of 63.5 us."""


def hookup(*roles: Role, probe_ratio: float = 1.0) -> Hookup:
    return Hookup(tuple(Clip(f"CH{i}", role, probe_ratio=probe_ratio) for i, role in enumerate(roles, 1)))


def ranges(of: Hookup, own: dict[str, Range] | None = None) -> dict[str, tuple[float, float]]:
    """Volts per division and centre, by role."""
    plans = channel_plans(Conditions(of), own or {})
    return {clip.role: (plan.volts_per_div, plan.centre_v) for clip, plan in zip(of.clips, plans, strict=True)}


def video_record(
    blanking_v: float = 0.0, depth_v: float = 0.3, picture_v: float = 0.7, mv_per_code: float = 8.0
) -> ChannelRecord:
    """Eight lines with sync, porches and a flat picture, in 8-bit codes with a trace of noise."""
    line = np.full(LINE, blanking_v)
    line[:118] -= depth_v
    line[235:-38] += picture_v
    noise = np.random.default_rng(7).normal(0.0, 2e-3, 8 * LINE)
    codes = np.clip(np.round((np.tile(line, 8) + noise) / mv_per_code * 1e3) + 100, 0, 255).astype(np.uint8)
    return ChannelRecord("CH1", codes, mv_per_code / 1e3, -100 * mv_per_code / 1e3, 0, 255)


def test_the_colours_share_one_range_that_holds_the_target_with_a_fifth_to_spare() -> None:
    found = ranges(BENCH_DEFAULT)
    assert found["red"] == found["green"] == found["blue"] == (0.2, 0.42)
    assert found["sync"] == (0.1, 0.0)


def test_without_a_sync_channel_the_colours_leave_room_for_the_sync_tip() -> None:
    volts_per_div, centre_v = ranges(hookup("red", "green", "blue"))["red"]
    assert centre_v - 4 * volts_per_div <= -0.36
    assert centre_v + 4 * volts_per_div >= 0.84


def test_composite_has_two_fifths_to_spare() -> None:
    volts_per_div, centre_v = ranges(hookup("composite"))["composite"]
    assert centre_v - 4 * volts_per_div <= -0.36
    assert centre_v + 4 * volts_per_div >= 0.98


def test_a_probe_ratio_shrinks_what_the_scope_has_to_hold() -> None:
    assert ranges(hookup("red", "sync", probe_ratio=10.0))["red"] == (0.02, 0.042)


def test_a_group_may_have_a_range_of_its_own_and_no_other_changes() -> None:
    found = ranges(BENCH_DEFAULT, {"colours": Range(1.0, 0.5)})
    assert found["red"] == found["blue"] == (1.0, 0.5)
    assert found["sync"] == (0.1, 0.0)


@pytest.mark.parametrize("role", ROLES)
def test_every_role_has_one_house_range_whatever_else_is_clipped_on(role: Role) -> None:
    others: tuple[tuple[Role, ...], ...] = ((), ("sync",), ("hsync", "vsync"), ("luma", "chroma"))
    steps = {ranges(hookup(role, *(one for one in beside if one != role)))[role][0] for beside in others}
    assert len(steps) == 1


@given(bottom_v=st.floats(-10.0, 10.0), swing_v=st.floats(0.01, 10.0), offset_divisions=st.floats(2.0, 20.0))
def test_the_finest_range_holds_both_levels_and_a_finer_one_would_not(
    bottom_v: float, swing_v: float, offset_divisions: float
) -> None:
    top_v = bottom_v + swing_v
    found = finest_range(bottom_v, top_v, offset_divisions)
    assert abs(found.centre_v) <= offset_divisions * found.volts_per_div * (1 + 1e-9)
    assert found.holds(bottom_v, top_v)
    for step in STEPS_V_PER_DIV[: STEPS_V_PER_DIV.index(found.volts_per_div)]:
        reach_v = (offset_divisions + 4) * step
        assert swing_v > 7.9 * step or max(-bottom_v, top_v) > 0.95 * reach_v


def test_beyond_the_coarsest_step_there_is_none() -> None:
    assert (next_coarser(0.2), next_coarser(5.0)) == (0.5, 5.0)
    assert finest_range(-100.0, 100.0).volts_per_div == 5.0


@pytest.mark.parametrize(
    ("roles", "trigger"),
    [
        (("red", "green", "blue", "sync"), "sync"),
        (("red", "green", "vsync", "hsync"), "hsync"),
        (("chroma", "luma"), "luma"),
        (("luma", "composite"), "composite"),
        (("red", "green", "blue"), "green"),
        (("red", "blue"), "red"),
    ],
)
def test_the_trigger_is_the_channel_whose_sync_is_to_be_trusted_most(roles: tuple[Role, ...], trigger: Role) -> None:
    assert trigger_clip(hookup(*roles)).role == trigger


@pytest.mark.parametrize(("samples", "touches"), [(0, False), (7, False), (8, True)])
def test_stray_samples_at_a_rail_do_not_count(samples: int, touches: bool) -> None:
    codes = np.full(12_000, 128, np.uint8)
    codes[:samples] = 255
    assert is_clipped(ChannelRecord("CH1", codes, 0.008, 0.0, 0, 255)) is touches


def test_a_scope_without_known_rails_touches_none() -> None:
    assert not is_clipped(ChannelRecord("CH1", np.zeros(100, np.uint8), 0.008, 0.0))


@pytest.mark.parametrize(("low_v", "high_v"), [(0.0, 4.0), (-0.6, 0.0), (2.0, 2.5)])
def test_a_separate_sync_is_sliced_in_its_middle(low_v: float, high_v: float) -> None:
    record = video_record(high_v, high_v - low_v, 0.0, mv_per_code=30.0)
    level = trigger_level_v(record, STEP_S, "sync", FIRST_TRIGGER_V if low_v != -0.6 else 5.0)
    assert level == pytest.approx((low_v + high_v) / 2, abs=0.04)


def test_a_trigger_level_that_serves_is_kept() -> None:
    assert trigger_level_v(video_record(picture_v=0.0), STEP_S, "sync", -0.13) == -0.13


@pytest.mark.parametrize("role", ["luma", "composite", "green"])
@pytest.mark.parametrize("picture_v", [0.0, 0.3, 0.7])
@pytest.mark.parametrize("blanking_v", [0.0, 0.5])
def test_sync_on_a_picture_is_sliced_at_80_to_90_per_cent_of_its_depth(
    role: Role, picture_v: float, blanking_v: float
) -> None:
    level = trigger_level_v(video_record(blanking_v, 0.3, picture_v), STEP_S, role, 5.0)
    assert 0.80 <= (blanking_v - level) / 0.3 <= 0.90


@pytest.mark.parametrize("role", ["sync", "luma"])
def test_a_dead_channel_teaches_nothing(role: Role) -> None:
    assert trigger_level_v(video_record(0.0, 0.0, 0.0), STEP_S, role, -0.15) == -0.15


@given(codes=st.binary(min_size=1, max_size=400), role=st.sampled_from(["sync", "composite"]))
def test_any_record_gives_a_finite_level(codes: bytes, role: Role) -> None:
    record = ChannelRecord("CH1", np.frombuffer(codes, np.uint8), 0.008, -1.0, 0, 255)
    assert np.isfinite(trigger_level_v(record, STEP_S, role, -0.15))


@pytest.mark.parametrize(
    ("level_v", "channel", "given_v"),
    [(-0.15, "CH1", -0.08), (0.3, "CH1", 0.08), (0.05, "CH1", 0.05), (1.0, "EXT", 1.0)],
)
def test_a_trigger_level_beyond_the_screen_of_its_channel_is_set_at_its_edge(
    level_v: float, channel: str, given_v: float
) -> None:
    plans = (ChannelPlan("CH1", volts_per_div=0.02, centre_v=0.0),)
    assert on_screen_v(level_v, channel, plans) == pytest.approx(given_v)
