"""A scope of two channels: what the page is told to do with it, and one probe that is moved over the colours."""

from collections.abc import Callable
from typing import Any

import pytest

from live_client import channel_of, is_fresh, live_client

ONE_PROBE = "api/v1/match/one-probe"
HOOKUP = {"clips": [{"channel": "CH1", "role": "red"}, {"channel": "CH2", "role": "sync"}]}
GAIN_PERCENT = {"red": 100.0, "green": 97.0, "blue": 99.5}


def _red_under(setup: int, about_mv: float) -> Callable[[dict[str, Any]], bool]:
    """Readings made under that set-up in which the moved probe shows about that white."""
    return lambda reading: (
        reading["setup"] == setup
        and is_fresh(reading, "red")
        and abs(channel_of(reading, "red")["peak_white_mv"] - about_mv) < 3.0
    )


@pytest.mark.parametrize("dialect", ["curve", "preamble"])
def test_one_probe_is_moved_over_the_colours_of_a_two_channel_scope(children: Any, dialect: str) -> None:
    scope = children.scope("--clock", "fast", "--seed", "3", "--channels", "2", "--dialect", dialect)
    scope.ask({"set": {role: {"gain_percent": percent} for role, percent in GAIN_PERCENT.items()}})
    true_mv = {
        role: signal["peak_white_mv"] for role, signal in scope.ask({"get": "truth"})["truth"]["signals"].items()
    }
    scope.ask({"front": {"CH1": {"gain_error_pct": 2.5}, "CH2": {"clipped_to": "sync"}}})
    read_mv = {role: 1.025 * true_mv[role] for role in GAIN_PERCENT}
    daemon = children.daemon("serve", "--scope", scope.resource)
    with live_client(daemon) as live:
        (problem,) = live.until("status", lambda status: bool(status["problems"]))["problems"]
        assert problem["code"] == "hookup"
        assert problem["text"].endswith("the hookup names 4 channels, and the scope has CH1 and CH2")
        assert problem["do"].startswith("change the hookup to red on CH1 and sync on CH2; move that one probe over")
        setup = daemon.json("PUT", "api/v1/hookup", HOOKUP)["setup"]
        for number, role in enumerate(("red", "green", "blue", "red"), 1):
            scope.ask({"front": {"CH1": {"clipped_to": role}}})
            live.reading(_red_under(setup, read_mv[role]))
            taken = daemon.json("POST", ONE_PROBE, {"role": role})
            setup = taken["setup"]
            assert [one["role"] for one in taken["taken"]] == ["red", "green", "blue", "red"][:number]
        reading = live.reading(_red_under(setup, read_mv["red"]))
        ages = [one["age_s"] for one in daemon.json("GET", ONE_PROBE)["taken"]]
    assert ages == sorted(ages, reverse=True) and 0.0 <= ages[-1] < ages[0] < 60.0
    match = reading["match"]
    assert (match["method"], match["highest"], match["lowest"], match["ok"]) == ("one-probe", "red", "green", False)
    assert abs(match["spread_mv"] - (true_mv["red"] - true_mv["green"])) < match["u95_mv"] < 10.0
    assert channel_of(reading, "red")["path"] is not None
