"""Crowds at the live socket of a whole daemon: many that look on, and those that do what no client should."""

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

from crowd import come_and_go, deaf, join, leave, talk_nonsense
from live_client import live_client


def descriptors(daemon: Any) -> int:
    return len(list(Path(f"/proc/{daemon.process.pid}/fd").iterdir()))


def viewers(daemon: Any) -> int:
    """How many viewers the daemon says there are, the asking one not counted."""
    with live_client(daemon) as live:
        count: int = live.until("status", lambda frame: True)["viewers"]
        return count - 1


def test_a_hundred_viewers_are_all_served(lasting_demo: Any, eventually: Callable[..., Any]) -> None:
    async def look_on() -> list[int]:
        lookers = await join(lasting_demo.live_url, 100)
        before = [looker.readings for looker in lookers]
        while lookers[0].readings < before[0] + 20:
            await asyncio.sleep(0.05)
        seen = [looker.readings - count for looker, count in zip(lookers, before, strict=True)]
        leave(lookers)
        return seen

    assert min(asyncio.run(look_on())) >= 10
    eventually(lambda: viewers(lasting_demo) == 0)


def test_twenty_that_never_read_keep_nothing_from_the_others(lasting_demo: Any, eventually: Callable[..., Any]) -> None:
    sockets = deaf(lasting_demo.live_url, 20)
    try:
        eventually(lambda: viewers(lasting_demo) == 20)
        with live_client(lasting_demo) as live:
            numbers = [live.reading()["seq"] for _ in range(40)]
        assert numbers == sorted(set(numbers))
    finally:
        for one in sockets:
            one.close()
    eventually(lambda: viewers(lasting_demo) == 0)


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
