"""Latest-value fan-out: one slot a viewer and kind."""

import asyncio
import json
import threading
from collections.abc import Callable, Coroutine
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from peakwhite.daemon.live import ControlLease, Hub, Problem, ScopeStatus, Viewer
from peakwhite.daemon.live.hub import FRESH_S, KEPT_S
from peakwhite.daemon.live.schema import live_schema
from peakwhite.daemon.measure.averaged_line import LineView
from peakwhite.daemon.measure.reading import LatencyMs, Reading, ScopeTag
from scripted import a_measured

CAPTURING = ScopeStatus("ready", 1, "capturing")
GONE = ScopeStatus("lost", 1, "gone", "switch it on")
Scenario = Callable[[Hub, ControlLease], Coroutine[Any, Any, None]]


def a_reading(seq: int, setup: int = 12) -> Reading:
    return Reading(
        "test", seq, setup, 1_700_000_000_000_000_000, LatencyMs(1.0, None), ScopeTag("x", None), a_measured()
    )


def play(scenario: Scenario) -> None:
    """Run a scenario against a hub that is attached to its loop."""

    async def run() -> None:
        lease = ControlLease(lambda: 0.0, lambda: "token")
        hub = Hub(lease, lambda: 12, lambda: 5.0)
        hub.attach()
        hub.announce(CAPTURING, ())
        await settle()
        await scenario(hub, lease)

    asyncio.run(run())


async def settle() -> None:
    """Let what was scheduled on the loop run."""
    for _ in range(3):
        await asyncio.sleep(0)


async def drain(viewer: Viewer) -> list[Any]:
    """All that waits for a viewer, decoded, in the order in which it would be sent."""
    await settle()
    taken = []
    while viewer.slots:
        payload = await viewer.take()
        taken.append(json.loads(payload) if isinstance(payload, str) else payload)
    return taken


def test_whoever_joins_gets_the_status_and_the_newest_reading() -> None:
    async def scenario(hub: Hub, lease: ControlLease) -> None:
        hub.publish(a_reading(1))
        hub.publish(a_reading(2))
        frames = await drain(hub.join())
        assert [frame["type"] for frame in frames] == ["status", "reading"]
        assert frames[0]["viewers"] == 1
        assert frames[0]["setup"] == 12
        assert frames[1]["reading"]["seq"] == 2

    play(scenario)


class Clocked:
    """A hub whose time and generation a test sets; its scope captures."""

    def __init__(self) -> None:
        self.s = 5.0
        self.generation = 12
        self.hub = Hub(ControlLease(lambda: 0.0), lambda: self.generation, lambda: self.s)
        self.hub.announce(CAPTURING, ())

    def kinds_for_a_newcomer(self) -> list[str]:
        async def run() -> list[str]:
            self.hub.attach()
            return [frame["type"] for frame in await drain(self.hub.join())]

        return asyncio.run(run())


@pytest.mark.parametrize(("age_s", "kinds"), [(0.0, ["status", "reading"]), (FRESH_S + 0.1, ["status"])])
def test_whoever_joins_late_is_not_given_an_old_reading_as_new(age_s: float, kinds: list[str]) -> None:
    clocked = Clocked()
    clocked.hub.publish(a_reading(1))
    clocked.s += age_s
    assert clocked.kinds_for_a_newcomer() == kinds


def test_whoever_joins_is_not_given_the_last_reading_of_a_lost_scope() -> None:
    clocked = Clocked()
    clocked.hub.publish(a_reading(1))
    clocked.hub.announce(GONE, ())
    assert clocked.kinds_for_a_newcomer() == ["status"]


def test_a_reading_of_a_lost_scope_stands_for_two_seconds() -> None:
    clocked = Clocked()
    clocked.hub.publish(a_reading(1))
    clocked.s += 100.0
    assert clocked.hub.latest is not None
    clocked.hub.publish(a_reading(2))
    clocked.hub.announce(GONE, ())
    clocked.s += KEPT_S
    assert clocked.hub.latest is not None
    clocked.s += 0.1
    assert clocked.hub.latest is None


