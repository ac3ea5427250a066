"""Profile: where the processor time of one reading goes in the daemon, by stage, while one client listens.

The daemon runs as it is on the simulated scope, in a process of its own; the stages' functions are timed by the clock of
their thread (profiled_daemon.py). Columns: ms of processor time a reading and share in per cent, at the readings a second
that were asked for; a share of the machine's time that others take is in none of them, but colder caches are.
"""

import json
import os
import signal
import tempfile
import time
from pathlib import Path

from tests.bench.live import started
from tests.bench.page import Client, daemon
from tests.bench.profiled_daemon import PART

RUNS = ((10_000, 10.0), (10_000, 100.0), (250_000, 10.0))
"""Samples a channel, readings a second."""
SETTLE_S = 4.0
LAST_S = 20.0


def run() -> dict[str, object]:
    """One row a stage, sums of their groups, and the readings that were looked at."""
    with started("peakwhite.simulated_scope", "--clock", "real") as (_, line):
        resource = json.loads(line)["scpi"]
        found = {f"4x{samples // 1000}k@{rate_hz:g}": spent_ms(resource, samples, rate_hz) for samples, rate_hz in RUNS}
    readings = {name: ms.pop("readings") for name, ms in found.items()}
    totals = {name: sum(ms.values()) for name, ms in found.items()}
    part_of = {stage: part for part, stages in PART.items() for stage in stages}
    part_of |= {"the loop's thread": "send", "other threads": "else"}
    stages = [
        {"part": part_of[stage], "stage": stage} | _columns({name: ms[stage] for name, ms in found.items()}, totals)
        for stage in part_of
    ]
    parts = [
        {"part": part}
        | _columns({name: sum(ms[s] for s in part_of if part_of[s] == part) for name, ms in found.items()}, totals)
        for part in dict.fromkeys(part_of.values())
    ]
    return {
        "profile": stages,
        "profile_parts": [*parts, {"part": "all"} | _columns(totals, totals)],
        "profile_readings": readings,
    }


def _columns(ms: dict[str, float], totals: dict[str, float]) -> dict[str, object]:
    return {
        key: value
        for name, one in ms.items()
        for key, value in ((name, round(one, 3)), (f"{name}_%", round(100 * one / totals[name], 1)))
    }


def spent_ms(resource: str, samples: int, rate_hz: float) -> dict[str, float]:
    """Processor time by stage, ms a reading, and how many readings that is the mean of."""
    with tempfile.TemporaryDirectory() as folder:
        into = Path(folder) / "spent.json"
        with daemon(resource, rate_hz, "tests.bench.profiled_daemon", str(into), str(samples)) as (process, url):
            client = Client(url)
            time.sleep(SETTLE_S)
            os.kill(process, signal.SIGUSR1)
            time.sleep(LAST_S)
            client.socket.close()
        spent: dict[str, float] = json.loads(into.read_text())
    return spent
