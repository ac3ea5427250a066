"""Acquisition that loses its scope again and again, and what the process holds before and after."""

import gc
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import count

from emulated_usb import Device
from peakwhite.daemon.acquisition import Acquisition, Origin
from peakwhite.daemon.sources.scope import open_scope
from peakwhite.drivers import visa_link
from peakwhite.drivers.waiting import Clock
from scripted import Hand, Outlet, a_job, a_measured

MOST_WAITS_A_TURN = 50
USB = "USB0::0x1AB1::0x04CE::SN0001::0::INSTR"


@dataclass(frozen=True)
class Held:
    """Threads, open descriptors, and sessions in PyVISA's table."""

    threads: int
    descriptors: int
    sessions: int


def held_now() -> Held:
    """What this process holds, once the collector has been through: pyvisa-py leaves handles of failed openings to it."""
    gc.collect()
    sessions = len(visa_link._sessions())
    return Held(threading.active_count(), len(os.listdir("/proc/self/fd")), sessions)


def usb_faults(device: Device) -> tuple[Callable[[int], None], Callable[[], None]]:
    """What breaks the link to an emulated device, by the number of the turn, and what heals it: at another address."""
    addresses = count(10)

    def strike(turn: int) -> None:
        if turn % 50 == 7:
            device.silent = True
        else:
            device.leaves_after = turn % 13

    def heal() -> None:
        device.silent = False
        device.plug_in(address=next(addresses))

    return strike, heal


@dataclass
class Reconnects:
    """Acquisition in the caller's own thread, with waits that take no time.

    Args:
        strike: breaks the scope, by the number of the turn.
        heal: makes it as it was, called at the first wait after it was lost.
    """

    resource: str
    times: int
    strike: Callable[[int], None]
    heal: Callable[[], None]
    timeout_s: float = 0.2
    outlet: Outlet = field(default_factory=Outlet)
    hand: Hand = field(default_factory=Hand)
    done: int = 0
    _waits: int = 0
    _struck: bool = False

    def run(self) -> None:
        """Lose it and have it back so many times. Raises AssertionError where it does not come back."""
        clock = Clock(now=lambda: self.hand.s, sleep=self._sleep)
        job = a_job(self.hand, self.outlet, lambda capture: a_measured())
        Acquisition(
            Origin(lambda: open_scope(self.resource, timeout_s=self.timeout_s, clock=clock), self.resource),
            job,
            self._wait,
        ).run()

    def _sleep(self, seconds: float) -> None:
        self.hand.s += seconds

    def _wait(self, seconds: float) -> bool:
        self.hand.wait(seconds)
        self._waits += 1
        assert self._waits < MOST_WAITS_A_TURN, self.outlet.told[-1]
        ready = self.outlet.states[-1] == "ready"
        if ready and self._struck and self.outlet.states[-2:] == ["lost", "ready"]:
            self.done += 1
            self._struck = False
        if ready and not self._struck:
            if self.done == self.times:
                return True
            self._waits, self._struck = 0, True
            self.outlet.told = self.outlet.told[-1:]
            self.outlet.readings.clear()
            self.strike(self.done)
        elif not ready:
            self.heal()
        return False


NETWORK_FAULTS = (
    "drop-mid-block",
    "garbage",
    "drop-mid-block",
    "switched-off",
    "drop-mid-block",
    "silent",
    "truncate-block",
    "drop-mid-block",
    "switched-off",
    "scale-nan",
)
"""What strikes in turn over the network."""