def test_a_reading_of_a_setup_that_was_dropped_is_handed_out_no_more() -> None:
    clocked = Clocked()
    clocked.hub.publish(a_reading(1))
    clocked.generation += 1
    assert clocked.hub.latest is None
    assert clocked.kinds_for_a_newcomer() == ["status"]
    clocked.hub.publish(a_reading(2, setup=13))
    assert clocked.kinds_for_a_newcomer() == ["status", "reading"]


def test_what_waits_for_a_viewer_is_forgotten_with_its_setup_and_what_is_on_its_way_too() -> None:
    async def run() -> None:
        clocked = Clocked()
        hub = clocked.hub
        hub.attach()
        viewer = hub.join()
        hub.ask_lines(viewer, LineView(100))
        hub.publish(a_reading(1))
        hub.publish_lines(LineView(100), b"lines")
        await settle()
        assert sorted(viewer.slots) == ["lines", "reading", "status"]
        clocked.generation += 1
        hub.setup_changed()
        hub.publish(a_reading(2))
        assert [frame["type"] for frame in await drain(viewer)] == ["status"]

    asyncio.run(run())


def test_a_viewer_that_is_slow_misses_readings_and_never_gets_an_old_one() -> None:
    async def scenario(hub: Hub, lease: ControlLease) -> None:
        viewer = hub.join()
        for seq in range(1, 50):
            hub.publish(a_reading(seq))
            await settle()
        frames = await drain(viewer)
        assert [frame["reading"]["seq"] for frame in frames if frame["type"] == "reading"] == [49]
        assert len(viewer.slots) == 0

    play(scenario)


@pytest.mark.parametrize(("taken", "written", "waiting"), [(True, [1, 2], 0), (False, [], 2)])
def test_a_reading_is_written_at_once_where_the_connection_takes_it_and_waits_where_not(
    taken: bool, written: list[int], waiting: int
) -> None:
    async def scenario(hub: Hub, lease: ControlLease) -> None:
        viewer, took = hub.join(), list[Any]()
        viewer.write = lambda payload: taken and not took.append(json.loads(payload))  # type: ignore[func-returns-value]
        await drain(viewer)
        before = hub.tally.sent["reading"]
        for seq in (1, 2):
            hub.publish(a_reading(seq))
            await settle()
        waits = [json.loads(payload)["reading"]["seq"] for payload in viewer.slots.values()]
        assert [frame["reading"]["seq"] for frame in took] == written
        assert waits == ([waiting] if waiting else [])
        assert hub.tally.sent["reading"] - before == len(written)

    play(scenario)


def test_nothing_is_written_at_once_past_what_waits_or_is_on_its_way() -> None:
    async def scenario(hub: Hub, lease: ControlLease) -> None:
        viewer, took = hub.join(), list[Any]()
        viewer.write = lambda payload: not took.append(payload)  # type: ignore[func-returns-value]
        hub.publish(a_reading(1))  # the status waits still
        await drain(viewer)
        viewer.sending_since_s = 5.0
        hub.publish(a_reading(2))
        await settle()
        assert not took
        assert [json.loads(payload)["reading"]["seq"] for payload in viewer.slots.values()] == [2]

    play(scenario)


def test_all_viewers_share_one_encoding() -> None:
    async def scenario(hub: Hub, lease: ControlLease) -> None:
        viewers = [hub.join() for _ in range(3)]
        await settle()
        hub.publish(a_reading(1))
        hub.tell_status()
        await settle()
        for kind in ("reading", "status"):
            assert len({id(viewer.slots[kind]) for viewer in viewers}) == 1

    play(scenario)


def test_readings_from_another_thread_wake_a_waiting_viewer() -> None:
    async def scenario(hub: Hub, lease: ControlLease) -> None:
        viewer = hub.join()
        await drain(viewer)
        thread = threading.Thread(target=hub.publish, args=(a_reading(7),))
        thread.start()
        payload = await asyncio.wait_for(viewer.take(), 30.0)
        thread.join()
        assert json.loads(payload)["reading"]["seq"] == 7

    play(scenario)


