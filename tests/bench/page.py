"""Page: from a capture being complete to painted pixels in Chromium, and what the daemon costs at several rates.

`captured_at` is when the scope had told that the acquisition is over, before the first record was asked for. It is printed
cut to a millisecond, so that all times since then read up to 1 ms too long. `to_viewer` ends with the frame in the hands of
a client of the live socket, `to_page` with the browser's message event, `painted` when a message posted in the animation
frame that drew the reading is handled. Only frames that changed the document count. Simulated scope, daemon, client and browser share
the machine. Yardsticks of the same run: the floor, a bare page that paints a bare message, while the daemon works on
without viewers; and for the daemon's cost what fetching, measuring and encoding take by themselves, and a plain socket that
asks the simulated scope for the same bytes.
"""

import json
import shutil
import socket
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import Thread
from typing import Any

from playwright.sync_api import Browser, sync_playwright
from tests.bench.bare_page import bare_page
from tests.bench.first_level import first_level
from tests.bench.jittered_daemon import JITTER
from tests.bench.live import captured_ms, cpu_s, started
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.live.frames import reading_json
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.reading import LatencyMs, Reading, ScopeTag
from peakwhite.daemon.sources.scope import open_scope
from peakwhite.drivers.capture import Capture

SIZES = ((10_000, 20.0, 8.0, 35.0), (250_000, 10.0, 15.0, 45.0))
"""Samples a channel, nominal readings a second, goals to viewer and to paint in ms (p99)."""
DRAWN = 600
RATES_HZ = (3.0, 10.0, 30.0, 100.0)
CPU_FOR_S = 10.0
SETTLE_S = 4.0
ROUNDS = 100
PROBE = Path(__file__).with_name("paint_probe.js")
BROWSER = ("--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run")


def run() -> dict[str, object]:
    """Rows of latencies, of first loads (first_level.py), of costs, and the yardsticks of the latter."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    with started("peakwhite.simulated_scope", "--clock", "real") as (_, line), sync_playwright() as playwright:
        resource = json.loads(line)["scpi"]
        yardsticks = alone(resource)
        costs = [cost(resource, rate_hz) for rate_hz in RATES_HZ]
        browser = playwright.chromium.launch(executable_path=path, args=list(BROWSER))
        latencies = [row for size in SIZES for row in latency(browser, resource, *size)]
        loads = first_level(browser)
        browser.close()
    return {"page": latencies, "page_first_level": loads, "page_cost": costs, "page_cost_yardsticks": yardsticks}


@contextmanager
def daemon(resource: str, rate_hz: float, *module: str) -> Iterator[tuple[int, str]]:
    """The daemon on that scope: process id and address."""
    with tempfile.TemporaryDirectory() as folder:
        settings = Path(folder) / "bench.toml"
        settings.write_text(f'[scope]\nresource = "{resource}"\n[live]\nrate_hz = {rate_hz}\n')
        with started(*module, "serve", "--config", str(settings), "--port", "0", "--no-browser", state=folder) as (
            process,
            url,
        ):
            yield process, url.strip()


class Client(Thread):
    """A plain client of the live socket in a thread of its own: when each reading came, and which."""

    def __init__(self, url: str) -> None:
        super().__init__(daemon=True)
        self.socket = connect(f"ws{url.removeprefix('http')}api/v1/live", max_size=None, compression=None)
        self.came: list[tuple[float, str]] = []
        self.start()

    def run(self) -> None:
        try:
            for text in self.socket:
                if isinstance(text, str) and text.startswith('{"type":"reading"'):
                    self.came.append((time.time() * 1e3, text))
        except ConnectionClosed:
            pass

    def latencies_ms(self) -> list[float]:
        return [at_ms - captured_ms(text) for at_ms, text in self.came]


def latency(
    browser: Browser, resource: str, samples: int, rate_hz: float, viewer_goal_ms: float, paint_goal_ms: float
) -> list[dict[str, object]]:
    """The page's row and that of the floor."""
    goals = {"viewer_goal_ms": viewer_goal_ms, "paint_goal_ms": paint_goal_ms}
    with daemon(resource, rate_hz, "tests.bench.jittered_daemon", str(samples)) as (_, url):
        client = Client(url)
        page = painted(browser, url)
        client.socket.close()
        to_viewer = client.latencies_ms()[-len(page) :]
        parts = [json.loads(text)["reading"]["latency_ms"] for _, text in client.came[-len(page) :]]
        with bare_page(rate_hz, JITTER) as address:
            floor = painted(browser, address)
    inside = {
        f"{part}_p50_ms": round(statistics.median(one[part] for one in parts), 1) for part in ("fetch", "measure")
    }
    return [
        {"what": f"page, 4 x {samples}", **_row(page, to_viewer), **inside, **goals},
        {"what": "floor meanwhile", **_row(floor, []), **dict.fromkeys(inside | goals)},
    ]


