"""One instrument family at work on its dialect of the simulated scope: a process of its own, a real socket, its control port.

What the unit really puts out is asked of the control port. The driver's time is one that only sleeping moves; the
simulated scope's is the fast one.
"""

import json
import socket
import subprocess
import sys
from typing import Any

import numpy as np
from numpy.typing import NDArray

from peakwhite.drivers.capture import ChannelRecord
from peakwhite.drivers.family import ChannelPlan, Driver, Family, Plan
from peakwhite.drivers.links import Link, open_link
from peakwhite.drivers.opening import open_driver
from peakwhite.drivers.records import Record
from peakwhite.drivers.waiting import Clock

MODULE = (sys.executable, "-m", "peakwhite.simulated_scope")
SHORT_S = 0.5
LINE_S = 63.556e-6

LEVELS = Plan(
    channels=(
        *(ChannelPlan(name, 0.2, 0.35) for name in ("CH1", "CH2", "CH3")),
        ChannelPlan("CH4", 0.1, -0.1),
    ),
    trigger_channel="CH4",
    trigger_level_v=-0.15,
    span_s=500e-6,
    points=12_000,
)


class SleepingTime:
    """A clock that only sleeping moves."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.clock = Clock(now=lambda: self.now_s, sleep=self._sleep)

    def _sleep(self, seconds: float) -> None:
        assert seconds > 0.0
        self.now_s += seconds


class SimulatedScope:
    """A simulated scope of one dialect with its control port."""

    def __init__(self, dialect: str, clock: str = "fast", *options: str) -> None:
        command = (*MODULE, "--clock", clock, "--seed", "11", "--dialect", dialect, *options)
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        assert self.process.stdout is not None
        started = json.loads(self.process.stdout.readline())
        self.resource: str = started["scpi"]
        self.resources: dict[str, Any] = started
        self._control = socket.create_connection(("127.0.0.1", started["control"]), timeout=10.0)
        self._lines = self._control.makefile("rb")
        self._first = self.tell(get="state")["state"]

    def tell(self, **request: Any) -> Any:
        self._control.sendall(json.dumps(request).encode() + b"\n")
        answer = json.loads(self._lines.readline())
        assert "error" not in answer, answer
        return answer

    def as_at_first(self) -> None:
        """Unit and bench as they were at the start, and no faults."""
        self.tell(fault=None)
        self.tell(set=self._first["unit"])
        self.tell(front=self._first["front"])

    def end(self) -> None:
        self._lines.close()
        self._control.close()
        _, _ = self.process.communicate(timeout=10.0)
        assert self.process.returncode == 0


class Rig:
    """One family, its simulated scope, and the link and driver of one test."""

    def __init__(self, family: Family, scope: SimulatedScope) -> None:
        self.family = family
        self.scope = scope
        self.time = SleepingTime()
        self._links: list[Link] = []
        self.driver = self.connect()

    def connect(self, timeout_s: float = 5.0) -> Driver:
        """Another link to the same scope, with a driver."""
        self.link = open_link(self.scope.resource, timeout_s=timeout_s)
        self._links.append(self.link)
        self.identity, found, driver = open_driver(self.link, None, self.time.clock)
        assert found is self.family
        return driver

    def white_v(self, role: str) -> float:
        """What the unit really puts out on that channel, blanking to white, in volts."""
        return float(self.scope.tell(get="truth")["truth"]["signals"][role]["peak_white_mv"]) / 1e3

    def caught(self, *channels: str) -> Record:
        """One triggered capture of these channels."""
        assert self.driver.acquire(0.1)
        return self.driver.fetch(channels or ("CH1", "CH2", "CH3", "CH4"))

    def caught_with_white(self, *channels: str) -> Record:
        """One in which the first of these channels shows picture; some fall into the vertical interval."""
        for _ in range(40):
            record = self.caught(*channels)
            if np.mean(volts_of(record.channels[0]) > 0.3) > 0.3:
                return record
        raise AssertionError("no white in forty captures")

    def end(self) -> None:
        for link in self._links:
            link.close()
        self.scope.as_at_first()
        link = open_link(self.scope.resource)
        link.write("*RST;*CLS")
        link.query("*IDN?")
        link.close()


def volts_of(channel: ChannelRecord) -> NDArray[np.float64]:
    """The samples in volts at the probe tip."""
    return channel.codes.astype(np.float64) * channel.volts_per_code + channel.volts_at_code_zero


def falling_edges_s(record: Record, channel: ChannelRecord, level_v: float) -> NDArray[np.float64]:
    """Instants at which the channel falls through the level, to a fraction of a sample."""
    volts = volts_of(channel)
    before = np.flatnonzero((volts[:-1] > level_v) & (volts[1:] <= level_v))
    share = (volts[before] - level_v) / (volts[before] - volts[before + 1])
    return np.asarray(record.first_sample_s + (before + share) * record.seconds_per_sample)