def test_a_change_of_status_is_told_at_once() -> None:
    async def scenario(hub: Hub, lease: ControlLease) -> None:
        viewer = hub.join()
        await drain(viewer)
        hub.announce(
            ScopeStatus("lost", 1_000_000_000, "gone", "plug it in"), [Problem("link-lost", "gone", "plug", 1)]
        )
        (frame,) = await drain(viewer)
        assert frame["scope"] == {
            "state": "lost",
            "since": "1970-01-01T00:00:01.000Z",
            "text": "gone",
            "do": "plug it in",
        }
        assert [problem["code"] for problem in frame["problems"]] == ["link-lost"]
        Draft202012Validator(live_schema()["server"]["status"]).validate(frame)

    play(scenario)


def test_only_the_holders_own_connection_hears_that_control_is_its_own() -> None:
    async def scenario(hub: Hub, lease: ControlLease) -> None:
        holder, other = hub.join(), hub.join()
        token = lease.take("phone")
        hub.claim_control(holder, token)
        hub.claim_control(other, "guessed")
        assert (await drain(holder))[0]["control"] == {"holder": "phone", "mine": True}
        assert (await drain(other))[0]["control"] == {"holder": "phone", "mine": False}

    play(scenario)


def test_viewers_are_counted_as_they_come_and_go() -> None:
    async def scenario(hub: Hub, lease: ControlLease) -> None:
        stays, goes = hub.join(), hub.join()
        assert (await drain(stays))[0]["viewers"] == 2
        hub.leave(goes)
        assert (await drain(stays))[0]["viewers"] == 1

    play(scenario)


def test_lines_go_to_those_who_asked_for_that_view() -> None:
    async def scenario(hub: Hub, lease: ControlLease) -> None:
        whole, part = LineView(800), LineView(800, 10.0, 20.0)
        wide, near, without = hub.join(), hub.join(), hub.join()
        assert hub.views_wanted == frozenset()
        hub.ask_lines(wide, whole)
        hub.ask_lines(near, part)
        assert hub.views_wanted == {whole, part}
        for viewer in (wide, near, without):
            await drain(viewer)
        hub.publish_lines(whole, b"whole")
        hub.publish_lines(part, b"part")
        assert [await drain(viewer) for viewer in (wide, near, without)] == [[b"whole"], [b"part"], []]
        hub.ask_lines(near, None)
        hub.leave(wide)
        assert hub.views_wanted == frozenset()

    play(scenario)


def test_a_view_that_nobody_asks_for_any_more_is_not_sent() -> None:
    async def scenario(hub: Hub, lease: ControlLease) -> None:
        viewer = hub.join()
        hub.ask_lines(viewer, LineView(800))
        await drain(viewer)
        hub.publish_lines(LineView(800), b"whole")
        await settle()
        hub.ask_lines(viewer, LineView(800, 10.0, 20.0))
        assert await drain(viewer) == []

    play(scenario)


def test_without_a_loop_nothing_is_lost_but_the_handing_out() -> None:
    hub = Hub(ControlLease(lambda: 0.0), lambda: 1, lambda: 5.0)
    hub.publish(a_reading(3, setup=1))
    hub.announce(ScopeStatus("ready", 1, "capturing"), ())
    assert hub.latest is not None
    assert hub.latest.reading.seq == 3


@pytest.mark.parametrize("direction", ["server", "client"])
def test_every_schema_is_one_and_takes_no_unknown_key(direction: str) -> None:
    for schema in live_schema()[direction].values():
        Draft202012Validator.check_schema(schema)
        assert schema["additionalProperties"] is False
        optional = {"from_us", "to_us", "single"} if schema["title"] == "LinesRequest" else set()
        assert set(schema["required"]) == set(schema["properties"]) - optional
