"""An independent client library sets up the `sparsed` simulated scope, captures and reads it: our driver sees the same volts.

The library is pymeasure (MIT, general-purpose); of its drivers the one for the twin of this dialect's instruments speaks it.
"""

from collections.abc import Iterator

import numpy as np
import pytest
from pymeasure.instruments.lecroy.lecroyT3DSO1204 import LeCroyT3DSO1204

from family_rig import SimulatedScope, SleepingTime, volts_of
from peakwhite.drivers.links import open_link
from peakwhite.drivers.opening import open_driver

VOLTS_PER_DIV = 0.2
LSB_V = VOLTS_PER_DIV / 25


@pytest.fixture(scope="module")
def scope() -> Iterator[SimulatedScope]:
    started = SimulatedScope("sparsed")
    yield started
    started.end()


@pytest.fixture(scope="module")
def client(scope: SimulatedScope) -> Iterator[LeCroyT3DSO1204]:
    with pytest.warns(
        FutureWarning, match="not known whether this device support SCPI"
    ):  # the library's word on itself
        made = LeCroyT3DSO1204(scope.resource, visa_library="@py", read_termination="\n", write_termination="\n")
    made.adapter.connection.timeout = 250  # ms: it takes silence for the end of a block
    yield made
    made.adapter.close()


@pytest.fixture(scope="module")
def captured(client: LeCroyT3DSO1204) -> LeCroyT3DSO1204:
    """The client, which has captured lines of the unit on channels 1 and 4 by its own commands."""
    for channel, offset_v in ((client.ch_1, -0.35), (client.ch_4, 0.1)):
        channel.probe_attenuation = 1
        channel.scale = VOLTS_PER_DIV
        channel.offset = offset_v
        channel.coupling = "dc 1M"
        channel.display = True
    client.timebase_setup(scale=20e-6, offset=0.0)
    client.memory_size = 7e3
    edge = {"source": "C4", "trigger_type": "edge", "hold_type": "off"}
    client.trigger_setup(mode="normal", **edge, level=-0.15, slope="negative", coupling="dc")
    client.single()
    assert client.acquisition_status in ("stopped", "ready", "armed", "triggered")
    assert client.acquisition_status == "stopped"
    return client


def test_the_client_reads_back_what_it_has_set(captured: LeCroyT3DSO1204) -> None:
    assert captured.ch_1.scale == pytest.approx(VOLTS_PER_DIV)
    assert captured.ch_1.offset == pytest.approx(-0.35)
    assert captured.timebase_scale == pytest.approx(20e-6)
    assert captured.trigger_select == ["edge", "c4", "off"]
    assert captured.ch_4.trigger_level == pytest.approx(-0.15)


@pytest.mark.parametrize(("source", "channel"), [("C1", "CH1"), ("C4", "CH4")])
def test_our_driver_sees_the_volts_and_seconds_that_the_client_sees(
    scope: SimulatedScope, captured: LeCroyT3DSO1204, source: str, channel: str
) -> None:
    volts, seconds, _ = captured.download_waveform(source, requested_points=0, sparsing=1)
    link = open_link(scope.resource)
    try:
        _, family, driver = open_driver(link, None, SleepingTime().clock)
        setup = driver.read_setup()
        record = driver.fetch((channel,))
    finally:
        link.close()
    assert (family.name, setup.running, setup.trigger_source) == ("siglent-1000xe", False, "CH4")
    ours = volts_of(record.channels[0])
    assert ours.size == len(volts) == 7000
    assert np.ptp(ours) > 20 * LSB_V
    assert np.max(np.abs(ours - volts)) < LSB_V / 100
    assert record.seconds_per_sample == pytest.approx(float(np.mean(np.diff(seconds))))
    assert record.first_sample_s == pytest.approx(float(seconds[0]))
