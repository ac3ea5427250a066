"""What a set-up lacks for a level, said in words with what to turn."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.hands_off_lacks import lacking
from peakwhite.drivers.present_setup import ChannelSetup, ScopeSetup

CONDITIONS = Conditions(BENCH_DEFAULT)
CHANNELS = BENCH_DEFAULT.channels


def present(of_channel: Mapping[str, Any] | None = None, name: str = "CH2", **of_scope: Any) -> ScopeSetup:
    """A stopped scope that lacks nothing, but for what is given of one channel and of the scope."""
    channels = [ChannelSetup(one, True, 0.2, 0.4, "DC", True, 1.0, False) for one in CHANNELS]
    changed = tuple(replace(one, **(of_channel or {})) if one.name == name else one for one in channels)
    return replace(ScopeSetup(changed, 500e-6, "CH4", -0.15, True, True, False, ()), **of_scope)


def said(setup: ScopeSetup, shown: tuple[str, ...] = CHANNELS) -> list[tuple[str, str, str]]:
    return [(note.code, note.text, note.do) for note in lacking(setup, CONDITIONS, shown)]


def test_nothing_is_said_of_a_set_up_that_serves() -> None:
    assert said(present()) == []
    assert said(present(acquisition="NORM", time_mode="MAIN")) == []
    assert said(present(acquisition="SAMPLE")) == []
    assert said(present({"volts_per_div": 0.5, "coupling": "D1M"})) == []


@pytest.mark.parametrize(
    ("of_channel", "of_scope", "code", "names"),
    [
        ({"coupling": "AC"}, {}, "hands-off-coupling", "CH2"),
        ({"coupling": "GND"}, {}, "hands-off-coupling", "CH2"),
        ({"coupling": "D50", "fifty_ohm": True}, {}, "hands-off-fifty-ohm", "CH2 is switched to 50 ohm"),
        ({"inverted": True}, {}, "hands-off-inverted", "CH2"),
        ({"volts_per_div": 0.236}, {}, "hands-off-vernier", "CH2"),
        ({"volts_per_div": 2.36, "probe_ratio": 10.0}, {}, "hands-off-vernier", "CH2"),
        ({"volts_per_div": 1.0}, {}, "hands-off-coarse", "0.2 V"),
        ({}, {"time_mode": "ROLL"}, "hands-off-time-mode", "ROLL"),
        ({}, {"time_mode": "XY"}, "hands-off-time-mode", "XY"),
        ({}, {"span_s": 2.0}, "hands-off-time-mode", "roll"),
        ({}, {"span_s": 100e-6}, "hands-off-span", "100 us"),
        ({}, {"acquisition": "PEAK"}, "hands-off-acquisition", "extremes"),
        ({}, {"acquisition": "AVERAGES"}, "hands-off-acquisition", "averages"),
        ({}, {"running": True}, "hands-off-running", "runs"),
    ],
)
def test_what_is_lacking_is_named(of_channel: Any, of_scope: Any, code: str, names: str) -> None:
    codes = {one: text for one, text, _ in said(present(of_channel, **of_scope))}
    assert code in codes
    assert names in codes[code]


def test_every_word_of_what_is_lacking_comes_with_what_to_do() -> None:
    worst = present(
        {"coupling": "AC", "inverted": True, "volts_per_div": 3.3}, running=True, span_s=2.0, acquisition="PEAK"
    )
    told = said(worst, ("CH1", "CH2"))
    assert [code for code, _, _ in told] == [
        "hands-off-channel-off",
        "hands-off-running",
        "hands-off-coupling",
        "hands-off-inverted",
        "hands-off-vernier",
        "hands-off-coarse",
        "hands-off-time-mode",
        "hands-off-acquisition",
    ]
    assert all(len(do) > 10 for _, _, do in told)


def test_a_sync_channel_may_be_on_any_step() -> None:
    assert said(present({"volts_per_div": 2.0}, "CH4")) == []


@pytest.mark.parametrize("volts_per_div", [0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.19999, 0.2, 0.5000001])
def test_calibrated_steps_are_known_by_what_instruments_print(volts_per_div: float) -> None:
    assert said(present({"volts_per_div": volts_per_div})) == []
