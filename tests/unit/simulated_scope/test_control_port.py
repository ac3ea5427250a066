"""The control port: JSON lines, atomic changes, errors that name the key, truth and state."""

from collections.abc import Callable
from typing import Any

import pytest

Start = Callable[..., Any]

DEMO_LEVELS = {"red": 750.0, "green": 714.3, "blue": 700.0}  # 105, 100, 98 % of 714.3 mV


@pytest.fixture(scope="module")
def running(start_scope: Start) -> Any:
    return start_scope("--clock", "fast")


@pytest.fixture
def scope(running: Any) -> Any:
    """The module's scope, its unit and bench put back."""
    state = running.control({"get": "state"})["state"]
    yield running
    assert running.control({"set": state["unit"]}) == {"ok": True}
    assert running.control({"front": state["front"]}) == {"ok": True}
    assert running.control({"fault": None}) == {"ok": True}


def truth(scope: Any) -> dict[str, Any]:
    answer = scope.control({"get": "truth"})
    assert answer.keys() == {"ok", "truth"}
    result: dict[str, Any] = answer["truth"]
    return result


def test_the_demo_unit_runs_hot_on_red(scope: Any) -> None:
    signals = truth(scope)["signals"]
    assert {role: signals[role]["peak_white_mv"] for role in DEMO_LEVELS} == pytest.approx(DEMO_LEVELS, rel=1e-3)
    assert [signals[role]["channel"] for role in ("red", "green", "blue", "sync")] == ["CH1", "CH2", "CH3", "CH4"]
    assert signals["sync"]["sync_mv"] == pytest.approx(300, rel=1e-3)
    assert signals["sync"]["peak_white_mv"] is None
    assert truth(scope)["line"] == {
        "period_us": pytest.approx(63.5556, abs=1e-4),
        "rate_hz": pytest.approx(15734.27, abs=0.01),
        "sync_width_us": 4.7,
        "lines_per_field": 262.0,
        "field_rate_hz": pytest.approx(60.0544, abs=1e-4),
        "scan": "progressive",
        "system": "525/60",
        "name": "525/60",
    }


def test_a_trimmer_moves_the_truth(scope: Any) -> None:
    assert scope.control({"set": {"red": {"gain_percent": 104.5}}}) == {"ok": True}
    assert truth(scope)["signals"]["red"]["peak_white_mv"] == pytest.approx(714.3 * 1.045, rel=1e-4)
    assert truth(scope)["signals"]["green"]["peak_white_mv"] == pytest.approx(714.3, rel=1e-4)


@pytest.mark.parametrize(
    ("form", "channels"),
    [
        ("rgb-sync", {"red": "CH1", "green": "CH2", "blue": "CH3", "sync": "CH4"}),
        ("sync-on-green", {"red": "CH1", "green": "CH2", "blue": "CH3"}),
        ("luma-sync", {"luma": "CH1"}),
        ("composite", {"composite": "CH1"}),
    ],
)
def test_every_format_has_its_channels(scope: Any, form: str, channels: dict[str, str]) -> None:
    scope.control({"set": {"format": form}})
    assert {role: signal["channel"] for role, signal in truth(scope)["signals"].items()} == channels


@pytest.mark.parametrize(
    ("system", "form", "white", "sync", "burst"),
    [
        ("525/60", "composite", 714.3, 285.7, 285.7),
        ("625/50", "composite", 700.0, 300.0, 300.0),
        ("525/60", "luma-sync", 714.3, 285.7, None),
        ("625/50", "luma-sync", 700.0, 300.0, None),
    ],
)
def test_levels_left_open_are_those_of_the_system(
    scope: Any, system: str, form: str, white: float, sync: float, burst: float | None
) -> None:
    scope.control({"set": {"system": system, "format": form}})
    (signal,) = truth(scope)["signals"].values()
    assert signal["peak_white_mv"] == pytest.approx(white, rel=1e-4)
    assert signal["sync_mv"] == pytest.approx(sync, rel=1e-4)
    assert signal["burst_mv_pp"] == (None if burst is None else pytest.approx(burst, rel=1e-4))


