"""Levels compared on the real simulated scope, whose channels read differently: tie, one probe, reference unit, hold."""

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from live_client import LiveClient, channel_of, is_fresh, live_client

COLOURS = ("red", "green", "blue")
GAIN_ERRORS_PCT = {"CH1": 2.5, "CH2": -1.5, "CH3": 0.5}
ONE_COLOUR = {"clips": [{"channel": "CH1", "role": "red"}, {"channel": "CH4", "role": "sync"}]}
ONE_PROBE, REFERENCE, HOLD = (f"api/v1/{name}" for name in ("match/one-probe", "reference", "hold"))


@pytest.fixture
def scope(children: Any) -> Any:
    """A simulated scope each of whose channels is off by another part."""
    started = children.scope("--clock", "fast", "--seed", "21")
    started.ask({"front": {name: {"gain_error_pct": pct} for name, pct in GAIN_ERRORS_PCT.items()}})
    turn(started, red=100.0, green=100.0, blue=100.0)
    return started


def turn(scope: Any, **percent: float) -> None:
    """Turn trimmers of the unit."""
    assert "error" not in scope.ask({"set": {role: {"gain_percent": one} for role, one in percent.items()}})


def truth_mv(scope: Any, role: str) -> float:
    return float(scope.ask({"get": "truth"})["truth"]["signals"][role]["peak_white_mv"])


def fresh(live: LiveClient, setup: int, *roles: str) -> Any:
    """A reading made under that set-up in which these channels were seen."""
    return live.reading(lambda reading: reading["setup"] == setup and is_fresh(reading, *roles))


def red_at(live: LiveClient, setup: int, mv: float) -> Any:
    """A reading made under that set-up in which red was seen at that level."""
    return live.reading(
        lambda reading: (
            reading["setup"] == setup
            and is_fresh(reading, "red")
            and abs(channel_of(reading, "red")["peak_white_mv"] - mv) < 3.0
        )
    )


def tie(resource: str, folder: Path) -> str:
    """Run `peakwhite calibrate tie`, with somebody who has put all probes on one output."""
    environment = os.environ | {"XDG_CONFIG_HOME": str(folder), "XDG_STATE_HOME": str(folder)}
    command = (sys.executable, "-m", "peakwhite.daemon", "calibrate", "tie", "--scope", resource)
    done = subprocess.run(command, input="\n", capture_output=True, encoding="utf-8", env=environment, timeout=60)  # noqa: PLW1510
    assert done.returncode == 0, done.stderr
    assert "Put the probes of all colours on one output" in done.stderr
    return done.stdout


def test_tied_channels_tell_how_the_outputs_differ_and_not_how_they_themselves_do(
    children: Any, scope: Any, tmp_path: Path
) -> None:
    told = tie(scope.resource, tmp_path)
    assert "CH2 on SIM000001: reads 0.96" in told and "CH3 on SIM000001: reads 0.98" in told
    turn(scope, red=100.0, green=99.0, blue=98.0)
    true_mv = {role: truth_mv(scope, role) for role in COLOURS}
    daemon = children.daemon("serve", "--scope", scope.resource)
    with live_client(daemon) as live:
        reading = live.reading(lambda one: is_fresh(one) and one["match"] is not None)
    match = reading["match"]
    assert (match["method"], match["highest"], match["lowest"]) == ("tied", "red", "blue")
    assert abs(match["spread_mv"] - (true_mv["red"] - true_mv["blue"])) < match["u95_mv"] < 9.0
    levels = {role: channel_of(reading, role)["peak_white_mv"] for role in COLOURS}
    assert levels["red"] - levels["green"] > 25.0, "as the channels read it, most of that is their own"


def test_one_probe_is_moved_over_the_colours_and_readings_carry_the_match(children: Any, scope: Any) -> None:
    daemon = children.daemon("serve", "--scope", scope.resource)
    token = daemon.json("POST", "api/v1/control", {"name": "bench"})["token"]
    mine = {"Peakwhite-Control": token}
    setup = daemon.json("PUT", "api/v1/hookup", ONE_COLOUR, mine)["setup"]
    true_mv = {}
    with live_client(daemon) as live:
        for role, percent in (("red", 100.0), ("green", 99.0), ("blue", 99.5), ("red", 100.0)):
            turn(scope, red=percent)  # what the probe on CH1 sees, once it is moved
            true_mv[role] = truth_mv(scope, "red")
            red_at(live, setup, true_mv[role] * (1.0 + GAIN_ERRORS_PCT["CH1"] / 100.0))
            status, _, _ = daemon.request("POST", ONE_PROBE, {"role": role})
            assert status == 409, "somebody holds control"
            taken = daemon.json("POST", ONE_PROBE, {"role": role}, mine)
            setup = taken["setup"]
        reading = fresh(live, setup, "red")
    match = reading["match"]
    assert match == taken["match"]
    assert (match["method"], match["highest"], match["lowest"], match["ok"]) == ("one-probe", "red", "green", True)
    assert abs(match["spread_mv"] - (true_mv["red"] - true_mv["green"])) < match["u95_mv"] < 9.0
    setup = daemon.json("DELETE", ONE_PROBE, None, mine)["setup"]
    with live_client(daemon) as live:
        assert fresh(live, setup, "red")["match"] is None


def test_levels_are_told_as_per_cent_of_a_reference_until_it_is_forgotten(children: Any, scope: Any) -> None:
    daemon = children.daemon("serve", "--scope", scope.resource)
    with live_client(daemon) as live:
        fresh(live, 1)
        setup = daemon.json("PUT", REFERENCE, {"take": True})["setup"]
        before_mv = truth_mv(scope, "red")
        turn(scope, red=90.0)
        ratio = 100.0 * truth_mv(scope, "red") / before_mv
        reading = live.reading(
            lambda one: (
                one["setup"] == setup
                and is_fresh(one)
                and channel_of(one, "red")["reference"]["percent"] < 0.5 * (100.0 + ratio)
            )
        )
        reference = channel_of(reading, "red")["reference"]
        assert abs(reference["percent"] - ratio) < reference["u95_percent"] < 2.5
        assert channel_of(reading, "green")["reference"]["percent"] == pytest.approx(100.0, abs=1.0)
        setup = daemon.json("DELETE", REFERENCE)["setup"]
        assert channel_of(fresh(live, setup), "red")["reference"] is None


def test_the_highest_level_is_held_while_the_present_one_falls_and_a_reset_begins_anew(
    children: Any, scope: Any
) -> None:
    daemon = children.daemon("serve", "--scope", scope.resource, "--hold")
    assert daemon.json("GET", HOLD) == {"on": True, "setup": 1}
    with live_client(daemon) as live:
        high_mv = channel_of(fresh(live, 1), "red")["highest"]["level_mv"]
        turn(scope, red=80.0)
        red = channel_of(
            live.reading(lambda one: is_fresh(one) and channel_of(one, "red")["peak_white_mv"] < 0.85 * high_mv), "red"
        )
        assert red["highest"]["level_mv"] >= high_mv > 1.15 * red["peak_white_mv"]
        assert red["highest"]["age_s"] > 0.0 and red["highest"]["lines"] >= 2 and red["highest"]["dwell_us"] > 2.0
        setup = daemon.json("PUT", HOLD, {"on": True})["setup"]
        assert channel_of(fresh(live, setup), "red")["highest"]["level_mv"] < 0.85 * high_mv
        setup = daemon.json("PUT", HOLD, {"on": False})["setup"]
        assert channel_of(fresh(live, setup), "red")["highest"] is None
