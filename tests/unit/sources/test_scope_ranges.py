"""Ranges that change where a rail is touched, and come back."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup, Role
from peakwhite.daemon.measure.levels import is_clipped
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.procedures.terminator import OPEN_HEADROOM
from peakwhite.daemon.sources.scope_plan import (
    STEPS_V_PER_DIV,
    Range,
    channel_plans,
    finest_range,
    group_of,
    house_ranges,
    next_coarser,
)
from peakwhite.daemon.sources.scope_ranges import BACK_AFTER_S, LONGEST_S, SOON_S, WELL_INSIDE, Ranges
from peakwhite.drivers.capture import ChannelRecord

CONDITIONS = Conditions(BENCH_DEFAULT)
DIVISION = 25
STEP_S = 0.05
OFFSET_DIVISIONS = 4.0
NOISE_DIVISIONS = 0.025
Signal = NDArray[np.float64]


def flat(level_v: float) -> Signal:
    """Half of the time 0 V, half of it that level."""
    return np.repeat([0.0, level_v], 50)


def digitised(name: str, signal_v: Signal, on: Range, noise: Signal | None = None) -> ChannelRecord:
    """The signal as an 8-bit converter with 25 codes a division sees it."""
    volts_per_code = on.volts_per_div / DIVISION
    codes = (signal_v - on.centre_v) / volts_per_code + 128
    if noise is not None:
        codes += DIVISION * NOISE_DIVISIONS * noise
    zero_v = on.centre_v - 128 * volts_per_code
    held = np.clip(np.round(codes), 0, 255).astype(np.uint8)
    return ChannelRecord(name, held, volts_per_code, zero_v, 0, 255, full_scale_v=8 * on.volts_per_div)


class Scope:
    """A scope with four flat signals, looked at again and again."""

    def __init__(self) -> None:
        self.ranges = Ranges(OFFSET_DIVISIONS)
        self.now_s = 1000.0

    def see(self, red_v: float, seconds: float = STEP_S, sync_v: float = -0.3) -> float:
        """Look for so long; volts per division of the colours by then."""
        for _ in range(round(seconds / STEP_S)):
            records = [
                digitised(plan.name, flat(level_v), Range(plan.volts_per_div, plan.centre_v))
                for plan, level_v in zip(
                    channel_plans(CONDITIONS, self.ranges.own), (red_v, 0.7, 0.7, sync_v), strict=True
                )
            ]
            self.ranges.learn(records, CONDITIONS, self.now_s)
            self.now_s += STEP_S
        return channel_plans(CONDITIONS, self.ranges.own)[0].volts_per_div

    @property
    def told(self) -> list[str]:
        return [note.code for note in self.ranges.notes(CONDITIONS)]


def test_a_range_that_holds_the_signal_stays_and_nothing_is_told() -> None:
    scope = Scope()
    assert scope.see(0.75, 20.0) == 0.2
    assert scope.told == []


def test_room_for_an_open_output_takes_another_middle_and_no_coarser_range() -> None:
    house, roomy = (
        house_ranges(replace(CONDITIONS, headroom=headroom))["colours"] for headroom in (1.0, OPEN_HEADROOM)
    )
    assert roomy.volts_per_div == house.volts_per_div
    assert roomy.holds(0.0, 2.0 * 1.1 * 0.7143) and not house.holds(0.0, 2.0 * 0.7143)
    assert abs(roomy.centre_v) <= OFFSET_DIVISIONS * roomy.volts_per_div
    assert house_ranges(replace(CONDITIONS, headroom=OPEN_HEADROOM))["sync"] == house_ranges(CONDITIONS)["sync"]


def test_only_a_rail_changes_the_range_in_the_middle_of_a_trim() -> None:
    scope = Scope()
    scope.see(0.7)
    house = house_ranges(CONDITIONS)["colours"]
    rail_v = house.centre_v + 126.5 * house.volts_per_div / DIVISION
    assert [scope.see(level_v, 30.0) for level_v in np.linspace(0.0, rail_v - 0.005, 9)] == [0.2] * 9
    assert scope.see(rail_v + 0.005) == 0.5


def test_a_widened_range_is_told_and_comes_back_after_five_seconds_of_a_signal_that_fits() -> None:
    scope = Scope()
    scope.see(0.7)
    assert scope.see(1.8) == 0.5
    assert scope.told == ["range-widened"]
    scope.see(1.8)
    assert scope.see(0.7, BACK_AFTER_S - STEP_S) == 0.5
    assert scope.see(0.7, 3 * STEP_S) == 0.2
    assert scope.told == []


def test_a_far_level_is_found_by_the_coarsest_range_and_the_house_comes_back_at_once() -> None:
    scope = Scope()
    assert [scope.see(9.0) for _ in range(4)] == [0.5, 5.0, 2.0, 2.0]
    assert scope.see(0.7, BACK_AFTER_S + 2 * STEP_S) == 0.2


def test_a_level_near_the_edge_of_the_house_range_keeps_one_of_its_own() -> None:
    scope = Scope()
    plan = channel_plans(CONDITIONS, {})[0]
    edge_v = plan.centre_v + WELL_INSIDE * 4 * plan.volts_per_div
    scope.see(1.8, 0.2)
    scope.see(edge_v + 0.03, 60.0)
    assert scope.told == ["range-moved"]
    scope.see(edge_v - 0.03, BACK_AFTER_S + 2 * STEP_S)
    assert scope.told == []


def test_an_excursion_starts_the_five_seconds_anew() -> None:
    scope = Scope()
    scope.see(1.8, 0.2)
    scope.see(0.7, BACK_AFTER_S - STEP_S)
    scope.see(1.6)
    assert scope.see(0.7, BACK_AFTER_S - STEP_S) == 0.5


def test_a_range_that_proves_too_fine_soon_again_waits_twice_as_long_and_after_a_quiet_time_as_at_first() -> None:
    scope = Scope()
    waits = []
    for _ in range(7):
        scope.see(1.8, 0.15)
        began_s = scope.now_s
        while scope.see(0.7) > 0.2:
            pass
        waits.append(scope.now_s - began_s)
    assert waits == pytest.approx([5.0, 10.0, 20.0, 40.0, LONGEST_S, LONGEST_S, LONGEST_S], abs=0.2)
    scope.see(0.7, SOON_S + 1.0)
    scope.see(1.8, 0.15)
    assert scope.see(0.7, BACK_AFTER_S + 2 * STEP_S) == 0.2


def test_a_sync_finds_its_range_without_a_word() -> None:
    scope = Scope()
    scope.see(0.7, 1.0, sync_v=4.0)
    assert scope.ranges.own["sync"].volts_per_div >= 0.5
    assert scope.told == []


def test_an_output_far_from_0_v_has_the_middle_of_the_range_moved() -> None:
    conditions = Conditions(Hookup((Clip("CH1", "luma"),)))
    ranges, house = Ranges(10.0), house_ranges(conditions)["luma"]
    signal = video(1.0, True) - 1.6
    for _ in range(4):
        on = ranges.own.get("luma", house)
        ranges.learn([digitised("CH1", signal, on)], conditions, 0.0)
    assert ranges.own["luma"].volts_per_div == house.volts_per_div
    assert [note.code for note in ranges.notes(conditions)] == ["range-moved"]


def video(swing_v: float, negative_sync: bool, blanking_v: float = 0.0) -> Signal:
    """Eight lines of luma with a white picture, sync tip to white that far apart."""
    line = np.zeros(1500)
    line[:110] -= 0.3
    line[220:-40] += 0.7
    return np.tile(line if negative_sync else -line, 8) * swing_v + blanking_v


def captures_until_good(conditions: Conditions, signal: Signal, noise: Callable[[], Signal]) -> tuple[int, Range]:
    """Which capture is the first whose range stays, and that range; every clip of the hookup sees the signal."""
    ranges, (house,) = Ranges(OFFSET_DIVISIONS), house_ranges(conditions).values()
    group = next(iter(house_ranges(conditions)))
    in_force: list[Range] = []
    for _ in range(8):
        in_force.append(ranges.own.get(group, house))
        records = [digitised(clip.channel, signal, in_force[-1], noise()) for clip in conditions.hookup.clips]
        ranges.learn(records, conditions, 0.0)
        if len(in_force) == 4:
            assert not any(is_clipped(record) for record in records), in_force
    return in_force.index(in_force[3]) + 1, in_force[3]


@given(
    roles=st.sampled_from([("red", "green", "blue"), ("luma",), ("composite",), ("sync",)]),
    swing_v=st.floats(np.log(0.05), np.log(10.0)).map(lambda power: float(np.exp(power))),
    offset_v=st.floats(-5.0, 5.0),
    negative_sync=st.booleans(),
    probe=st.sampled_from([1.0, 10.0]),
    seed=st.integers(0, 2**32 - 1),
)
def test_from_any_signal_a_good_range_is_found_within_four_captures(
    roles: tuple[Role, ...], swing_v: float, offset_v: float, negative_sync: bool, probe: float, seed: int
) -> None:
    """Good: nothing at a rail, and no more than a step coarser than the finest that would hold it or the house range.

    `probe` is one that nobody told the scope of.
    """
    conditions = Conditions(Hookup(tuple(Clip(f"CH{number}", role) for number, role in enumerate(roles, 1))))
    random = np.random.default_rng(seed)
    signal = video(swing_v, negative_sync, offset_v) / probe
    _, found = captures_until_good(conditions, signal, lambda: random.normal(size=signal.size))
    (house,) = house_ranges(conditions).values()
    bottom_v, top_v = float(signal.min()), float(signal.max())
    spare_v = 0.1 * (top_v - bottom_v) + 0.1 * house.volts_per_div
    finest = finest_range(bottom_v - spare_v, top_v + spare_v, OFFSET_DIVISIONS)
    assert found.volts_per_div <= max(next_coarser(finest.volts_per_div), house.volts_per_div)
    assert found.volts_per_div in STEPS_V_PER_DIV


def vertical_interval(signal: Signal) -> Signal:
    """As long, and nothing but its first line's sync and blanking."""
    line = signal[:1500].copy()
    line[220:-40] = line[150]
    return np.tile(line, 8)


