"""Marks of 4 x 250,000 samples kept through the whole daemon, and how late the live view gets meanwhile.

The simulated scope stands stopped with a long record, which a daemon that is hands-off reads over and over: every reading
is of 4 x 250 k. A viewer takes the time between readings, while nothing is kept and while a mark is kept every half second.
Goals: a mark acknowledged within 150 ms, and no reading later than one frame beyond the usual time between two. Scope,
daemon and viewer share the machine's cores.
"""

import json
import socket
import statistics
import tempfile
import threading
import time
from itertools import pairwise
from pathlib import Path
from urllib.request import Request, urlopen

from tests.bench.live import started
from websockets.sync.client import connect

from peakwhite.daemon.book import BookPlace, BookReader

SAMPLES, RATE_HZ = 250_000, 20.0
SETTLE_S, QUIET_S, EVERY_S, MARKS = 3.0, 10.0, 0.5, 20
KEEP_GOAL_MS = 150.0
USERS = (
    "*RST;:HEAD OFF;:SEL:CH1 ON;CH2 ON;CH3 ON;CH4 ON;:CH1:SCA 0.2;POS -2;:CH2:SCA 0.2;POS -2;:CH3:SCA 0.2;POS -2"
    f";:CH4:SCA 0.1;POS 2;:HOR:RECO {SAMPLES};SCA 5E-5;:TRIG:A:EDGE:SOU CH4;SLO FALL;:TRIG:A:LEV:CH4 -0.15;:TRIG:A:MOD NORM"
    ";:ACQ:STOPA RUNST;STATE RUN"
)


def run() -> dict[str, object]:
    """Rows of figures, each with its goal."""
    with started("peakwhite.simulated_scope", "--clock", "real", "--dialect", "outgoing", "--bits", "8") as (_, line):
        resource = json.loads(line)["scpi"]
        stop_with_a_long_record(int(resource.split("::")[2]))
        with tempfile.TemporaryDirectory() as folder:
            book = Path(folder) / "book.sqlite"
            options = ("--hands-off", "--book", str(book), "--port", "0", "--no-browser")
            with started("peakwhite.daemon", "serve", "--scope", resource, *options, state=folder) as (_, url):
                return {"marks": rows(url.strip(), book)}


def stop_with_a_long_record(port: int) -> None:
    """What the scope's user does: set it up, let it run, and press stop."""
    with socket.create_connection(("127.0.0.1", port), 5.0) as link, link.makefile("rb") as lines:
        for message in (USERS, ":ACQ:STATE STOP"):
            link.sendall(f"{message};*OPC?\n".encode())
            lines.readline()
            time.sleep(1.0)


def rows(url: str, book: Path) -> list[dict[str, object]]:
    """The viewer's intervals, and how long marks take to be acknowledged."""
    with connect(f"ws{url.removeprefix('http')}api/v1/live", max_size=None) as viewer:
        intervals_ms(viewer, time.monotonic() + SETTLE_S)
        quiet = intervals_ms(viewer, time.monotonic() + QUIET_S)
        took_ms: list[float] = []
        keeping = threading.Thread(target=keep_marks, args=(url, took_ms))
        keeping.start()
        busy = intervals_ms(viewer, time.monotonic() + EVERY_S * MARKS + 1.0)
        keeping.join()
    with BookReader(BookPlace(book)) as reader:
        newest = reader.capture(reader.marks()[0].id)
    assert newest is not None
    usual, frame_ms = statistics.median(quiet), 1e3 / RATE_HZ
    size_mb = sum(file.stat().st_size for file in book.parent.glob("book.sqlite*")) / 1e6
    return [
        row(f"time between two readings of {len(newest.channels)} x {newest.samples}, median", usual),
        row("a reading late while nothing is kept, at most", max(quiet) - usual, frame_ms),
        row("a reading late while marks are kept, at most", max(busy) - usual, frame_ms),
        row("a mark acknowledged over REST, median", statistics.median(took_ms), KEEP_GOAL_MS),
        row("a mark acknowledged over REST, slowest", max(took_ms), KEEP_GOAL_MS),
        {"what": f"{len(took_ms)} marks on disk", "figure": f"{size_mb:.1f} MB", "goal": ""},
    ]


def intervals_ms(viewer: object, until_s: float) -> list[float]:
    """Times between readings as they arrive."""
    arrived: list[float] = []
    while time.monotonic() < until_s:
        frame = viewer.recv(10.0)  # type: ignore[attr-defined]
        if isinstance(frame, str) and '"type":"reading"' in frame[:40]:
            arrived.append(time.perf_counter())
    return [1e3 * (later - earlier) for earlier, later in pairwise(arrived)]


def keep_marks(url: str, took_ms: list[float]) -> None:
    """Keep marks at their pace."""
    for _ in range(MARKS):
        began = time.perf_counter()
        body = Request(f"{url}api/v1/book/marks", b"{}", {"Content-Type": "application/json"})
        with urlopen(body, timeout=10.0) as answer:
            json.load(answer)
        took_ms.append(1e3 * (time.perf_counter() - began))
        time.sleep(max(0.0, EVERY_S - took_ms[-1] / 1e3))


def row(what: str, value: float, goal: float | None = None) -> dict[str, object]:
    """A figure beside its goal, in ms."""
    return {"what": what, "figure": f"{value:.1f} ms", "goal": "" if goal is None else f"{goal:.0f} ms"}
