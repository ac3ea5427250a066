"""Transfer: a block of 1 MB over raw socket, HiSLIP and VXI-11 against a bare socket, and captures a second of a scope.

    python -m tests.bench.transfer

Yardstick of a block: a bare socket that sends the same requests to the same server and takes the same bytes with
`recv_into`, into a place as new as a link's, turn by turn in the same run. Two bare sockets side by side differ by up to
a quarter, as chance places their buffers: the ratio is the middle one over pairs of fresh connections. Captures are of
4 x 12 000 samples from the simulated scope at its fast clock, whose own computing is part of the figure: yardstick is
the time that as many single queries take to and fro.
"""

import json
import multiprocessing
import socket
import statistics
import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np

from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.sources.scope import open_scope
from peakwhite.drivers.links import Link, open_link

from .block_server import BLOCK_BYTES, EXCHANGES, serve_blocks

PAIRS, ROUNDS = 21, 40
CAPTURES_S = 3.0
RESOURCES = {
    "raw_socket": "TCPIP0::127.0.0.1::{}::SOCKET",
    "hislip": "TCPIP0::127.0.0.1::hislip0,{}::INSTR",
    "vxi11": "TCPIP0::127.0.0.1,{}::inst0::INSTR",
}
QUERIES_A_CAPTURE = 9
"""One that starts and waits, a preamble and a curve for each of four channels."""


def run() -> dict[str, object]:
    """Figures, yardsticks and ratios, by name."""
    per_second, query_ms = captures_per_second()
    blocks: dict[str, float] = {}
    for name, (link_ms, bare_ms, ratio) in block_times_ms().items():
        blocks[f"block_1_mb_{name}_ms"] = link_ms
        blocks[f"block_1_mb_{name}_bare_ms"] = bare_ms
        blocks[f"block_1_mb_{name}_speed_ratio"] = ratio
    return {
        **blocks,
        "captures_4_x_12k_per_second": per_second,
        "captures_yardstick_queries_only_per_second": 1e3 / (QUERIES_A_CAPTURE * query_ms),
        "captures_to_yardstick_ratio": per_second * QUERIES_A_CAPTURE * query_ms / 1e3,
    }


def block_times_ms() -> dict[str, tuple[float, float, float]]:
    """Milliseconds of one block through a link and bare, and how many times as fast the link is, by transport.

    Of each pair the fast quarter counts, which other load of the machine disturbs least.
    """
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    server = context.Process(target=serve_blocks, args=(there,), daemon=True)
    server.start()
    ports: dict[str, int] = here.recv()
    pairs = {name: [_pair_ms(name, port) for _ in range(PAIRS)] for name, port in ports.items()}
    server.terminate()
    server.join()
    return {
        name: (
            statistics.median(link_ms for link_ms, _ in of_one),
            statistics.median(bare_ms for _, bare_ms in of_one),
            statistics.median(bare_ms / link_ms for link_ms, bare_ms in of_one),
        )
        for name, of_one in pairs.items()
    }


def _pair_ms(name: str, port: int) -> tuple[float, float]:
    link = open_link(RESOURCES[name].format(port))
    link_ms: list[float] = []
    bare_ms: list[float] = []
    with socket.create_connection(("127.0.0.1", port)) as bare:
        bare.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for _ in range(ROUNDS):
            link_ms.append(_took_ms(lambda: _block(link)))
            bare_ms.append(_took_ms(lambda: _bare_block(bare, EXCHANGES[name])))
    link.close()
    return statistics.quantiles(link_ms, n=4)[0], statistics.quantiles(bare_ms, n=4)[0]


def _block(link: Link) -> None:
    assert link.query_block("B?", BLOCK_BYTES).nbytes == BLOCK_BYTES


def _bare_block(bare: socket.socket, exchanges: list[tuple[bytes, int]]) -> None:
    for request, reply_bytes in exchanges:
        bare.sendall(request)
        place = np.empty(reply_bytes, np.uint8).data
        while place:
            place = place[bare.recv_into(place) :]


def captures_per_second() -> tuple[float, float]:
    """Captures a second through the whole source, and the milliseconds of one query."""
    command = [sys.executable, "-m", "peakwhite.simulated_scope", "--clock", "fast"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as scope:
        assert scope.stdout is not None and scope.stdin is not None
        resource = json.loads(scope.stdout.readline())["scpi"]
        link = open_link(resource)
        query_ms = statistics.median(_took_ms(lambda: link.query("*IDN?")) for _ in range(500))
        link.close()
        source = open_scope(resource)
        source.configure(Task.LEVELS, Setup())
        source.capture(1.0)
        count, began = 0, time.perf_counter()
        while time.perf_counter() - began < CAPTURES_S:
            source.capture(1.0)
            count += 1
        took_s = time.perf_counter() - began
        source.close()
        scope.stdin.close()
    return count / took_s, query_ms


def main() -> None:
    """Print the figures."""
    for name, value in run().items():
        print(f"{name:45s} {value:10.3f}")


def _took_ms(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return (time.perf_counter() - began) * 1e3


if __name__ == "__main__":
    main()
