"""What every family makes of its inputs: of 50 ohm where they go to that, and of a model with two channels."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from family_rig import LEVELS, Rig, SimulatedScope, volts_of
from peakwhite.drivers.errors import InstrumentRejected
from peakwhite.drivers.family import ChannelPlan, Family
from peakwhite.drivers.links import open_link

TO_50_OHM = {
    "tektronix-mso": ":CH1:TER 50",
    "keysight-infiniivision": ":CHAN1:IMP FIFT",
    "rohde-schwarz-rtb": ":CHAN1:COUP DC",
    "siglent-1000xe": "C1:CPL D50",
    "siglent-2000xplus": ":CHAN1:IMP FIFT",
}
"""What switches the first input to 50 ohm, in families of which some models go to it."""
LOADED = (30 / (30 + 75)) / (75 / (75 + 75))
"""A level into 75 and 50 ohm at once over that into 75 ohm, of an output of 75 ohm."""
TWO = replace(
    LEVELS,
    channels=(ChannelPlan("CH1", 0.2, 0.35), ChannelPlan("CH2", 0.2, 0.35)),
    trigger_channel="CH1",
    trigger_level_v=0.35,
)


def swing_v(rig: Rig) -> float:
    low_v, high_v = np.percentile(volts_of(rig.caught_with_white("CH1").channels[0]), (5, 90))
    return float(high_v - low_v)


def test_an_input_of_50_ohm_is_seen_switched_to_1_megohm_and_given_back(rig: Rig) -> None:
    rig.driver.configure(LEVELS)
    right_v = swing_v(rig)
    if rig.family.name in TO_50_OHM:
        users_own = open_link(rig.scope.resource)
        users_own.write(TO_50_OHM[rig.family.name])
        users_own.query("*IDN?")
        users_own.close()
        assert swing_v(rig) == pytest.approx(right_v * LOADED, rel=0.05)
    users = rig.driver.read_setup()
    assert [channel.fifty_ohm for channel in users.channels] == [rig.family.name in TO_50_OHM, False, False, False]
    rig.driver.configure(LEVELS)
    assert swing_v(rig) == pytest.approx(right_v, rel=0.05)
    assert not any(channel.fifty_ohm for channel in rig.driver.read_setup().channels)
    rig.driver.restore(users)
    assert rig.connect().read_setup() == users


def test_a_family_that_can_be_switched_to_50_ohm_says_so(rig: Rig) -> None:
    assert not rig.driver.abilities.fifty_ohm_input or rig.family.name in TO_50_OHM


@pytest.fixture
def rig_of_two(family: Family, dialects: dict[str, str]) -> Iterator[Rig]:
    """The family at work on a model of its dialect with two channels."""
    (dialect,) = (name for name, identity in dialects.items() if family.knows(identity))
    scope = SimulatedScope(dialect, "fast", "--channels", "2")
    rig = Rig(family, scope)
    yield rig
    rig.end()
    scope.end()


def test_a_model_of_two_channels_is_known_set_up_captured_from_and_given_back(rig_of_two: Rig) -> None:
    rig = rig_of_two
    users = rig.driver.read_setup()
    assert rig.driver.abilities.channels == len(users.channels) == 2
    rig.driver.configure(TWO)
    record = rig.caught("CH1", "CH2")
    assert [channel.name for channel in record.channels] == ["CH1", "CH2"]
    with pytest.raises(InstrumentRejected, match="it has no channel 'CH3'.*|it has CH1, CH2"):
        rig.driver.configure(replace(TWO, channels=(ChannelPlan("CH3", 0.2, 0.35),)))
    rig.driver.restore(users)
    assert rig.connect().read_setup() == users