@given(
    role=st.sampled_from(("luma", "composite", "red")),
    swing_v=st.floats(np.log(0.05), np.log(10.0)).map(lambda power: float(np.exp(power))),
    offset_v=st.floats(-5.0, 5.0),
    black=st.booleans(),
    blank=st.lists(st.booleans(), min_size=12, max_size=12),
    offset_divisions=st.sampled_from([4.0, 10.0, 100.0]),
    seed=st.integers(0, 2**32 - 1),
)
def test_small_and_off_centre_signals_settle_and_stay_whatever_falls_into_the_vertical_interval(
    role: Role, swing_v: float, offset_v: float, black: bool, blank: list[bool], offset_divisions: float, seed: int
) -> None:
    """From the first picture at a rail on the fourth and all after it are at none, and the last four have one range."""
    conditions = Conditions(Hookup((Clip("CH1", role),)))
    ranges, (house,) = Ranges(offset_divisions), house_ranges(conditions).values()
    random = np.random.default_rng(seed)
    signal = video(swing_v, True, offset_v)
    signal = vertical_interval(signal) if black else signal
    pictures, in_force = 0, []
    for hidden in (*blank, *[False] * 10):
        in_force.append(ranges.own.get(group_of(role), house))
        shown = vertical_interval(signal) if hidden else signal
        record = digitised("CH1", shown, in_force[-1], random.normal(size=shown.size))
        pictures += not hidden and (pictures > 0 or is_clipped(record))
        assert pictures < 4 or not is_clipped(record), in_force
        ranges.learn([record], conditions, 0.05 * len(in_force))
    assert len(set(in_force[-4:])) == 1


