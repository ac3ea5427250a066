"""Crowds at the live socket of a whole daemon: many that look on, and those that do what no client should."""

import asyncio
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from typing import Any

import pytest

from crowd import come_and_go, deaf, join, leave, talk_nonsense
from live_client import live_client
from scraped import counted

WINDOW_S = 3.0
LEAST_RATE = 0.7
"""Of the rate with one viewer, on a machine that does other things too; the benchmark `load` says 0.98."""
MOST_TURNS = 6
DEADLINE_PASSES_S = 80.0


def descriptors(daemon: Any) -> int:
    return len(list(Path(f"/proc/{daemon.process.pid}/fd").iterdir()))


def viewers(daemon: Any) -> int:
    """How many viewers the daemon says there are, the asking one not counted."""
    with live_client(daemon) as live:
        count: int = live.until("status", lambda frame: True)["viewers"]
        return count - 1


@contextmanager
def those_deaf(daemon: Any) -> Iterator[None]:
    """Twenty viewers that never read."""
    sockets = deaf(daemon.live_url, 20)
    try:
        yield
    finally:
        for one in sockets:
            one.close()


@pytest.mark.timeout(300)
def test_a_hundred_viewers_are_all_served_and_captures_are_no_fewer(
    lasting_demo: Any, eventually: Callable[..., Any]
) -> None:
    async def rate_per_s(count: int) -> float:
        """Readings a second that the daemon makes while so many look on, each of whom sees a third of them or more."""
        lookers = await join(lasting_demo.live_url, count)
        before, seen = await asyncio.to_thread(counted, lasting_demo), [one.readings for one in lookers]
        await asyncio.sleep(WINDOW_S)
        after = await asyncio.to_thread(counted, lasting_demo)
        made = after["peakwhite_readings_total"] - before["peakwhite_readings_total"]
        assert min(one.readings - had for one, had in zip(lookers, seen, strict=True)) >= made / 3
        leave(lookers)
        return made / (after["peakwhite_uptime_seconds"] - before["peakwhite_uptime_seconds"])

    async def by_turns() -> tuple[list[float], list[float]]:
        """With one and with a hundred, in turn. What else the machine does only ever makes a turn slower: while it does, more."""
        alone, crowded = [await rate_per_s(1)], list[float]()
        for turns in range(1, MOST_TURNS + 1):
            crowded.append(await rate_per_s(100))
            alone.append(await rate_per_s(1))
            if turns >= 2 and max(crowded) >= LEAST_RATE * median(alone):
                break
        return alone, crowded

    alone, crowded = asyncio.run(by_turns())
    assert max(crowded) >= LEAST_RATE * median(alone), (alone, crowded)
    eventually(lambda: viewers(lasting_demo) == 0)


@pytest.mark.timeout(240)
def test_twenty_that_never_read_are_ended_as_too_slow_and_keep_nothing_from_the_others(lasting_demo: Any) -> None:
    with live_client(lasting_demo) as live:
        numbers = [live.reading()["seq"]]
        before = counted(lasting_demo)
        until_s = time.monotonic() + DEADLINE_PASSES_S
        grown: dict[str, float] = {}
        with those_deaf(lasting_demo):
            while grown.get("peakwhite_viewers_gone_total too-slow", 0.0) < 20.0:
                assert time.monotonic() < until_s, grown
                numbers += [live.reading()["seq"] for _ in range(10)]
                grown = {name: value - before.get(name, 0.0) for name, value in counted(lasting_demo).items()}
    assert grown["peakwhite_viewers_gone_total left"] == 0.0
    # It came first, to the first place: what it did not get, a newer one took the place of.
    missed = numbers[-1] - numbers[0] + 1 - len(set(numbers))
    assert numbers == sorted(set(numbers))
    assert missed <= grown["peakwhite_viewer_frames_dropped_total 1"] + grown["peakwhite_readings_overtaken_total"]
    assert missed < len(numbers) / 2
    # Of what the deaf ones did not take nothing but the newest was kept for them.
    given_up = sum(grown[f"peakwhite_viewer_frames_dropped_total {place}"] for place in range(2, 17)) / 15
    assert given_up >= len(numbers) / 2


def test_marks_are_kept_while_some_never_read_and_others_talk_nonsense(lasting_demo: Any) -> None:
    async def keep_among_them() -> list[int]:
        talking = asyncio.create_task(talk_nonsense(lasting_demo.live_url, 80, seed=9))
        marks = [(await asyncio.to_thread(lasting_demo.json, "POST", "api/v1/book/marks", {}))["id"] for _ in range(20)]
        assert await talking == 80
        return marks

    with live_client(lasting_demo) as live:
        assert live.reading()
    with those_deaf(lasting_demo):
        marks = asyncio.run(keep_among_them())
    kept = [mark["id"] for mark in lasting_demo.json("GET", "api/v1/book/marks")["marks"]]
    assert len(set(marks)) == 20
    assert set(marks) <= set(kept)


def test_whoever_talks_nonsense_is_hung_up_on_and_nobody_else_is(lasting_demo: Any) -> None:
    with live_client(lasting_demo) as live:
        assert asyncio.run(talk_nonsense(lasting_demo.live_url, 40, seed=7)) == 40
        assert live.reading()
    assert lasting_demo.process.poll() is None


def test_five_hundred_comings_and_goings_leave_nothing_open(lasting_demo: Any, eventually: Callable[..., Any]) -> None:
    asyncio.run(come_and_go(lasting_demo.live_url, 20))
    eventually(lambda: viewers(lasting_demo) == 0)
    before = descriptors(lasting_demo)
    asyncio.run(come_and_go(lasting_demo.live_url, 500))
    eventually(lambda: viewers(lasting_demo) == 0)
    eventually(lambda: descriptors(lasting_demo) <= before + 1)
