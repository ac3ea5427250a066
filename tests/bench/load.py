"""Load and abuse: what one viewer gets, and what the daemon costs, while others look on, do not read, talk nonsense, come and go.

    python -m tests.bench load

Simulated scope with its real clock, daemon, the viewer and the crowd are processes of their own and share the machine's
cores. The yardstick is the first row of the same run, one viewer alone: `to_alone` is readings made a second to its, goal 0.98.
The latency is from the capture being complete to the frame in the viewer's hands. Meanwhile marks are kept, one every half
second: `mark_max_ms` is the slowest acknowledgement, goal 150. `too_slow` is how many were given up for not reading.
"""

import asyncio
import json
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any
from urllib.request import urlopen

from tests.bench import fan_out
from tests.bench.crowds import Crowd, come, company, look_on, stay_deaf, talk
from tests.bench.live import resident_mb, seen, started
from tests.bench.marks import keep_marks
from tests.bench.start import READING
from websockets.sync.client import connect

from crowd import come_and_go

RATES_HZ = (20, 100)
LAST_S = 20.0
SETTLE_S = 3.0
VIEWERS, DEAF, COMINGS = 100, 20, 10_000
TOO_SLOW = 'peakwhite_viewers_gone_total{reason="too-slow"} '


def run() -> dict[str, object]:
    """A row a rate and crowd; and what the fan-out costs by itself."""
    rows = [row for rate_hz in RATES_HZ for row in at_rate(rate_hz)]
    return {"fan_out": fan_out.rows(), "load": rows, "comings": comings()}


def comings(count: int = COMINGS) -> dict[str, float]:
    """So many come and go, all of them: how long that takes, and what is left of them."""
    with _daemon(RATES_HZ[0]) as (daemon, url):
        memory_mb, open_files, began = resident_mb(daemon), descriptors(daemon), time.perf_counter()
        asyncio.run(come_and_go(f"ws{url.removeprefix('http')}api/v1/live", count))
        took_s = time.perf_counter() - began
        time.sleep(SETTLE_S)
        return {
            "comings": count,
            "took_s": round(took_s, 1),
            "memory_more_mb": round(resident_mb(daemon) - memory_mb, 1),
            "descriptors_more": descriptors(daemon) - open_files,
        }


def at_rate(rate_hz: int) -> list[dict[str, Any]]:
    """The rows of one pace of captures, each with its ratio to the first."""
    crowds: list[tuple[str, tuple[Crowd, ...]]] = [
        ("one viewer", ()),
        (f"and {VIEWERS - 1} viewers more", (partial(look_on, VIEWERS - 1),)),
        (f"and {DEAF} that never read", (partial(stay_deaf, DEAF),)),
        ("and one after the other talks nonsense", (talk,)),
        ("and others come and go all the time", (partial(come, COMINGS),)),
        ("one viewer again", ()),
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
            _await_reading(url.strip())
            yield daemon, url.strip()


def _await_reading(url: str) -> None:
    """Before the first one marks are refused."""
    with connect(f"ws{url.removeprefix('http')}api/v1/live", compression=None) as socket:
        while not str(socket.recv(30.0)).startswith(READING):
            pass


def _seen(daemon: int, url: str, crowds: tuple[Crowd, ...]) -> dict[str, Any]:
    """What one viewer gets for a while, the crowds being there; what the daemon costs meanwhile, and how soon it keeps marks."""
    live_url = f"ws{url.removeprefix('http')}api/v1/live"
    took_ms: list[float] = []
    with company(*crowds, url=live_url):
        keeping = threading.Thread(target=keep_marks, args=(url, took_ms))
        keeping.start()
        given_up = too_slow(url)
        found = seen(daemon, live_url, 1, LAST_S)
        keeping.join()
        given_up = too_slow(url) - given_up
    latencies_ms = sorted(found.latencies_ms)
    return {
        "made_per_s": round(found.made / found.took_s, 2),
        "seen_per_s": round(found.counts[0] / found.took_s, 2),
        "to_viewer_p50_ms": round(latencies_ms[len(latencies_ms) // 2], 1),
        "to_viewer_p99_ms": round(latencies_ms[int(len(latencies_ms) * 0.99)], 1),
        "core_pct": round(100 * found.used_s / found.took_s, 1),
        "memory_mb": resident_mb(daemon),
        "descriptors": descriptors(daemon),
        "mark_max_ms": round(max(took_ms), 1),
        "too_slow": given_up,
    }


def too_slow(url: str) -> int:
    """How many viewers that daemon has given up for not reading."""
    with urlopen(f"{url}metrics", timeout=10.0) as answer:
        text: str = answer.read().decode()
    return int(float(text.partition(TOO_SLOW)[2].split()[0]))


def descriptors(process: int) -> int:
    """How many descriptors a process has open."""
    return len(list(Path(f"/proc/{process}/fd").iterdir()))


def main() -> None:
    """Print the figures."""
    print(json.dumps(run(), indent=1))


if __name__ == "__main__":
    main()
