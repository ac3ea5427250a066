"""Start: from the daemon's process to its address and to the first reading at a viewer, and what memory it takes then.

    python -m tests.bench start

Each start is of a new process against a simulated scope that is there already, with an empty folder for what it keeps; the
first one, which writes Python's byte code where there is none, is not counted. Yardstick, in turn with it: a bare Python
that imports numpy, FastAPI and uvicorn, in time and in memory. Memory is that after a minute with one viewer at 20 readings
a second.
"""

import json
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass

from tests.bench.live import resident_mb, started
from websockets.sync.client import ClientConnection, connect

STARTS = 10
LASTS_S = 60.0
READING = '{"type":"reading"'
BARE = "import numpy, fastapi, uvicorn; print(flush=True); input()"


@dataclass(frozen=True)
class Started:
    """How long a start took, to the address and to the first reading, and memory then and after `LASTS_S`, if asked."""

    address_s: float
    reading_s: float
    at_first_mb: float
    later_mb: float | None


def run() -> dict[str, object]:
    """Time and memory, each beside the bare imports."""
    with started("peakwhite.simulated_scope", "--clock", "real") as (_, line):
        scope = json.loads(line)["scpi"]
        _daemon(scope)
        pairs = [(_daemon(scope), _bare()) for _ in range(STARTS)]
        lasting = _daemon(scope, LASTS_S)
    daemons, bares = zip(*pairs, strict=True)
    bare_s = statistics.median(one[0] for one in bares)
    bare_mb = statistics.median(one[1] for one in bares)
    times = {
        "the address": [one.address_s for one in daemons],
        "the first reading at a viewer": [one.reading_s for one in daemons],
        "bare imports": [one[0] for one in bares],
    }
    memory_mb = {
        "at the first reading": lasting.at_first_mb,
        f"after {LASTS_S:.0f} s with one viewer": lasting.later_mb or 0.0,
        "bare imports": bare_mb,
    }
    return {
        "start": [
            {
                "until": what,
                "least_s": round(min(took), 2),
                "p50_s": round(statistics.median(took), 2),
                "most_s": round(max(took), 2),
                "to_bare": round(statistics.median(took) / bare_s, 2),
            }
            for what, took in times.items()
        ],
        "start_memory": [
            {"resident": what, "mb": mb, "to_bare": round(mb / bare_mb, 2)} for what, mb in memory_mb.items()
        ],
    }


def _daemon(scope: str, lasts_s: float = 0.0) -> Started:
    """Start one, look on until a reading has come and for so long after it, and end it."""
    options = ("serve", "--scope", scope, "--port", "0", "--no-browser")
    with tempfile.TemporaryDirectory() as folder:
        began = time.perf_counter()
        with started("peakwhite.daemon", *options, state=folder) as (process, url):
            address_s = time.perf_counter() - began
            live = f"ws{url.strip().removeprefix('http')}api/v1/live"
            with connect(live, max_size=None, compression=None) as socket:
                _next_reading(socket)
                reading_s = time.perf_counter() - began
                at_first_mb = resident_mb(process)
                end = time.monotonic() + lasts_s
                while time.monotonic() < end:
                    _next_reading(socket)
                return Started(address_s, reading_s, at_first_mb, resident_mb(process) if lasts_s else None)


def _next_reading(socket: ClientConnection) -> None:
    while not str(socket.recv(60.0)).startswith(READING):
        pass


def _bare() -> tuple[float, float]:
    """Time and memory of the imports alone."""
    began = time.perf_counter()
    with subprocess.Popen(
        (sys.executable, "-c", BARE), stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        took_s, memory_mb = time.perf_counter() - began, resident_mb(process.pid)
        process.communicate("\n")
    return took_s, memory_mb


if __name__ == "__main__":
    print(json.dumps(run(), indent=1))
