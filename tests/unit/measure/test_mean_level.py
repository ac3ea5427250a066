"""Levels of several captures as one."""

import math
from dataclasses import replace

import pytest

from peakwhite.daemon.measure.level_budget import LevelBudget
from peakwhite.daemon.measure.mean_level import mean_levels
from peakwhite.daemon.measure.uncertainty import Item

GAIN = Item("scope gain", "per-channel", "rectangular", 21.0, "gain")
ONE = LevelBudget("red", 700.0, (Item("noise", "random", "normal", 2.0, "noise"), GAIN), channel="CH1", blanking_mv=1.0)


def test_the_mean_of_captures_is_less_noisy_and_no_better_known_otherwise() -> None:
    [mean] = mean_levels([[replace(ONE, level_mv=level_mv)] for level_mv in (698.0, 700.0, 702.0, 704.0)])
    assert (mean.level_mv, mean.blanking_mv, mean.channel) == (701.0, 1.0, "CH1")
    [noise] = mean.items_of("noise")
    assert noise.standard_mv == pytest.approx(2.0 / math.sqrt(4.0))
    assert mean.items_of("gain") == (GAIN,)


def test_a_channel_that_one_capture_did_not_show_has_no_mean() -> None:
    other = replace(ONE, channel="CH2", role="green")
    assert [one.channel for one in mean_levels([[ONE, other], [ONE]])] == ["CH1"]