def painted(browser: Browser, url: str) -> list[dict[str, float]]:
    """What the probe kept in a page of that address: `DRAWN` readings, milliseconds since their captures."""
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.add_init_script(path=PROBE)
    page.goto(url)
    page.evaluate("document.querySelectorAll('dialog[open]').forEach((one) => one.close())")
    page.wait_for_timeout(1000 * SETTLE_S)
    page.evaluate("painted.length = 0")
    enough = "(wanted) => painted.filter((one) => one.changed).length >= wanted"
    page.wait_for_function(enough, arg=DRAWN, timeout=600_000, polling=500)
    ahead_ms: float = page.evaluate("clockAheadMs()")
    kept: list[dict[str, Any]] = page.evaluate("painted")
    page.close()
    since = [{key: one[key] - ahead_ms - one["from"] for key in ("heard", "painted")} for one in kept if one["changed"]]
    return [one | {"unchanged": len(kept) - len(since)} for one in since]


def _row(page: list[dict[str, float]], to_viewer: Sequence[float]) -> dict[str, object]:
    kinds = {
        "to_viewer": to_viewer,
        "to_page": [one["heard"] for one in page],
        "painted": [one["painted"] for one in page],
    }
    row: dict[str, object] = {"drawn": len(page), "unchanged": page[0]["unchanged"]}
    for kind, times_ms in kinds.items():
        centiles = statistics.quantiles(times_ms, n=100) if times_ms else None
        row |= {f"{kind}_p{n}_ms": centiles and round(centiles[n - 1], 1) for n in (50, 99)}
    return row


def cost(resource: str, rate_hz: float) -> dict[str, float]:
    """What the daemon takes of one core at that rate, with one client."""
    with daemon(resource, rate_hz, "peakwhite.daemon") as (process, url):
        client = Client(url)
        time.sleep(SETTLE_S)
        client.came.clear()
        began, used_s = time.perf_counter(), cpu_s(process)
        time.sleep(CPU_FOR_S)
        took_s, used_s, readings = time.perf_counter() - began, cpu_s(process) - used_s, len(client.came)
        client.socket.close()
    return {
        "rate_hz": rate_hz,
        "readings_per_s": round(readings / took_s, 1),
        "core_pct": round(100 * used_s / took_s, 1),
        "cpu_ms_per_reading": round(1e3 * used_s / readings, 2),
    }


def alone(resource: str) -> dict[str, float]:
    """Processor time of the parts of one reading, each by itself, and of a plain socket that is given the same bytes."""
    source, setup = open_scope(resource), Setup()
    source.configure(Task.LEVELS, setup)
    captures: list[Capture] = []
    while len(captures) < 10:
        captures.append(_one(source.capture(1.0)))

    def fetch() -> None:
        captures.append(_one(source.capture(1.0)))

    fetched_ms = _spent_ms(fetch)
    kept = iter(captures[-ROUNDS:])
    measured_ms = _spent_ms(lambda: measure_capture(next(kept), setup.conditions))
    measured = measure_capture(captures[-1], setup.conditions)
    reading = Reading("bench", 1, 1, captures[-1].captured_at_ns, LatencyMs(1.0, 1.0), ScopeTag("x", "y"), measured)
    encoded_ms = _spent_ms(lambda: reading_json(reading))
    bare_ms = bare_bytes_ms(resource, captures[-1])
    source.close()
    return {
        "samples": captures[-1].samples,
        "capture_cpu_ms": fetched_ms,
        "measure_cpu_ms": measured_ms,
        "encode_cpu_ms": encoded_ms,
        "bare_bytes_cpu_ms": bare_ms,
    }


def bare_bytes_ms(resource: str, like: Capture) -> float:
    """Processor time to ask for the records that the scope holds and to take their bytes, over a plain socket."""
    wanted = like.channels[0].codes.nbytes
    room = bytearray(wanted + 64)
    _, host, port, _ = resource.split("::")
    with socket.create_connection((host, int(port)), 5.0) as plain:
        plain.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

        def take() -> None:
            for number in range(1, len(like.channels) + 1):
                plain.sendall(f":DAT:SOU CH{number};:HEAD OFF;:CURV?\n".encode())
                count = 0
                while count < wanted or room[count - 1] != 10:
                    count += plain.recv_into(memoryview(room)[count:])

        return _spent_ms(take)


def _spent_ms(work: Callable[[], object]) -> float:
    """Mean processor time of this process for one piece of work."""
    began = time.process_time()
    for _ in range(ROUNDS):
        work()
    return round(1e3 * (time.process_time() - began) / ROUNDS, 3)


def _one(capture: object) -> Capture:
    assert isinstance(capture, Capture)
    return capture
