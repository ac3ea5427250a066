"""The main job over real processes: what the live socket says against what the simulated unit really puts out."""

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from live_client import LiveClient, channel_of, is_fresh, live_client

COLOURS = ("red", "green", "blue")


UNIT = {
    role: {"gain_percent": gain, "disconnected": False} for role, gain in (("red", 105), ("green", 100), ("blue", 98))
}
FRONT = {"terminated": True, "CH1": {"gain_error_pct": 0.0}}


@pytest.fixture
def simulated_scope(lasting_bench: Any) -> Any:
    """The module's simulated scope with unit and front end as at the start."""
    lasting_bench.scope.ask({"set": UNIT | {"sync": {"disconnected": False}}})
    lasting_bench.scope.ask({"front": FRONT})
    return lasting_bench.scope


@pytest.fixture
def daemon(lasting_bench: Any, simulated_scope: Any) -> Any:
    """The module's daemon with the hookup as at the start."""
    hookup = lasting_bench.daemon.json("GET", "api/v1/hookup")
    roles = ("red", "green", "blue", "sync")
    clips = [clip | {"role": role} for clip, role in zip(hookup["clips"], roles, strict=True)]
    lasting_bench.daemon.json("PUT", "api/v1/hookup", {"clips": clips})
    return lasting_bench.daemon


@pytest.fixture
def live(daemon: Any) -> Iterator[LiveClient]:
    generation = daemon.json("GET", "api/v1/hookup")["setup"]
    with live_client(daemon) as client:
        client.reading(lambda reading: reading["setup"] == generation)
        yield client


def truth_of(scope: Any, role: str) -> float:
    level_mv: float = scope.ask({"get": "truth"})["truth"]["signals"][role]["peak_white_mv"]
    return level_mv


def independent_u95_mv(level_mv: float) -> float:
    """95 % half-width by drawing: gain ±3 %, load ±0.5 %, two states off by ±0.5 LSB each of 8 mV, all rectangular."""
    random = np.random.default_rng(11)
    draws = 200_000
    gain = 1.0 + random.uniform(-0.03, 0.03, draws)
    load = 1.0 + random.uniform(-0.005, 0.005, draws)
    states_mv = random.uniform(-4.0, 4.0, (2, draws))
    return float(np.quantile(np.abs(level_mv * gain * load + states_mv[0] - states_mv[1] - level_mv), 0.95))


def test_the_socket_begins_with_hello_then_status_and_brings_valid_readings(daemon: Any) -> None:
    with live_client(daemon) as live:
        hello, status = live.frame(), live.frame()
        first, second = live.reading(), live.reading()
    assert (hello["type"], hello["demo"], hello["rate_hz"]) == ("hello", False, 20.0)
    assert status["type"] == "status"
    assert first["run"] == second["run"] == hello["run"]
    assert second["seq"] > first["seq"]


def test_levels_agree_with_the_unit_within_an_uncertainty_that_is_not_overstated(
    live: LiveClient, simulated_scope: Any
) -> None:
    reading = live.reading(lambda item: is_fresh(item) and item["sync"]["state"] == "locked")
    assert reading["sync"]["system"] == "525/60"
    for role in COLOURS:
        channel, truth_mv = channel_of(reading, role), truth_of(simulated_scope, role)
        assert abs(channel["peak_white_mv"] - truth_mv) <= channel["u95_mv"]
        assert abs(channel["peak_white_mv"] - truth_mv) < 3.0, "the simulated scope has no gain error now"
        assert channel["low_mv"] < truth_mv < channel["high_mv"]
        assert channel["u95_mv"] <= 1.1 * independent_u95_mv(truth_mv)


def test_a_scope_that_is_off_by_its_specification_is_still_covered(live: LiveClient, simulated_scope: Any) -> None:
    assert simulated_scope.ask({"front": {"CH1": {"gain_error_pct": 2.5}}})["ok"]
    truth_mv = truth_of(simulated_scope, "red")
    reading = live.reading(
        lambda item: is_fresh(item, "red") and channel_of(item, "red")["peak_white_mv"] > 1.02 * truth_mv
    )
    red = channel_of(reading, "red")
    assert red["peak_white_mv"] == pytest.approx(1.025 * truth_mv, abs=3.0)
    assert abs(red["peak_white_mv"] - truth_mv) <= red["u95_mv"]


def test_a_level_follows_the_unit_and_its_zone_with_it(live: LiveClient, simulated_scope: Any) -> None:
    for gain_percent, zone in ((110.0, "over"), (97.0, "on-target"), (88.0, "dim"), (75.0, "too-low")):
        simulated_scope.ask({"set": {"red": {"gain_percent": gain_percent}}})
        truth_mv = truth_of(simulated_scope, "red")
        assert truth_mv == pytest.approx(714.3 * gain_percent / 100, abs=1.0)

        def there(reading: dict[str, Any], truth_mv: float = truth_mv) -> bool:
            return is_fresh(reading, "red") and abs(channel_of(reading, "red")["peak_white_mv"] - truth_mv) < 3.0

        assert channel_of(live.reading(there), "red")["zone"] == zone


