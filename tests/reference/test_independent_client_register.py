"""An independent client of one dialect sees the volts and seconds that our driver sees: pymeasure, over a raw socket.

It fetches text, our driver bytes. Nothing of ours takes part in how it asks and decodes; the record is one that is held.
"""

import warnings
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from pymeasure.instruments.keysight import KeysightDSOX1102G

from family_rig import LEVELS, Rig, SimulatedScope, volts_of
from peakwhite.drivers.keysight_infiniivision import KEYSIGHT_INFINIIVISION

LAST_DIGIT = 1e-5
"""Of a value printed with six digits, relative to its leading one."""


@pytest.fixture(scope="module")
def scope() -> Iterator[SimulatedScope]:
    started = SimulatedScope("register")
    yield started
    started.end()


@pytest.fixture
def rig(scope: SimulatedScope) -> Iterator[Rig]:
    made = Rig(KEYSIGHT_INFINIIVISION, scope)
    yield made
    made.end()


@pytest.fixture
def client(scope: SimulatedScope) -> Iterator[KeysightDSOX1102G]:
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="It is not known whether this device", category=FutureWarning)
        made = KeysightDSOX1102G(scope.resource, visa_library="@py", read_termination="\n", write_termination="\n")
    yield made
    made.adapter.close()


def decimal_exponents(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.floor(np.log10(np.maximum(np.abs(values), 1e-12)))


@pytest.mark.parametrize(("name", "source"), [("CH1", "channel1"), ("CH2", "channel2")])
def test_it_sees_the_same_volts_and_seconds(rig: Rig, client: KeysightDSOX1102G, name: str, source: str) -> None:
    rig.driver.configure(LEVELS)
    record = rig.caught_with_white("CH1", "CH2")
    ours = volts_of(record.channels[("CH1", "CH2").index(name)])
    theirs, preamble = client.download_data(source, points=20_000)
    half_a_digit = 0.5 * LAST_DIGIT * 10.0 ** decimal_exponents(ours)
    assert theirs.size == ours.size == 20_000
    assert np.all(np.abs(theirs - ours) <= half_a_digit * (1 + 1e-6) + 1e-9)
    assert preamble["xincrement"] == pytest.approx(record.seconds_per_sample, rel=1e-8)
    assert preamble["xorigin"] == pytest.approx(record.first_sample_s, rel=1e-8)


def test_it_reads_the_set_up_that_our_driver_made(rig: Rig, client: KeysightDSOX1102G) -> None:
    rig.driver.configure(replace(LEVELS, span_s=1e-3))
    channel = client.ch1.current_configuration
    assert (channel["DISP"], channel["BWL"], channel["INV"], channel["COUP"]) == (True, True, False, "DC")
    assert (channel["RANG"], channel["OFFS"]) == pytest.approx((1.6, 0.35))
    assert client.timebase["MAIN:RANG"] == pytest.approx(1e-3)


def test_our_driver_reads_the_set_up_that_it_made(rig: Rig, client: KeysightDSOX1102G) -> None:
    client.ch1.setup(scale=0.5, offset=0.25, bwlimit=True, coupling="ac")
    client.timebase_setup(scale=2e-4)
    setup = rig.driver.read_setup()
    channel = setup.channels[0]
    assert (channel.volts_per_div, channel.centre_v, channel.limiter, channel.coupling) == (0.5, 0.25, True, "AC")
    assert setup.span_s == pytest.approx(2e-3)
