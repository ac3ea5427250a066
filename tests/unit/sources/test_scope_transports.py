"""The scope source over every transport, and acquisition over a USB scope that comes and goes."""

import gc
import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count

import pytest

from emulated_usb import Bus, Device, install
from peakwhite.daemon.acquisition import Acquisition, NoTrigger, Origin, Task
from peakwhite.daemon.acquisition.pace import USB_REST_S
from peakwhite.daemon.config import Setup
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.sources.scope import ScopeSource, open_scope
from peakwhite.drivers.discovery import FoundScope, find_scopes, list_usb
from scripted import Hand, Outlet, a_job
from usb_bridge import Bridge

WAYS = ["scpi", "vxi11", "hislip", "usb"]
USB = "USB0::0x1AB1::0x04CE::{}::0::INSTR"


@dataclass
class Simulated:
    """The simulated scope's ways in, among them an emulated USB device."""

    resources: dict[str, str]
    bus: Bus
    device: Device


@pytest.fixture(scope="module", params=["curve", "preamble"])
def contract(request: pytest.FixtureRequest) -> Iterator[dict[str, str]]:
    command = [sys.executable, "-m", "peakwhite.simulated_scope", "--clock", "fast", "--seed", "5"]
    command += ["--dialect", request.param, "--vxi11", "0", "--hislip", "0"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None and process.stdin is not None
        yield json.loads(process.stdout.readline())
        process.stdin.close()


@pytest.fixture
def simulated(contract: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> Iterator[Simulated]:
    bridge = Bridge(contract["scpi"])
    device = bridge.device("SN0001")
    bus = Bus(device)
    install(bus, monkeypatch)
    yield Simulated({**contract, "usb": USB.format("SN0001")}, bus, device)
    assert device.handles == 0
    bridge.close()


def levels_of(source: ScopeSource) -> dict[str, float]:
    """Peak white of every colour, as soon as a capture shows all."""
    source.configure(Task.LEVELS, Setup())
    for _ in range(20):
        capture = source.capture(2.0)
        assert not isinstance(capture, NoTrigger)
        measured = measure_capture(capture, Setup().conditions)
        levels = {channel.role: channel.peak_white_mv for channel in measured.channels}
        found = {role: levels[role] for role in ("red", "green", "blue") if role is not None}
        if None not in found.values():
            return found  # type: ignore[return-value]
    raise AssertionError("no capture shows white")


@pytest.mark.parametrize("way", WAYS)
def test_the_levels_are_those_of_the_unit_over_every_transport(simulated: Simulated, way: str) -> None:
    source = open_scope(simulated.resources[way])
    for _ in range(3):
        levels = levels_of(source)
    source.close()
    assert levels == {
        "red": pytest.approx(750.0, abs=4.0),
        "green": pytest.approx(714.3, abs=4.0),
        "blue": pytest.approx(700.0, abs=4.0),
    }


class UsbBench:
    """Acquisition over the emulated USB scope, in the test's own thread; what happens is told by the count of waits."""

    def __init__(self, simulated: Simulated, events: dict[int, object], ends_after: int) -> None:
        self.hand, self.outlet = Hand(), Outlet()
        self._events, self._ends_after, self._turns = events, ends_after, count()
        job = a_job(self.hand, self.outlet, lambda capture: measure_capture(capture, Setup().conditions))
        resource = simulated.resources["usb"]
        self._acquisition = Acquisition(Origin(lambda: open_scope(resource, timeout_s=1.5), resource), job, self._wait)

    def run(self) -> None:
        self._acquisition.run()

    def _wait(self, seconds: float) -> bool:
        self.hand.wait(seconds)
        turn = next(self._turns)
        event = self._events.get(turn)
        if callable(event):
            event()
        gc.collect()  # pyvisa-py leaves handles of failed openings to the collector
        return turn >= self._ends_after


def test_a_usb_scope_unplugged_in_a_block_comes_back_at_another_address(simulated: Simulated) -> None:
    device = simulated.device

    def unplug_soon() -> None:
        device.leaves_after = 12

    bench = UsbBench(simulated, {2: unplug_soon, 6: lambda: device.plug_in(address=11)}, ends_after=12)
    bench.run()
    assert bench.outlet.states == ["connecting", "ready", "lost", "ready"]
    assert "not plugged in" in bench.outlet.told[2][0].text
    assert len(bench.outlet.readings) >= 6
    assert device.address == 11


def test_a_usb_scope_that_timed_out_is_left_alone_for_five_seconds(simulated: Simulated) -> None:
    device = simulated.device

    def mute() -> None:
        device.silent = True

    def speak() -> None:
        device.silent = False

    bench = UsbBench(simulated, {1: mute, 2: speak}, ends_after=5)
    bench.run()
    assert bench.outlet.states == ["connecting", "ready", "lost", "ready"]
    assert bench.hand.waits[2] >= USB_REST_S
    assert max(bench.hand.waits[:2] + bench.hand.waits[3:]) < 1.0


def test_of_two_scopes_of_one_model_each_is_found_by_its_serial_number(simulated: Simulated) -> None:
    answers = {b"*IDN?": b"MAKER,MODEL,SN0002,1\n", b"*STB?": b"0\n"}
    second = Device(lambda message: answers.get(message, b""), serial="SN0002")
    second.address = 6
    simulated.bus.devices.append(second)
    first, another = sorted(find_scopes(30.0, listings={"USB?*::INSTR": list_usb}), key=lambda found: found.resource)
    assert first.resource == USB.format("SN0001")
    assert first.identity is not None and first.identity.startswith("PEAKWHITE,")
    assert another == FoundScope(USB.format("SN0002"), "MAKER,MODEL,SN0002,1")
