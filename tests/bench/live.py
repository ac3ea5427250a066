"""Live: from the scope to one viewer and to twenty, 4 x 12 000 samples, `rate_hz` 100, against the simulated scope.

Scope, daemon and viewers are processes of their own, and share the machine's cores. `to_arrival` is from the capture being
complete (`captured_at`, which is printed to a millisecond) to the frame being in the viewer's hands. Yardsticks of the same
run: captures a second when nothing is measured, and the time that measuring and encoding one capture take by themselves.
"""

import asyncio
import json
import multiprocessing
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from multiprocessing.connection import Connection
from pathlib import Path

from websockets.asyncio.client import connect

from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.live.frames import reading_json
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.reading import LatencyMs, Reading, ScopeTag
from peakwhite.daemon.sources.scope import open_scope
from peakwhite.drivers.capture import Capture

RATE_HZ = 100
VIEWERS = (1, 20)
SETTLE_S = 3.0
LAST_S = 15.0
BARE_S = 3.0
ROUNDS = 200
MARK = '"captured_at":"'


def run() -> dict[str, object]:
    """One row a number of viewers, and the yardsticks."""
    with started("peakwhite.simulated_scope", "--clock", "real") as (_, line):
        resource = json.loads(line)["scpi"]
        yardsticks = bare(resource)
        with tempfile.TemporaryDirectory() as folder:
            settings = Path(folder) / "bench.toml"
            settings.write_text(f'[scope]\nresource = "{resource}"\n[live]\nrate_hz = {RATE_HZ}\n')
            with started(
                *("peakwhite.daemon", "serve", "--config", str(settings), "--port", "0", "--no-browser"), state=folder
            ) as (daemon, url):
                rows = [live(daemon, f"ws{url.strip().removeprefix('http')}api/v1/live", count) for count in VIEWERS]
    return {"live": rows, "live_yardsticks": yardsticks}


@contextmanager
def started(*arguments: str, state: str | None = None) -> Iterator[tuple[int, str]]:
    """A module run in a process of its own: process id and its first line."""
    environment = os.environ | ({} if state is None else {"XDG_STATE_HOME": state, "XDG_DATA_HOME": state})
    with subprocess.Popen(
        (sys.executable, "-m", *arguments),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=environment,
        text=True,
    ) as process:
        assert process.stdout is not None
        try:
            yield process.pid, process.stdout.readline()
        finally:
            process.terminate()


def bare(resource: str) -> dict[str, float]:
    """Captures a second without measuring, and what measuring and encoding take."""
    source = open_scope(resource)
    setup = Setup()
    source.configure(Task.LEVELS, setup)
    captures: list[Capture] = []
    began = time.perf_counter()
    while time.perf_counter() - began < BARE_S:
        capture = source.capture(1.0)
        assert isinstance(capture, Capture)
        captures.append(capture)
    took_s = time.perf_counter() - began
    source.close()
    kept = captures[-ROUNDS:]
    measured = [measure_capture(capture, setup.conditions) for capture in kept]
    reading = Reading("bench", 1, 1, kept[-1].captured_at_ns, LatencyMs(1.0, 1.0), ScopeTag("x", "y"), measured[-1])
    measuring = iter(kept)
    return {
        "samples": kept[-1].samples,
        "bare_captures_per_s": round(len(captures) / took_s, 1),
        "measure_ms": median_ms(lambda: measure_capture(next(measuring), setup.conditions), len(kept)),
        "encode_ms": median_ms(lambda: reading_json(reading), ROUNDS),
    }


def median_ms(work: Callable[[], object], rounds: int) -> float:
    """Median time of one piece of work."""
    times = []
    for _ in range(rounds):
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return round(1e3 * statistics.median(times), 3)


def live(daemon: int, url: str, viewers: int) -> dict[str, float]:
    """What so many viewers get for a while, and what it costs the daemon."""
    found = seen(daemon, url, viewers, LAST_S)
    centiles = statistics.quantiles(found.latencies_ms, n=100)
    return {
        "viewers": viewers,
        "readings_per_s": round(min(found.counts) / found.took_s, 1),
        "produced_per_s": round(found.made / found.took_s, 1),
        "to_arrival_p50_ms": round(centiles[49], 1),
        "to_arrival_p99_ms": round(centiles[98], 1),
        "cpu_ms_per_reading": round(1e3 * found.used_s / found.made, 2),
        "cpu_share": round(found.used_s / found.took_s, 3),
    }


@dataclass(frozen=True)
class Seen:
    """What viewers got in `took_s`, and what it cost the daemon.

    Attributes:
        counts: readings of each viewer.
        made: readings that were made meanwhile.
        latencies_ms: of every frame of theirs, from the capture being complete.
        used_s: processor time of the daemon.
    """

    counts: list[int]
    made: int
    latencies_ms: list[float]
    took_s: float
    used_s: float


def seen(daemon: int, url: str, viewers: int, last_s: float) -> Seen:
    """What so many viewers, in a process of their own, get for so long."""
    spawn = multiprocessing.get_context("spawn")
    here, there = spawn.Pipe()
    client = spawn.Process(target=watch, args=(there, url, viewers), daemon=True)
    client.start()
    here.recv()
    began, used_s = time.perf_counter(), cpu_s(daemon)
    here.send("begin")
    time.sleep(last_s)
    took_s, used_s = time.perf_counter() - began, cpu_s(daemon) - used_s
    here.send("end")
    counts, made, latencies_ms = here.recv()
    client.join()
    return Seen(counts, made, latencies_ms, took_s, used_s)


def cpu_s(process: int) -> float:
    """Processor time of a process until now, user and system."""
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_mb(process: int) -> float:
    """Resident memory of a process, MB."""
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return round(pages * os.sysconf("SC_PAGE_SIZE") / 1e6, 1)


def watch(parent: Connection, url: str, viewers: int) -> None:
    """The viewers' process: keep arrivals between begin and end; gives readings by viewer, how many were made, latencies."""
    kept = asyncio.run(_watched(parent, url, viewers))
    latencies_ms = [at_ms - captured_ms(text) for arrivals in kept for at_ms, text in arrivals]
    numbers = [json.loads(arrivals[index][1])["reading"]["seq"] for arrivals in kept for index in (0, -1)]
    parent.send(([len(arrivals) for arrivals in kept], max(numbers) - min(numbers) + 1, latencies_ms))


async def _watched(parent: Connection, url: str, viewers: int) -> list[list[tuple[float, str]]]:
    kept: list[list[tuple[float, str]]] = [[] for _ in range(viewers)]
    keeping = asyncio.Event()

    async def view(arrivals: list[tuple[float, str]]) -> None:
        async with connect(url, max_size=None, compression=None) as socket:
            async for text in socket:
                at_ms = time.time() * 1e3
                if keeping.is_set() and isinstance(text, str) and text.startswith('{"type":"reading"'):
                    arrivals.append((at_ms, text))

    tasks = [asyncio.create_task(view(arrivals)) for arrivals in kept]
    await asyncio.sleep(SETTLE_S)
    parent.send("settled")
    await asyncio.to_thread(parent.recv)
    keeping.set()
    await asyncio.to_thread(parent.recv)
    keeping.clear()
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    return kept


def captured_ms(text: str) -> float:
    at = text.index(MARK) + len(MARK)
    return datetime.fromisoformat(text[at : text.index('"', at)]).timestamp() * 1e3


def main() -> None:
    """Print the figures."""
    print(json.dumps(run(), indent=1))


if __name__ == "__main__":
    main()
