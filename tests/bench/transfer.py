"""Transfer: a block of 1 MB over our raw socket link against a bare socket, and captures a second of a whole scope.

    python -m tests.bench.transfer

Yardstick of the block: `recv_into` of the same bytes from the same server in the same run, turn by turn. Captures are of
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
from multiprocessing.connection import Connection

from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.sources.scope import open_scope
from peakwhite.drivers.links import open_link

BLOCK_BYTES = 1_000_000
ROUNDS = 200
CAPTURES_S = 3.0
QUERIES_A_CAPTURE = 9
"""One that starts and waits, a preamble and a curve for each of four channels."""


def run() -> dict[str, object]:
    """Figures, yardsticks and ratios, by name."""
    link_ms, bare_ms = block_times_ms()
    per_second, query_ms = captures_per_second()
    return {
        "block_1_mb_link_ms": link_ms,
        "block_1_mb_bare_socket_ms": bare_ms,
        "block_1_mb_speed_ratio": bare_ms / link_ms,
        "captures_4_x_12k_per_second": per_second,
        "captures_yardstick_queries_only_per_second": 1e3 / (QUERIES_A_CAPTURE * query_ms),
        "captures_to_yardstick_ratio": per_second * QUERIES_A_CAPTURE * query_ms / 1e3,
    }


def block_times_ms() -> tuple[float, float]:
    """The fast quarter of one block's times, which other load of the machine disturbs least: through the link, and bare."""
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    server = context.Process(target=_serve_blocks, args=(there,), daemon=True)
    server.start()
    port = int(here.recv())
    link = open_link(f"TCPIP0::127.0.0.1::{port}::SOCKET")
    with socket.create_connection(("127.0.0.1", port)) as bare:
        bare.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        reply_bytes = len(_reply())

        def by_link() -> None:
            assert link.query_block("B?", BLOCK_BYTES).nbytes == BLOCK_BYTES

        def by_bare_socket() -> None:
            bare.sendall(b"B?\n")
            place = memoryview(bytearray(reply_bytes))
            while place:
                place = place[bare.recv_into(place) :]

        pairs = [(_took_ms(by_link), _took_ms(by_bare_socket)) for _ in range(ROUNDS)]
    link.close()
    server.terminate()
    server.join()
    by_link_ms, bare_ms = (statistics.quantiles(times, n=4)[0] for times in zip(*pairs, strict=True))
    return by_link_ms, bare_ms


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


def _reply() -> bytes:
    return b"#9%09d" % BLOCK_BYTES + bytes(range(250)) * (BLOCK_BYTES // 250) + b"\n"


def _serve_blocks(parent: Connection) -> None:
    reply = _reply()
    with socket.create_server(("127.0.0.1", 0)) as listening:
        parent.send(listening.getsockname()[1])
        clients = [listening.accept()[0] for _ in range(2)]
        while True:  # the parent ends this process
            for client in clients:
                client.recv(100)
                client.sendall(reply)


if __name__ == "__main__":
    main()
