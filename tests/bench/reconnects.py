"""Reconnects: a thousand over every transport and what they leave open, and how soon a scope that returns is back.

    python -m tests.bench reconnects

The thousand are of acquisition with waits that take no time (`tests/helpers/reconnects.py`). The return is real time, with
acquisition on its own thread and its own back-off: from the scope's port listening again (USB: from plugging it in) to
the first reading that is published. Yardstick is the 2 s that the project holds itself to, 5 s on USB after a time-out
(the rest that such a scope is left in peace, which comes on top).
"""

import json
import logging
import random
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

import pytest

from emulated_usb import Bus, Device, install
from peakwhite.daemon.acquisition import Acquisition, Origin
from peakwhite.daemon.measure.reading import Reading
from peakwhite.daemon.sources.scope import open_scope
from reconnects import NETWORK_FAULTS, USB, Reconnects, held_now, usb_faults
from scripted import Hand, Outlet, a_job, a_measured
from usb_bridge import Bridge

TIMES = 1000
RETURNS = 10
GOAL_S, USB_GOAL_S = 2.0, 5.0


@dataclass(frozen=True)
class Way:
    """One transport: the resource, what breaks it by the number of the turn, what heals it, and the link's time-out."""

    resource: str
    strike: Callable[[int], None]
    heal: Callable[[], None]
    off: Callable[[], None]
    timeout_s: float = 0.2


@contextmanager
def scope() -> Iterator[dict[str, Any]]:
    """The ways into a simulated scope of this run."""
    command = [sys.executable, "-m", "peakwhite.simulated_scope", "--clock", "fast", "--seed", "5"]
    command += ["--vxi11", "0", "--hislip", "0"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None and process.stdin is not None
        yield json.loads(process.stdout.readline())
        process.stdin.close()


@contextmanager
def network_ways() -> Iterator[dict[str, Way]]:
    """Raw socket, HiSLIP and VXI-11."""
    with scope() as contract, socket.create_connection(("127.0.0.1", contract["control"]), 10.0) as control:

        def fault(name: str | None) -> None:
            control.sendall(json.dumps({"fault": name}).encode() + b"\n")
            assert json.loads(control.recv(1000)) == {"ok": True}

        def strike(turn: int) -> None:
            fault(NETWORK_FAULTS[turn % len(NETWORK_FAULTS)])

        yield {
            name: Way(contract[name], strike, lambda: fault(None), lambda: fault("switched-off"))
            for name in ("scpi", "hislip", "vxi11")
        }


@contextmanager
def usb_ways() -> Iterator[dict[str, Way]]:
    """An emulated USB scope that is unplugged, and one that falls silent."""
    with scope() as contract, pytest.MonkeyPatch.context() as patch:
        bridge = Bridge(contract["scpi"])
        device = bridge.device("SN0001")
        install(Bus(device), patch)
        unplugged = _usb_way(device)
        yield {"usb": unplugged, "usb_after_time_out": replace(unplugged, off=lambda: setattr(device, "silent", True))}
        bridge.close()


def _usb_way(device: Device) -> Way:
    strike, heal = usb_faults(device)
    return Way(USB, strike, heal, device.unplug, timeout_s=0.6)


def run() -> dict[str, object]:
    """What a thousand reconnects leave open, and seconds until a scope that returned is back, by transport."""
    logging.disable(logging.WARNING)  # that the scope was lost, and is back, each time
    found: dict[str, object] = {}
    for open_ways in (network_ways, usb_ways):
        with open_ways() as ways:
            for name, way in ways.items():
                mute = name.endswith("time_out")
                found |= named(
                    f"{name}_back", back_after_s(way, 3 if mute else RETURNS), USB_GOAL_S if mute else GOAL_S
                )
                if not mute:
                    found[f"{name}_left_open_after_{TIMES}_reconnects"] = left_open(way)
    return found


def named(name: str, seconds: list[float], goal_s: float) -> dict[str, object]:
    """Median and longest with their yardstick and ratio."""
    ordered = sorted(seconds)
    return {
        f"{name}_median_s": round(ordered[len(ordered) // 2], 3),
        f"{name}_longest_s": round(ordered[-1], 3),
        f"{name}_goal_s": goal_s,
        f"{name}_longest_to_goal": round(ordered[-1] / goal_s, 3),
    }


def left_open(way: Way) -> dict[str, int]:
    """What the process holds more than before."""
    Reconnects(way.resource, 1, way.strike, way.heal, way.timeout_s).run()
    before = held_now()
    Reconnects(way.resource, TIMES, way.strike, way.heal, way.timeout_s).run()
    after = held_now()
    return {name: getattr(after, name) - getattr(before, name) for name in vars(before)}


class Told(Outlet):
    """An outlet that says when a reading came."""

    def __init__(self) -> None:
        super().__init__()
        self.came = threading.Event()

    def publish(self, reading: Reading) -> None:
        self.came.set()


def back_after_s(way: Way, returns: int, off_for_s: float = 1.0) -> list[float]:
    """Seconds from the scope's return to the next reading, each time at another point of the back-off."""
    chance, outlet = random.Random(1), Told()
    job = a_job(Hand(), outlet, lambda capture: a_measured())
    job = type(job)(job.measure, job.lines, job.setup, outlet, "bench")
    acquisition = Acquisition(Origin(lambda: open_scope(way.resource), way.resource), job)
    acquisition.start()
    assert outlet.came.wait(10.0)
    took_s = []
    for _ in range(returns):
        way.off()
        time.sleep(off_for_s + chance.random())
        outlet.came.clear()
        way.heal()
        began = time.monotonic()
        assert outlet.came.wait(30.0)
        took_s.append(time.monotonic() - began)
    assert acquisition.stop()
    return took_s
