"""An independent client library sets up the `descriptor` simulated scope, captures and reads it: our driver sees the same volts.

The library is pymeasure (MIT, general-purpose). Over VXI-11, as the library ends a block at the first line feed of a raw
socket. It strips bytes that look like white space from the end of a block, so that a sample or two may be missing there.
"""

from collections.abc import Iterator

import numpy as np
import pytest
from pymeasure.instruments.siglenttechnologies.siglent_sds1000xhd import SDS1000XHD

from family_rig import SimulatedScope, SleepingTime, volts_of
from peakwhite.drivers.links import open_link
from peakwhite.drivers.opening import open_driver

VOLTS_PER_DIV = 0.2
POINTS = 10_000


@pytest.fixture(scope="module", params=["8", "12"], ids=lambda bits: f"{bits} bits")
def scope(request: pytest.FixtureRequest) -> Iterator[SimulatedScope]:
    started = SimulatedScope("descriptor", "fast", "--vxi11", "0", "--bits", request.param)
    yield started
    started.end()


@pytest.fixture(scope="module")
def client(scope: SimulatedScope) -> Iterator[SDS1000XHD]:
    made = SDS1000XHD(scope.resources["vxi11"], visa_library="@py", timeout=500)
    yield made
    made.adapter.close()


@pytest.fixture(scope="module", params=[1, 10], ids=lambda ratio: f"probe {ratio}")
def captured(client: SDS1000XHD, request: pytest.FixtureRequest) -> SDS1000XHD:
    """The client, which has captured lines of the unit on channels 1 and 4 by its own commands."""
    for channel, offset_v in ((client.channel_1, -0.35), (client.channel_4, 0.1)):
        channel.probe = request.param
        channel.scale = VOLTS_PER_DIV
        channel.offset = offset_v
        channel.coupling = "DC"
        channel.display_enabled = True
    client.timebase.scale = 20e-6
    client.timebase.delay = 0.0
    client.acquisition.memory_depth = "10K"
    client.trigger.edge_source = "C4"
    client.trigger.edge_slope = "FALLing"
    client.trigger.edge_level = -0.15
    client.trigger.mode = "SINGle"
    assert client.trigger.status in ("Stop", "Arm", "Ready", "Trig'd", "Auto")
    assert client.trigger.status == "Stop"
    return client


@pytest.mark.parametrize("number", [1, 4])
def test_our_driver_sees_the_volts_and_seconds_that_the_client_sees(
    scope: SimulatedScope, captured: SDS1000XHD, number: int
) -> None:
    source = getattr(captured, f"wf_C{number}")
    source.source = f"C{number}"
    seconds, volts = source.get_data()
    link = open_link(scope.resource)
    try:
        _, family, driver = open_driver(link, None, SleepingTime().clock)
        setup = driver.read_setup()
        record = driver.fetch((f"CH{number}",))
    finally:
        link.close()
    assert (family.name, setup.running, setup.trigger_source) == ("siglent-2000xplus", False, "CH4")
    channel, stripped = record.channels[0], POINTS - len(volts)
    ours, lsb_v = volts_of(channel), abs(channel.volts_per_code)
    assert ours.size == POINTS
    assert 0 <= stripped < 4
    assert np.ptp(ours) > 20 * VOLTS_PER_DIV / 30
    assert np.max(np.abs(ours[: len(volts)] - volts)) < lsb_v / 100
    assert record.seconds_per_sample == pytest.approx(float(np.mean(np.diff(seconds))))
    assert record.first_sample_s == pytest.approx(seconds[0])
