"""Ranges that widen where a rail is touched, and come back."""

import numpy as np
import pytest

from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.scope_plan import channel_plans
from peakwhite.daemon.sources.scope_ranges import BACK_AFTER_S, LONGEST_S, SOON_S, WELL_INSIDE, Ranges
from peakwhite.drivers.capture import ChannelRecord

CONDITIONS = Conditions(BENCH_DEFAULT)
DIVISION = 25
STEP_S = 0.05


class Scope:
    """Records of four flat signals as an 8-bit converter with 25 codes a division sees them on the ranges in force."""

    def __init__(self) -> None:
        self.ranges = Ranges()
        self.now_s = 1000.0

    def see(self, red_v: float, seconds: float = STEP_S, sync_v: float = -0.3) -> int:
        """Look for so long; how many steps the colours are widened by then."""
        for _ in range(round(seconds / STEP_S)):
            plans = channel_plans(CONDITIONS, self.ranges.coarser)
            records = []
            for plan, level_v in zip(plans, (red_v, 0.7, 0.7, sync_v), strict=True):
                volts_per_code = plan.volts_per_div / DIVISION
                code = np.clip(np.round((level_v - plan.centre_v) / volts_per_code) + 128, 0, 255)
                codes = np.full(100, code, np.uint8)
                codes[:50] = np.clip(np.round((0.0 - plan.centre_v) / volts_per_code) + 128, 0, 255)
                zero_v = plan.centre_v - 128 * volts_per_code
                records.append(ChannelRecord(plan.name, codes, volts_per_code, zero_v, 0, 255))
            self.ranges.learn(records, CONDITIONS, self.now_s)
            self.now_s += STEP_S
        return self.ranges.coarser.get("colours", 0)

    @property
    def told(self) -> list[str]:
        return [note.code for note in self.ranges.notes(CONDITIONS)]


def test_a_range_that_holds_the_signal_stays_and_nothing_is_told() -> None:
    scope = Scope()
    assert scope.see(0.75, 20.0) == 0
    assert scope.told == []


def test_a_widened_range_is_told_and_comes_back_after_five_seconds_of_a_signal_that_fits() -> None:
    scope = Scope()
    assert scope.see(1.8) == 1
    assert scope.told == ["range-widened"]
    assert scope.see(0.7, BACK_AFTER_S - STEP_S) == 1
    assert scope.see(0.7, 3 * STEP_S) == 0
    assert scope.told == []


def test_two_steps_come_back_one_by_one() -> None:
    scope = Scope()
    assert scope.see(4.0, 3 * STEP_S) == 2
    assert scope.see(0.7, BACK_AFTER_S + 2 * STEP_S) == 1
    assert scope.see(0.7, BACK_AFTER_S + 2 * STEP_S) == 0


def test_a_level_near_the_edge_of_the_finer_range_keeps_the_wider_one() -> None:
    scope = Scope()
    plan = channel_plans(CONDITIONS, {})[0]
    edge_v = plan.centre_v + WELL_INSIDE * 4 * plan.volts_per_div
    scope.see(1.8)
    assert scope.see(edge_v + 0.03, 60.0) == 1
    assert scope.see(edge_v - 0.03, BACK_AFTER_S + 2 * STEP_S) == 0


def test_an_excursion_starts_the_five_seconds_anew() -> None:
    scope = Scope()
    scope.see(1.8)
    scope.see(0.7, BACK_AFTER_S - STEP_S)
    scope.see(1.3)
    assert scope.see(0.7, BACK_AFTER_S - STEP_S) == 1


def test_a_range_that_proves_too_fine_soon_again_waits_twice_as_long_and_after_a_quiet_time_as_at_first() -> None:
    scope = Scope()
    waits = []
    for _ in range(7):
        scope.see(1.8)
        began_s = scope.now_s
        while scope.see(0.7):
            pass
        waits.append(scope.now_s - began_s)
    assert waits == pytest.approx([5.0, 10.0, 20.0, 40.0, LONGEST_S, LONGEST_S, LONGEST_S], abs=0.2)
    scope.see(0.7, SOON_S + 1.0)
    scope.see(1.8)
    assert scope.see(0.7, BACK_AFTER_S + 2 * STEP_S) == 0


def test_a_sync_finds_its_range_without_a_word() -> None:
    scope = Scope()
    scope.see(0.7, 1.0, sync_v=4.0)
    assert scope.ranges.coarser["sync"] >= 3
    assert scope.told == []
