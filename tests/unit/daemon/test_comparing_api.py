"""REST of what a level is compared with: one probe, a reference unit, the highest seen; over a hub without a scope."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import count
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from fastapi.testclient import TestClient
from jsonschema import Draft202012Validator

from made_video import Made, rgb_sync, white
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.http import comparing_api
from peakwhite.daemon.http.app import create_app
from peakwhite.daemon.http.services import Services
from peakwhite.daemon.live import ControlLease, Hub, ScopeStatus
from peakwhite.daemon.live.schema import live_schema
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.reading import LatencyMs, Reading, ScopeTag
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import GainSpec

HOST = "127.0.0.1:8714"
IDENTITY = "MAKER,MODEL-4,SN77,1.0"
ONE = Hookup((Clip("CH1", "red"), Clip("CH4", "sync")))
ONE_PROBE, REFERENCE, HOLD = (f"/api/v1/{name}" for name in ("match/one-probe", "reference", "hold"))


class Bench:
    """A daemon whose captures a test makes."""

    def __init__(self, folder: Path, hookup: Hookup) -> None:
        self.setup = SetupInForce(Setup(conditions=Conditions(hookup)))
        lease = ControlLease(lambda: 0.0)
        self.hub = Hub(lease, lambda: self.setup.current.generation, lambda: 0.0)
        self.hub.announce(ScopeStatus("ready", 1, "capturing"), ())
        self.seconds = 0.0
        self._numbers = count(1)
        services = Services(
            hub=self.hub,
            lease=lease,
            setup=self.setup,
            version="1.2.3",
            run="abcd",
            hosts=frozenset({HOST}),
            page=folder,
            scan=self.scan,
            check_hookup=lambda hookup: None,
            trimmers=None,
            now_s=lambda: 0.0,
        )
        self.client = TestClient(create_app(services), base_url=f"http://{HOST}", raise_server_exceptions=False)

    async def scan(self) -> list[Any]:
        return []

    def show(self, level_mv: float, after_s: float = 10.0) -> Reading:
        """A capture of that level on all colours, so many seconds after the one before."""
        self.seconds += after_s
        number, setup = next(self._numbers), self.setup.current
        made = rgb_sync(Made(noise_mv=6.0, seed=number), *[white(level_mv)] * 3)  # type: ignore[arg-type]
        at_ns = made.captured_at_ns + round(self.seconds * 1e9)
        capture = replace(made, identity=IDENTITY, gain_spec=GainSpec(3.0), captured_at_ns=at_ns)
        measured = measure_capture(capture, setup.conditions)
        tag = ScopeTag(IDENTITY, None)
        reading = Reading("abcd", number, setup.generation, at_ns, LatencyMs(1.0, 2.0), tag, measured)
        self.hub.publish(reading)
        return reading

    def take(self, role: str, level_mv: float, after_s: float = 10.0, **more: object) -> Any:
        self.show(level_mv, after_s)
        return self.client.post(ONE_PROBE, json={"role": role} | more)

    def reading(self) -> Any:
        """The newest reading over REST, which fits the schema."""
        found = self.client.get("/api/v1/reading").json()
        frame = {"type": "reading", "reading": found}
        Draft202012Validator(live_schema()["server"]["reading"]).validate(frame)
        return found


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path, ONE)
    with made.client:
        yield made


def refused(response: Any, status: int, code: str) -> str:
    body = response.json()
    assert (response.status_code, body["code"]) == (status, code)
    return f"{body['detail']}; {body['do']}"


def test_four_colours_taken_in_turn_are_a_match_that_readings_carry(bench: Bench) -> None:
    for role, level_mv, due in (("red", 714.0, "green"), ("green", 702.0, "blue"), ("blue", 708.0, "red")):
        body = bench.take(role, level_mv).json()
        assert (body["due"], body["match"], body["problem"]) == (due, None, None)
    body = bench.take("red", 714.0).json()
    assert [one["role"] for one in body["taken"]] == ["red", "green", "blue", "red"]
    assert body["match"]["method"] == "one-probe"
    assert bench.client.get(ONE_PROBE).json() == body
    assert bench.show(600.0).setup == body["setup"]
    match = bench.reading()["match"]
    assert match == body["match"]
    assert match["spread_mv"] == pytest.approx(12.0, abs=2.0) and match["u95_mv"] < 5.0


def test_the_match_ages(bench: Bench) -> None:
    for role in ("red", "green", "blue", "red"):
        bench.take(role, 700.0)
    bench.show(700.0, after_s=60.0)
    assert bench.reading()["match"] is not None
    bench.show(700.0, after_s=0.1)
    assert bench.reading()["match"] is None, "one colour alone is no match of any kind"


def test_colours_taken_too_far_apart_say_why_they_are_no_match(bench: Bench) -> None:
    for role in ("red", "green", "blue"):
        bench.take(role, 700.0, after_s=25.0)
    body = bench.take("red", 700.0, after_s=25.0).json()
    assert (body["match"], body["problem"]) == (None, "they lie 75 s apart, and 60 s is the most")


def test_a_colour_out_of_turn_is_refused_and_changes_nothing(bench: Bench) -> None:
    assert "green is not due; take red first" in refused(bench.take("green", 700.0), 422, "usage")
    refused(bench.take("mauve", 700.0), 422, "usage")
    assert bench.setup.current.generation == 1


def test_what_was_taken_is_forgotten_on_request_and_with_another_hookup(bench: Bench) -> None:
    bench.take("red", 700.0)
    assert bench.client.delete(ONE_PROBE).json()["taken"] == []
    bench.take("red", 700.0)
    bench.client.put("/api/v1/hookup", json={"clips": [{"channel": "CH2", "role": "red"}]})
    assert bench.client.get(ONE_PROBE).json()["taken"] == []


def test_a_level_that_is_not_there_cannot_be_taken(bench: Bench) -> None:
    assert "no reading" in refused(bench.client.post(ONE_PROBE, json={"role": "red"}), 503, "no-reading")
    assert "shows no white on CH1" in refused(bench.take("red", 0.0), 422, "usage")
    assert "shows no white on CH1" in refused(bench.take("red", 1600.0), 422, "usage"), "clipped"
    assert "CH4 carries no colour" in refused(bench.take("red", 700.0, channel="CH4"), 422, "usage")


def test_of_several_colours_the_channel_is_named(tmp_path: Path) -> None:
    bench = Bench(tmp_path, BENCH_DEFAULT)
    with bench.client:
        told = refused(bench.take("red", 700.0), 422, "usage")
        assert "3 channels carry a colour; name the one that is moved, of CH1, CH2, CH3" in told
        assert bench.take("red", 700.0, channel="CH2").json()["taken"][0]["channel"] == "CH2"
        assert "green was taken on CH3" in refused(bench.take("green", 700.0, channel="CH3"), 422, "usage")


def test_the_present_levels_become_the_reference(bench: Bench) -> None:
    bench.show(714.0)
    assert bench.reading()["channels"][0]["reference"] is None
    body = bench.client.put(REFERENCE, json={"take": True}).json()
    assert [(one["role"], one["path"]) for one in body["levels"]] == [("red", "coax x1, 8 mV a state")]
    assert bench.client.get(REFERENCE).json() == body
    bench.show(700.0)
    reference = bench.reading()["channels"][0]["reference"]
    assert reference["percent"] == pytest.approx(98.04, abs=0.4)
    assert reference["level_mv"] == pytest.approx(body["levels"][0]["level_mv"], rel=1e-6)
    assert reference["u95_percent"] < 2.0
    assert bench.client.delete(REFERENCE).json()["levels"] == []
    bench.show(700.0)
    assert bench.reading()["channels"][0]["reference"] is None


def test_without_a_level_there_is_no_reference_to_take(bench: Bench) -> None:
    refused(bench.client.put(REFERENCE, json={"take": True}), 503, "no-reading")
    bench.show(0.0)
    assert "shows no white" in refused(bench.client.put(REFERENCE, json={"take": True}), 422, "usage")
    for body in ({}, {"take": False}, {"take": True, "more": 1}):
        refused(bench.client.put(REFERENCE, json=body), 422, "usage")
    assert bench.setup.current.generation == 1


def without(roles: set[str], reading: Reading) -> Reading:
    """That reading, had its capture missed these levels: they are held."""
    channels = tuple(
        replace(one, held=True, age_s=0.1) if one.role in roles else one for one in reading.measured.channels
    )
    return replace(reading, measured=replace(reading.measured, channels=channels))


@pytest.mark.parametrize("missed", [{"red"}, {"red", "green", "blue"}])
def test_a_capture_that_missed_a_level_is_no_reference_the_next_one_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, missed: set[str]
) -> None:
    bench = Bench(tmp_path, BENCH_DEFAULT)

    async def next_capture(_: float) -> None:
        bench.show(714.0)

    monkeypatch.setattr(comparing_api, "asyncio", SimpleNamespace(sleep=next_capture))
    with bench.client:
        bench.hub.publish(without(missed, bench.show(600.0)))
        levels = bench.client.put(REFERENCE, json={"take": True}).json()["levels"]
    assert [one["role"] for one in levels] == ["red", "green", "blue"]
    assert levels[0]["level_mv"] == pytest.approx(714.0, abs=3.0)


def test_where_every_capture_misses_a_level_the_others_are_the_reference(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench, captures = Bench(tmp_path, BENCH_DEFAULT), count()

    async def next_capture(_: float) -> None:
        every = {"red", "green", "blue"} if next(captures) % 2 else {"blue"}
        bench.hub.publish(without(every, bench.show(714.0)))

    monkeypatch.setattr(comparing_api, "asyncio", SimpleNamespace(sleep=next_capture))
    with bench.client:
        bench.hub.publish(without({"red", "green", "blue"}, bench.show(600.0)))
        levels = bench.client.put(REFERENCE, json={"take": True}).json()["levels"]
    assert [one["role"] for one in levels] == ["red", "green"]


@pytest.mark.parametrize("on", [1, 0, "yes", "false", None])
def test_hold_is_put_on_by_true_and_off_by_false_alone(bench: Bench, on: object) -> None:
    refused(bench.client.put(HOLD, json={"on": on}), 422, "usage")


@pytest.mark.parametrize("take", [1, 1.0, "true"])
def test_a_reference_is_taken_by_true_alone(bench: Bench, take: object) -> None:
    bench.show(714.0)
    refused(bench.client.put(REFERENCE, json={"take": take}), 422, "usage")


def test_levels_are_rounded_as_readings_are(bench: Bench) -> None:
    bench.show(714.0)
    red = bench.reading()["channels"][0]
    taken = bench.client.post(ONE_PROBE, json={"role": "red"}).json()["taken"][0]
    assert taken["level_mv"] == red["peak_white_mv"]
    bench.show(714.0)
    red = bench.reading()["channels"][0]
    reference = bench.client.put(REFERENCE, json={"take": True}).json()["levels"][0]
    assert (reference["level_mv"], reference["u95_mv"]) == (red["peak_white_mv"], red["u95_mv"])


def test_hold_is_put_on_begun_anew_and_put_off(bench: Bench) -> None:
    assert bench.client.get(HOLD).json() == {"on": False, "setup": 1}
    assert bench.client.put(HOLD, json={"on": True}).json() == {"on": True, "setup": 2}
    assert bench.show(700.0).measured.channels[0].highest is not None
    assert bench.reading()["channels"][0]["highest"]["age_s"] == 0.0
    assert bench.setup.current.conditions.hold_since == 2
    assert bench.client.put(HOLD, json={"on": True}).json() == {"on": True, "setup": 3}
    assert bench.setup.current.conditions.hold_since == 3, "another number begins anew"
    assert bench.client.put(HOLD, json={"on": False}).json() == {"on": False, "setup": 4}
    assert bench.show(700.0).measured.channels[0].highest is None


WRITES = [
    ("POST", ONE_PROBE, {"role": "red"}),
    ("DELETE", ONE_PROBE, None),
    ("PUT", REFERENCE, {"take": True}),
    ("DELETE", REFERENCE, None),
    ("PUT", HOLD, {"on": True}),
]


@pytest.mark.parametrize(("method", "path", "body"), WRITES)
def test_while_somebody_holds_control_others_change_nothing(bench: Bench, method: str, path: str, body: object) -> None:
    token = bench.client.post("/api/v1/control", json={"name": "phone"}).json()["token"]
    bench.show(700.0)
    assert "phone holds control" in refused(bench.client.request(method, path, json=body), 409, "control-held")
    assert bench.setup.current.generation == 1
    mine = {"Peakwhite-Control": token}
    assert bench.client.request(method, path, json=body, headers=mine).status_code == 200
