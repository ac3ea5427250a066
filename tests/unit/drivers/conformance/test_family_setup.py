"""What every family has to do before a record is fetched: identify, report, read, configure, give back."""

from contextlib import nullcontext
from dataclasses import replace

import pytest

from family_rig import LEVELS, Rig
from peakwhite.drivers.capture import EXT
from peakwhite.drivers.errors import InstrumentRejected
from peakwhite.drivers.families import FAMILIES
from peakwhite.drivers.family import ChannelPlan, Family

OTHER = replace(
    LEVELS,
    channels=(ChannelPlan("CH2", 0.5, -0.5), ChannelPlan("CH3", 0.1, 0.2)),
    trigger_channel="CH3",
    trigger_level_v=0.25,
    span_s=2e-3,
    points=24_000,
    limiter=False,
)
"""A set-up that differs from that for levels in everything that a plan names."""
NO_ERROR_QUEUE = ("siglent-1000xe", "siglent-2000xplus")
"""Families whose guides know none: settings are read back and compared."""


def test_every_family_has_one_dialect_of_the_simulated_scope(family: Family, dialects: dict[str, str]) -> None:
    spoken = [name for name, identity in dialects.items() if family.knows(identity)]
    assert len(spoken) == 1, f"{family.name} is spoken by {spoken}"
    assert [other.name for other in FAMILIES if other.knows(dialects[spoken[0]])] == [family.name]


def test_the_instrument_is_identified_by_maker_model_serial_and_firmware(rig: Rig) -> None:
    identity = rig.identity
    assert identity.is_simulated
    assert all((identity.model, identity.serial, identity.firmware))
    assert len(identity.options) == (2 if rig.family.has_options else 0)


def test_what_the_model_can_do_is_reported(rig: Rig) -> None:
    abilities = rig.driver.abilities
    assert abilities.channels == 4
    assert 8 <= abilities.bits <= 16
    assert list(abilities.memory_points) == sorted(set(abilities.memory_points))
    assert 0.0 < abilities.gain_spec.pct <= 10.0
    assert rig.family.gain_spec_of(rig.identity) == replace(abilities.gain_spec, from_data_sheet=True)


def test_reading_the_set_up_changes_nothing(rig: Rig) -> None:
    first = rig.driver.read_setup()
    assert first.running
    assert [channel.name for channel in first.channels] == ["CH1", "CH2", "CH3", "CH4"]
    assert rig.driver.read_setup() == first


def test_what_was_configured_is_what_is_read(rig: Rig) -> None:
    rig.driver.configure(LEVELS)
    setup = rig.driver.read_setup()
    for plan, channel in zip(LEVELS.channels, setup.channels, strict=True):
        assert channel.on and not channel.inverted
        assert channel.limiter
        assert channel.coupling.startswith("D")
        assert channel.volts_per_div == pytest.approx(plan.volts_per_div)
        assert channel.centre_v == pytest.approx(plan.centre_v, abs=plan.volts_per_div / 25)
        assert channel.probe_ratio == pytest.approx(1.0)
    assert LEVELS.span_s * 0.999 <= setup.span_s <= 3 * LEVELS.span_s
    assert (setup.trigger_source, setup.falling, setup.normal_mode) == ("CH4", True, True)
    assert setup.trigger_level_v == pytest.approx(-0.15, abs=0.005)


def test_channels_that_no_plan_names_are_switched_off(rig: Rig) -> None:
    rig.driver.configure(OTHER)
    setup = rig.driver.read_setup()
    assert [channel.on for channel in setup.channels] == [False, True, True, False]
    assert [channel.limiter for channel in setup.channels][1:3] == [False, False]
    assert setup.trigger_source == "CH3"


def test_the_set_up_of_the_user_is_given_back_and_the_scope_runs_as_before(rig: Rig) -> None:
    users = rig.driver.read_setup()
    assert users.running
    rig.driver.configure(LEVELS)
    assert rig.driver.acquire(0.1)
    assert rig.driver.read_setup() != users
    rig.driver.restore(users)
    assert rig.connect().read_setup() == users


def test_a_set_up_of_other_ranges_trigger_and_memory_is_given_back_stopped(rig: Rig) -> None:
    rig.driver.configure(OTHER)
    assert rig.driver.acquire(0.1) or rig.driver.force(1.0)
    users = rig.driver.read_setup()
    assert not users.running
    rig.driver.configure(LEVELS)
    rig.driver.restore(users)
    assert rig.connect().read_setup() == users


def test_a_released_scope_runs_freely(rig: Rig) -> None:
    rig.driver.configure(LEVELS)
    assert rig.driver.acquire(0.1)
    rig.driver.release()
    setup = rig.driver.read_setup()
    assert setup.running and not setup.normal_mode


def test_a_channel_that_is_not_there_is_refused(rig: Rig) -> None:
    with pytest.raises(InstrumentRejected, match="CH9"):
        rig.driver.configure(replace(LEVELS, channels=(ChannelPlan("CH9", 0.2, 0.0),)))


def test_the_external_input_triggers_where_there_is_one(rig: Rig) -> None:
    plan = replace(LEVELS, trigger_channel=EXT)
    if rig.driver.abilities.ext_input:
        rig.driver.configure(plan)
        assert rig.driver.acquire(0.1)
        assert rig.driver.read_setup().trigger_source == EXT
    else:
        with pytest.raises(InstrumentRejected, match=EXT):
            rig.driver.configure(plan)


def test_a_refused_setting_is_raised_in_the_instruments_own_words(rig: Rig) -> None:
    too_coarse = ChannelPlan("CH1", 1e4, 0.0)
    with pytest.raises(InstrumentRejected, match="it refused"):
        rig.driver.configure(replace(LEVELS, channels=(too_coarse, *LEVELS.channels[1:])))


def test_an_error_queue_that_overflows_is_read_to_an_end(rig: Rig) -> None:
    rig.scope.tell(fault="error-queue-overflow")
    with nullcontext() if rig.family.name in NO_ERROR_QUEUE else pytest.raises(InstrumentRejected):
        rig.driver.configure(LEVELS)