@pytest.mark.parametrize("black", [False, True])
def test_the_range_found_on_the_coarsest_is_found_again_on_the_finer_and_ends_at_the_finest(black: bool) -> None:
    conditions = Conditions(Hookup((Clip("CH1", "red"),)))
    random = np.random.default_rng(5)
    ranges, (house,) = Ranges(4.0), house_ranges(conditions).values()
    signal = np.repeat([5.0, 5.0 if black else 5.7], 6000)
    in_force = []
    for capture in range(8):
        in_force.append(ranges.own.get("colours", house).volts_per_div)
        on = ranges.own.get("colours", house)
        ranges.learn([digitised("CH1", signal, on, random.normal(size=signal.size))], conditions, 0.05 * capture)
    assert in_force[-4:] == [1.0] * 4


def test_a_record_of_the_vertical_interval_does_not_bring_the_house_range_back_in_the_middle_of_settling() -> None:
    conditions = Conditions(Hookup((Clip("CH1", "composite"),)))
    random = np.random.default_rng(6)
    ranges, (house,) = Ranges(4.0), house_ranges(conditions).values()
    signal = video(1.0, True, 5.0)
    for shown in (signal, signal, vertical_interval(signal), signal, vertical_interval(signal), signal):
        on = ranges.own.get("composite", house)
        ranges.learn([digitised("CH1", shown, on, random.normal(size=shown.size))], conditions, 0.0)
    assert ranges.own["composite"].volts_per_div == 1.0


@pytest.mark.parametrize("role", ["luma", "composite", "sync"])
def test_a_signal_that_is_never_flat_and_small_gets_a_finer_range_and_the_house_comes_back(role: Role) -> None:
    conditions = Conditions(Hookup((Clip("CH1", role),)))
    ranges, (house,) = Ranges(OFFSET_DIVISIONS), house_ranges(conditions).values()
    small = video(0.1 if role != "sync" else 0.03, True)
    ranges.learn([digitised("CH1", small, house)], conditions, 0.0)
    own = ranges.own[role]
    assert own.volts_per_div <= house.volts_per_div / 4
    told = [note.code for note in ranges.notes(conditions)]
    assert told == ([] if role == "sync" else ["range-finer"])
    ranges.learn([digitised("CH1", 10.0 * small, own)], conditions, 1.0)
    assert not ranges.own


def test_black_colours_and_inputs_with_nothing_but_noise_keep_the_house_range() -> None:
    random = np.random.default_rng(3)
    hookups: tuple[tuple[Role, ...], ...] = (("red", "green", "blue"), ("luma",), ("sync",))
    for roles in hookups:
        conditions = Conditions(Hookup(tuple(Clip(f"CH{number}", role) for number, role in enumerate(roles, 1))))
        ranges, (house,) = Ranges(OFFSET_DIVISIONS), house_ranges(conditions).values()
        noise = random.normal(size=12_000)
        records = [digitised(clip.channel, np.zeros(12_000), house, noise) for clip in conditions.hookup.clips]
        for now_s in (0.0, 10.0, 20.0):
            ranges.learn(records, conditions, now_s)
        assert not ranges.own
