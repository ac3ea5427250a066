"""Terminator test and tie over REST, on the real simulated scope while it is served."""

from pathlib import Path
from typing import Any

import pytest

from live_client import is_fresh, live_client

TERMINATOR, TIE = "api/v1/procedures/terminator", "api/v1/procedures/tie"
COLOURS = ("red", "green", "blue")


def impedances(daemon: Any) -> dict[str, Any]:
    """What the second press tells, by role."""
    return {one["role"]: one for one in daemon.json("POST", f"{TERMINATOR}/second")["result"]}


def test_taking_the_terminators_off_tells_every_outputs_source_impedance(
    daemon: Any, simulated_scope: Any, eventually: Any
) -> None:
    simulated_scope.ask({"set": {"green": {"source_ohm": 50.0}, "blue": {"series_resistor": False}}})
    with live_client(daemon) as live:
        live.reading(lambda one: is_fresh(one) and one["channels"][2]["peak_white_mv"] > 1300.0)
    first = daemon.json("POST", f"{TERMINATOR}/first", {"second": "open"})["first"]
    assert {one["role"] for one in first} == set(COLOURS)
    simulated_scope.ask({"front": {"terminated": False}})
    with live_client(daemon) as live:
        live.reading(lambda one: is_fresh(one) and one["channels"][0]["peak_white_mv"] > 1300.0)
    found = impedances(daemon)
    for role, source_ohm in (("red", 75.0), ("green", 50.0)):
        assert found[role]["source_ohm"] == pytest.approx(source_ohm, abs=found[role]["u95_ohm"])
        assert found[role]["u95_ohm"] < 2.5 and found[role]["same_range"], "the range had room before"
    assert found["red"]["words"].endswith(": back-terminated as it should be")
    assert found["blue"]["words"].startswith("the level did not move")
    simulated_scope.ask({"front": {"terminated": True}})
    assert daemon.json("DELETE", TERMINATOR)["first"] is None
    with live_client(daemon) as live:
        live.reading(lambda one: is_fresh(one) and one["channels"][0]["peak_white_mv"] < 800.0)


def test_probes_on_one_output_are_tied_and_the_match_says_so(daemon: Any, simulated_scope: Any, tmp_path: Path) -> None:
    on_red = {"CH2": {"clipped_to": "red", "gain_error_pct": 1.5}, "CH3": {"clipped_to": "red"}}
    simulated_scope.ask({"front": on_red})
    with live_client(daemon) as live:
        live.reading(lambda one: is_fresh(one) and one["channels"][2]["peak_white_mv"] > 740.0)
        learnt = daemon.json("POST", f"{TIE}/learn", {})
        gains = {one["channel"]: one["relative_gain"] for one in learnt["learnt"]}
        assert gains["CH2"] == pytest.approx(1.015, abs=0.002)
        assert gains["CH3"] == pytest.approx(1.0, abs=0.002)
        kept = daemon.json("POST", f"{TIE}/keep")
        assert kept["file"] == str(tmp_path / "peakwhite" / "calibrations" / "SIM000001.json")
        tied = live.reading(lambda one: one["match"] is not None and one["match"]["method"] == "tied")
    assert tied["match"]["u95_mv"] == pytest.approx(learnt["match_u95_mv"], abs=1.0)
    assert learnt["match_u95_before_mv"] > 3.0 * learnt["match_u95_mv"]
