"""Fan-out: what 200 readings a second of 2.4 kB to 100 viewers cost, no scope and no measuring beside them.

Hub, live socket and server are the daemon's (fan_out_daemon.py), in a process of their own; the crowds are in others, and the
viewer whose latencies these are in one more, all on the machine's cores. Latency is from the reading's publication to the
frame in the viewer's hands, encoding included. Goals are what a prototype did on two cores with messages of 2 kB.
"""

import asyncio
import multiprocessing
import time
from functools import partial
from multiprocessing.connection import Connection
from typing import Any

from tests.bench.crowds import Crowd, company, look_on, stay_deaf
from tests.bench.live import cpu_s, resident_mb, started

from crowd import READING, Looker, address_of

RATE_HZ, VIEWERS, DEAF = 200, 100, 20
SETTLE_S, LAST_S = 5.0, 20.0
RUN = b'"run":"'


def rows() -> list[dict[str, Any]]:
    """To a hundred, and with some beside them that never read."""
    viewers: Crowd = partial(look_on, VIEWERS - 1)
    with started("tests.bench.fan_out_daemon", str(RATE_HZ)) as (daemon, line):
        url = f"ws{line.strip().removeprefix('http')}api/v1/live"
        return [
            {"what": f"{RATE_HZ}/s to {VIEWERS}"}
            | _seen(daemon, url, viewers)
            | {"goal_core_pct": 24.0, "goal_p99_ms": 2.6, "goal_memory_mb": 49.0},
            {"what": f"and {DEAF} that never read"}
            | _seen(daemon, url, viewers, partial(stay_deaf, DEAF))
            | {"goal_core_pct": 34.0, "goal_p99_ms": 3.2, "goal_memory_mb": 49.0},
        ]


def _seen(daemon: int, url: str, *crowds: Crowd) -> dict[str, float]:
    """What one viewer gets for a while, the crowds being there, and what the fan-out costs meanwhile."""
    spawn = multiprocessing.get_context("spawn")
    with company(*crowds, url=url):
        here, there = spawn.Pipe()
        viewer = spawn.Process(target=_watch, args=(there, url), daemon=True)
        viewer.start()
        here.recv()
        began, used_s = time.perf_counter(), cpu_s(daemon)
        time.sleep(LAST_S)
        took_s, used_s = time.perf_counter() - began, cpu_s(daemon) - used_s
        memory_mb = resident_mb(daemon)
        here.send("end")
        latencies_ms: list[float] = sorted(here.recv())
        viewer.join()
    return {
        "seen_per_s": round(len(latencies_ms) / took_s, 1),
        "core_pct": round(100 * used_s / took_s, 1),
        "p50_ms": round(latencies_ms[len(latencies_ms) // 2], 2),
        "p99_ms": round(latencies_ms[int(len(latencies_ms) * 0.99)], 2),
        "memory_mb": memory_mb,
    }


class _Timed(Looker):
    """A viewer that takes the time from publication of what it is sent."""

    def __init__(self, url: str) -> None:
        super().__init__(url)
        self.latencies_ms: list[float] = []

    def _take(self, opcode: int, payload: bytes) -> None:
        now_ns = time.monotonic_ns()
        if payload.startswith(READING):
            at = payload.index(RUN) + len(RUN)
            self.latencies_ms.append((now_ns - int(payload[at : payload.index(b'"', at)])) / 1e6)
        super()._take(opcode, payload)


def _watch(parent: Connection, url: str) -> None:
    """The viewer's process: latencies from when it has settled to when it is told to end."""

    async def watch() -> list[float]:
        loop = asyncio.get_running_loop()
        _, viewer = await loop.create_connection(lambda: _Timed(url), *address_of(url))
        await asyncio.sleep(SETTLE_S)
        viewer.latencies_ms.clear()
        parent.send("settled")
        await asyncio.to_thread(parent.recv)
        return viewer.latencies_ms

    parent.send(asyncio.run(watch()))
