"""Crowds in a process of their own, which are there while something is measured."""

import asyncio
import multiprocessing
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from multiprocessing.synchronize import Event
from typing import Any

from crowd import come_and_go, deaf, join, leave, talk_nonsense

NONSENSE = 200
DEAF_FOR_S = 12.0
"""Longer than the send deadline of 10 s: they are given up before they hang up themselves."""

Crowd = Callable[[str], Awaitable[Any]]


@contextmanager
def company(*crowds: Crowd, url: str) -> Iterator[None]:
    """Each of these crowds, at that live socket, until this is left or it has done what it came for."""
    spawn = multiprocessing.get_context("spawn")
    over = spawn.Event()
    there = []
    for crowd in crowds:
        there_is_one = spawn.Event()
        there.append(spawn.Process(target=_be_there, args=(crowd, url, there_is_one, over), daemon=True))
        there[-1].start()
        there_is_one.wait()
    try:
        yield
    finally:
        over.set()
        for one in there:
            one.join()


def _be_there(crowd: Crowd, url: str, there_is_one: Event, over: Event) -> None:
    async def be_there() -> None:
        task = asyncio.ensure_future(crowd(url))
        there_is_one.set()
        ended = asyncio.create_task(asyncio.to_thread(over.wait))
        await asyncio.wait((task, ended), return_when=asyncio.FIRST_COMPLETED)
        if task.done():
            task.result()
        task.cancel()
        await asyncio.gather(task, ended, return_exceptions=True)

    asyncio.run(be_there())


async def look_on(count: int, url: str) -> None:
    """So many viewers that take all they are sent."""
    lookers = await join(url, count)
    try:
        await asyncio.Event().wait()
    finally:
        leave(lookers)


async def stay_deaf(count: int, url: str) -> None:
    """So many that never read; once they have been given up they come again."""
    while True:
        sockets = deaf(url, count)
        try:
            await asyncio.sleep(DEAF_FOR_S)
        finally:
            for one in sockets:
                one.close()


async def talk(url: str) -> None:
    """Some that talk nonsense, for ever."""
    while True:
        await talk_nonsense(url, NONSENSE, seed=1)


async def come(count: int, url: str) -> None:
    """So many that come and go."""
    await come_and_go(url, count)
    await asyncio.Event().wait()