def test_a_missing_terminator_is_named_and_not_divided_out(live: LiveClient, simulated_scope: Any) -> None:
    simulated_scope.ask({"front": {"terminated": False}})
    truth_mv = truth_of(simulated_scope, "red")
    assert truth_mv == pytest.approx(1500.0, abs=3.0)
    reading = live.reading(lambda item: is_fresh(item) and channel_of(item, "red")["peak_white_mv"] > 1480.0)
    assert channel_of(reading, "red")["peak_white_mv"] == pytest.approx(truth_mv, rel=0.01)
    codes = {hint["code"] for hint in reading["hints"]} | {
        hint["code"] for role in COLOURS for hint in channel_of(reading, role)["hints"]
    }
    assert "termination-missing" in codes


def test_the_field_is_told_and_carried_with_its_age(live: LiveClient) -> None:
    told = live.reading(lambda reading: (reading["sync"]["field"] or {}).get("lines_per_field") is not None)
    assert told["sync"]["field"]["lines_per_field"] == 262.0
    assert told["sync"]["field"]["scan"] == "progressive"
    later = live.reading(lambda reading: (reading["sync"]["field"] or {"age_s": 0.0})["age_s"] > 0.3)
    assert later["sync"]["field"]["lines_per_field"] == 262.0


def test_sync_lost_leaves_the_levels_held_and_says_so(live: LiveClient, simulated_scope: Any) -> None:
    live.reading(lambda item: is_fresh(item) and channel_of(item, "red")["peak_white_mv"] < 760.0)
    simulated_scope.ask({"set": {role: {"disconnected": True} for role in (*COLOURS, "sync")}})
    reading = live.reading(lambda item: item["sync"]["state"] == "none" and channel_of(item, "red")["held"])
    red = channel_of(reading, "red")
    assert red["peak_white_mv"] == pytest.approx(750.0, abs=5.0)
    assert red["age_s"] > 0.0
    assert "no-sync" in {hint["code"] for hint in reading["hints"]}


def test_a_new_hookup_is_in_force_from_its_generation_on(live: LiveClient, daemon: Any) -> None:
    hookup = daemon.json("GET", "api/v1/hookup")
    clips = [
        clip | {"role": {"red": "blue", "blue": "red"}.get(clip["role"], clip["role"])} for clip in hookup["clips"]
    ]
    generation = daemon.json("PUT", "api/v1/hookup", {"clips": clips})["setup"]
    assert generation == hookup["setup"] + 1
    reading = live.reading(lambda item: item["setup"] == generation)
    assert channel_of(reading, "red")["channel"] == "CH3"
    assert live.until("status", lambda frame: frame["setup"] == generation)
    assert all(live.reading()["setup"] == generation for _ in range(5))


def pairs_of(frame: dict[str, Any]) -> np.ndarray[Any, Any]:
    """Counts of a lines frame: channel, averaged line and single ones, column, lowest and highest."""
    shape = (len(frame["channels"]), 1 + len(frame["singles"]), frame["columns"], 2)
    return np.frombuffer(frame["payload"], "<i2").reshape(shape)


def test_the_averaged_line_comes_once_it_is_asked_for(live: LiveClient, simulated_scope: Any) -> None:
    live.send({"type": "lines", "width": 400})
    frame = live.until("lines", lambda frame: all(one["flats"] for one in frame["channels"] if one["role"] in COLOURS))
    pairs = pairs_of(frame)[:, 0]
    assert 300 <= frame["columns"] <= 400
    assert np.all(pairs[..., 0] <= pairs[..., 1])
    red = next(number for number, channel in enumerate(frame["channels"]) if channel["role"] == "red")
    top_mv = (
        np.median(pairs[red, :, 1][pairs[red, :, 1] > 0.5 * pairs[red].max()]) * frame["channels"][red]["mv_per_count"]
    )
    truth_mv = truth_of(simulated_scope, "red")
    assert top_mv == pytest.approx(truth_mv, rel=0.02)
    assert frame["channels"][red]["level_mv"] == pytest.approx(truth_mv, rel=0.02)
    assert frame["channels"][red]["flats"][0]["made_level"] is True


def test_a_window_of_the_line_and_single_lines_come_when_asked_for(live: LiveClient) -> None:
    live.send({"type": "lines", "width": 400, "from_us": 8.0, "to_us": 24.0, "single": 3})
    frame = live.until("lines", lambda frame: True)
    assert frame["start_us"] == 8.0
    assert frame["columns"] * frame["us_per_column"] == pytest.approx(16.0, abs=0.3)
    assert len(frame["singles"]) == min(3, frame["lines"])
    assert np.all(pairs_of(frame)[..., 0] <= pairs_of(frame)[..., 1])
    live.send({"type": "lines", "width": 0})


def test_viewers_are_counted(live: LiveClient, daemon: Any) -> None:
    with live_client(daemon):
        assert live.until("status", lambda frame: frame["viewers"] == 2)
    assert live.until("status", lambda frame: frame["viewers"] == 1)


def test_rest_gives_the_same_reading_and_says_that_all_is_ready(live: LiveClient, daemon: Any) -> None:
    seen = live.reading(is_fresh)
    reading = daemon.json("GET", "api/v1/reading")
    assert reading.keys() == seen.keys()
    assert (reading["run"], reading["seq"] >= seen["seq"]) == (seen["run"], True)
    assert daemon.json("GET", "readyz")["status"] == "ready"