def test_state_gives_all_settings_back_in_the_shape_that_set_takes(scope: Any) -> None:
    wanted = {
        "system": "625/50",
        "pattern": "staircase-10",
        "interference": {"mv_pp": 20.0, "frequency_hz": 1e6},
        "luma": {"compression": {"knee_mv": 600.0, "slope": 0.5}, "coupling_ms": 33.0},
    }
    scope.control({"set": wanted})
    scope.control({"front": {"terminated": "double", "CH2": {"gain_error_pct": 2.5}}})
    scope.control({"fault": "silent"})
    state = scope.control({"get": "state"})["state"]
    assert {key: state["unit"][key] for key in ("system", "pattern", "interference")} == {
        key: wanted[key] for key in ("system", "pattern", "interference")
    }
    assert state["unit"]["luma"]["compression"] == {"knee_mv": 600.0, "slope": 0.5}
    assert (state["front"]["terminated"], state["front"]["CH2"]["gain_error_pct"]) == ("double", 2.5)
    assert (state["faults"], state["dialect"], state["bits"]) == (["silent"], "curve", 8)
    assert scope.control({"set": state["unit"]}) == {"ok": True}


@pytest.mark.parametrize(
    ("request_", "named"),
    [
        ({"set": {"pattern": "stripes"}}, ["set.pattern", '"bars-75"', '"stripes"']),
        ({"set": {"patern": "white"}}, ['"patern"', "pattern"]),
        ({"set": {"red": {"gain": 5}}}, ['"gain"', "gain_percent"]),
        ({"set": {"red": {"gain_percent": "5"}}}, ["set.red.gain_percent", "number from 0 to 1000"]),
        ({"set": {"red": {"gain_percent": True}}}, ["set.red.gain_percent", "true"]),
        ({"set": {"red": {"gain_percent": -1}}}, ["set.red.gain_percent", "-1"]),
        ({"set": {"red": 5}}, ["set.red", "object"]),
        ({"set": {"blue": {"disconnected": 1}}}, ["set.blue.disconnected", "true or false"]),
        ({"set": {"interference": {"mv_pp": 1}}}, ["set.interference", "mv_pp and frequency_hz"]),
        ({"set": {"luma": {"compression": {"knee_mv": 1, "slope": 2}}}}, ["slope", "0 to 1"]),
        ({"set": {"lines_per_field": 312}}, ["lines_per_field", "262, 263"]),
        ({"set": {"lines_per_field": 300}}, ["lines_per_field", "262, 263, 312, 313"]),
        ({"set": {"setup_mv": 400, "nominal_mv": 300}}, ["setup_mv", "nominal_mv"]),
        ({"set": 5}, ["object"]),
        ({"front": {"terminated": "triple"}}, ["front.terminated", '"double"']),
        ({"front": {"CH5": {}}}, ['"CH5"', "CH4"]),
        ({"front": {"CH1": {"gain": 1}}}, ["front.CH1", "gain_error_pct"]),
        ({"fault": "meteor"}, ["fault", "stall-once", '"meteor"']),
        ({"fault": 3}, ["fault"]),
        ({"fault": ["silent"]}, ["fault"]),
        ({"set": {"nominal_mv": 10**400}}, ["set.nominal_mv"]),
        ({"set": {"system": ["525/60"]}}, ["set.system"]),
        ({"get": "everything"}, ['"truth", "state"']),
        ({"sett": {}}, ['"sett"', "set, front, fault, get"]),
        ({"set": {}, "get": "truth"}, ["one key"]),
        ([1], ["one key"]),
    ],
)
def test_a_bad_request_names_what_is_wrong_and_changes_nothing(scope: Any, request_: Any, named: list[str]) -> None:
    before = scope.control({"get": "state"})
    answer = scope.control(request_)
    assert answer.keys() == {"error"}
    assert all(part in answer["error"] for part in named), answer["error"]
    assert scope.control({"get": "state"}) == before


def test_of_a_request_with_one_bad_value_nothing_is_done(scope: Any) -> None:
    before = scope.control({"get": "state"})
    bad = {"set": {"pattern": "ramp", "red": {"gain_percent": 50}, "blue": {"gain_percent": "x"}}}
    assert "set.blue.gain_percent" in scope.control(bad)["error"]
    assert scope.control({"get": "state"}) == before


def test_a_line_that_is_not_json_is_refused_and_the_next_one_served(scope: Any) -> None:
    client = scope.client(scope.control_port)
    assert "not JSON" in client.ask("hello")
    assert "not JSON" in client.ask("[" * 50_000)
    assert client.ask('{"get": "truth"}').startswith('{"ok": true')


def test_nothing_of_the_control_port_goes_over_scpi(scope: Any) -> None:
    client = scope.client()
    client.write('{"set":{"red":{"gain_percent":1}}}')
    assert int(client.ask("HEAD OFF;*ESR?")) & 32
    assert truth(scope)["signals"]["red"]["peak_white_mv"] > 700
