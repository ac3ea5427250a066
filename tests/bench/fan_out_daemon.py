"""What `load` measures as fan-out: hub, live socket and server as the daemon has them, and ready-made readings for a scope.

    python -m tests.bench.fan_out_daemon RATE_HZ

Prints its address. The run that a reading names is the moment at which it was published, in ns of the monotonic clock.
"""

import asyncio
import sys
import tempfile
import threading
import time
from dataclasses import replace
from itertools import count
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "helpers"))

from bench_readings import a_reading
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.connections import Door
from peakwhite.daemon.http.app import create_app
from peakwhite.daemon.http.services import Found, Services
from peakwhite.daemon.live import ControlLease, Hub
from peakwhite.daemon.live.status import ScopeStatus
from peakwhite.daemon.serving import Server, ending, hosts_of, listen


async def no_scan() -> list[Found]:
    """There is nothing to look for."""
    return []


def publish(hub: Hub, rate_hz: float) -> None:
    """Readings at that pace, for ever; what one is late the next is not."""
    made, began_s = a_reading(), time.monotonic()
    for number in count(1):
        time.sleep(max(0.0, began_s + number / rate_hz - time.monotonic()))
        hub.publish(replace(made, run=str(time.monotonic_ns()), seq=number))


def main() -> None:
    """Serve until told to end."""
    listening = listen("127.0.0.1", 0)
    port = listening.getsockname()[1]
    setup, lease = SetupInForce(Setup()), ControlLease(time.monotonic)
    setup_of_made = a_reading().setup
    hub = Hub(lease, lambda: setup_of_made, time.monotonic)
    hub.announce(ScopeStatus("ready", time.time_ns(), "ready-made"), ())
    with tempfile.TemporaryDirectory() as page, listening:
        services = Services(
            hub=hub,
            lease=lease,
            setup=setup,
            version="bench",
            run="bench",
            hosts=hosts_of(port),
            page=Path(page),
            scan=no_scan,
            check_hookup=lambda hookup: None,
            trimmers=None,
            now_s=time.monotonic,
        )
        print(f"http://127.0.0.1:{port}/", flush=True)
        source = threading.Thread(target=publish, args=(hub, float(sys.argv[1])), daemon=True)
        server = Server(create_app(services), Door(services.tallies.connections), source.start)
        with ending(server):
            asyncio.run(server.serve(sockets=[listening]))


if __name__ == "__main__":
    main()
