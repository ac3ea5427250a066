"""Load and abuse: what one viewer gets, and what the daemon costs, while others look on, do not read, talk nonsense, come and go.

    python -m tests.bench load

Simulated scope with its real clock, daemon, the viewer and the crowd are processes of their own and share the machine's
cores. The yardstick is the first row of the same run, one viewer alone: `to_alone` is readings made a second to its. The
latency is from the capture being complete to the frame in the viewer's hands.
"""

import asyncio
import json
import multiprocessing
import os
import tempfile
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from functools import partial
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import Any

from tests.bench.live import seen, started

from crowd import come_and_go, deaf, join, leave, talk_nonsense

RATES_HZ = (20, 100)
LAST_S = 20.0
VIEWERS, DEAF, NONSENSE, COMINGS = 100, 20, 200, 10_000


def run() -> dict[str, object]:
    """A row a rate and crowd."""
    return {"load": [row for rate_hz in RATES_HZ for row in at_rate(rate_hz)]}


def at_rate(rate_hz: int) -> list[dict[str, Any]]:
    """The rows of one pace of captures, each with its ratio to the first."""
    crowds: list[tuple[str, Callable[[str], Awaitable[Any]] | None]] = [
        ("one viewer", None),
        (f"and {VIEWERS - 1} viewers more", partial(_look_on, VIEWERS - 1)),
        (f"and {DEAF} that never read", partial(_stay_deaf, DEAF)),
        ("and one after the other talks nonsense", _talk),
        (f"and {COMINGS} come and go", partial(_come, COMINGS)),
        ("one viewer again", None),
    ]
    with _daemon(rate_hz) as (daemon, url):
        rows: list[dict[str, Any]] = [
            {"rate_hz": rate_hz, "what": what} | _seen(daemon, url, crowd) for what, crowd in crowds
        ]
    alone = rows[0]["made_per_s"]
    return [row | {"to_alone": round(row["made_per_s"] / alone, 3)} for row in rows]


@contextmanager
def _daemon(rate_hz: int) -> Iterator[tuple[int, str]]:
    with started("peakwhite.simulated_scope", "--clock", "real") as (_, line), tempfile.TemporaryDirectory() as folder:
        settings = Path(folder) / "bench.toml"
        settings.write_text(f'[scope]\nresource = "{json.loads(line)["scpi"]}"\n[live]\nrate_hz = {rate_hz}\n')
        options = ("--config", str(settings), "--port", "0", "--no-browser")
        with started("peakwhite.daemon", "serve", *options, state=folder) as (daemon, url):
            yield daemon, f"ws{url.strip().removeprefix('http')}api/v1/live"


def _seen(daemon: int, url: str, crowd: Callable[[str], Awaitable[Any]] | None) -> dict[str, Any]:
    """What one viewer gets for a while, the crowd being there; and what the daemon costs meanwhile."""
    spawn = multiprocessing.get_context("spawn")
    there_is_one, over = spawn.Event(), spawn.Event()
    others = None
    if crowd is not None:
        others = spawn.Process(target=_crowd, args=(crowd, url, there_is_one, over), daemon=True)
        others.start()
        there_is_one.wait()
    found = seen(daemon, url, 1, LAST_S)
    over.set()
    if others is not None:
        others.join()
    latencies_ms = sorted(found.latencies_ms)
    return {
        "made_per_s": round(found.made / found.took_s, 2),
        "seen_per_s": round(found.counts[0] / found.took_s, 2),
        "to_viewer_p50_ms": round(latencies_ms[len(latencies_ms) // 2], 1),
        "to_viewer_p99_ms": round(latencies_ms[int(len(latencies_ms) * 0.99)], 1),
        "core_pct": round(100 * found.used_s / found.took_s, 1),
        "memory_mb": resident_mb(daemon),
        "descriptors": descriptors(daemon),
    }


def resident_mb(process: int) -> float:
    """Resident memory of a process, MB."""
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return round(pages * os.sysconf("SC_PAGE_SIZE") / 1e6, 1)


def descriptors(process: int) -> int:
    """How many descriptors a process has open."""
    return len(list(Path(f"/proc/{process}/fd").iterdir()))


def _crowd(crowd: Callable[[str], Awaitable[Any]], url: str, there_is_one: Event, over: Event) -> None:
    """The crowd's process: it is there from the first event to the second, or until it has done what it came for."""

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


async def _look_on(count: int, url: str) -> None:
    lookers = await join(url, count)
    try:
        await asyncio.Event().wait()
    finally:
        leave(lookers)


async def _stay_deaf(count: int, url: str) -> None:
    """They come again as soon as they are hung up on: a send deadline of 10 s goes by twice meanwhile."""
    while True:
        sockets = deaf(url, count)
        try:
            await asyncio.sleep(LAST_S)
        finally:
            for one in sockets:
                one.close()


async def _talk(url: str) -> None:
    while True:
        await talk_nonsense(url, NONSENSE, seed=1)


async def _come(count: int, url: str) -> None:
    await come_and_go(url, count)
    await asyncio.Event().wait()


def main() -> None:
    """Print the figures."""
    print(json.dumps(run(), indent=1))


if __name__ == "__main__":
    main()
