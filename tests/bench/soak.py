"""Soak: readings as fast as they come for long, and what that leaves: memory and descriptors of the daemon.

    python -m tests.bench soak [--count N | --minutes M]

The simulated scope runs by its fast clock; the daemon keeps its book and has one viewer. N is a million by default, which
takes hours. A row at the beginning of each twentieth; `growth_mb` is the least of the last five rows less the least of the
five after the first twentieth. Memory is flat where that is less than 5 MB, a goal of our own: the allocator's unrest is
some 2 MB. `descriptors_more` is the most of the last five rows less the most of the five in the middle: the book is opened
for its log with the first batch.
"""

import json
import tempfile
import time
from pathlib import Path

from tests.bench.live import cpu_s, resident_mb, started
from tests.bench.load import descriptors
from websockets.sync.client import connect

ROWS = 20
GOAL_MB = 5.0


def run(count: int = 1_000_000, seed: int = 1, minutes: float | None = None) -> dict[str, object]:
    """A row a twentieth of the readings, or of the time where that is given, and the sum."""
    command = ("peakwhite.simulated_scope", "--clock", "fast", "--seed", str(seed))
    with started(*command) as (_, line), tempfile.TemporaryDirectory() as folder:
        settings = Path(folder) / "bench.toml"
        settings.write_text(f'[scope]\nresource = "{json.loads(line)["scpi"]}"\n[live]\nrate_hz = 100\n')
        options = ("--config", str(settings), "--port", "0", "--no-browser")
        with started("peakwhite.daemon", "serve", *options, state=folder) as (daemon, url):
            rows = _watched(daemon, f"ws{url.strip().removeprefix('http')}api/v1/live", count, minutes)
    memory_mb = [float(row["memory_mb"]) for row in rows]
    open_files = [row["descriptors"] for row in rows]
    total = {
        "readings": rows[-1]["readings"],
        "took_s": rows[-1]["at_s"],
        "growth_mb": round(min(memory_mb[-5:]) - min(memory_mb[1:6]), 1),
        "goal_mb": GOAL_MB,
        "descriptors_more": max(open_files[-5:]) - max(open_files[ROWS // 2 - 2 : ROWS // 2 + 3]),
    }
    return {"soak": rows, "soak_total": total}


def _watched(daemon: int, url: str, count: int, minutes: float | None) -> list[dict[str, float]]:
    """Look on until so many readings were made, or for so long."""
    rows: list[dict[str, float]] = []
    first, began = None, time.monotonic()
    with connect(url, max_size=None, compression=None) as socket:
        while len(rows) <= ROWS:
            text = socket.recv(60.0)
            if not isinstance(text, str) or not text.startswith('{"type":"reading"'):
                continue
            made = json.loads(text)["reading"]["seq"]
            first = made if first is None else first
            at_s = time.monotonic() - began
            done = (made - first) / count if minutes is None else at_s / (60.0 * minutes)
            if done >= len(rows) / ROWS:
                rows.append(
                    {
                        "readings": made - first,
                        "at_s": round(at_s, 1),
                        "memory_mb": resident_mb(daemon),
                        "descriptors": descriptors(daemon),
                        "cpu_s": round(cpu_s(daemon), 1),
                    }
                )
    return rows
