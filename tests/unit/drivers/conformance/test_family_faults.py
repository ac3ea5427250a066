"""What every family makes of an instrument that misbehaves: an error of its class, or the right record, never a wrong one."""

from collections.abc import Callable

import numpy as np
import pytest

from family_rig import LEVELS, SHORT_S, Rig, volts_of
from peakwhite.drivers.errors import InstrumentError, LinkError, LinkTimeout, ReplyError
from peakwhite.drivers.family import Driver

CONVERSATIONS: dict[str, Callable[[Driver], object]] = {
    "read_setup": lambda driver: driver.read_setup(),
    "configure": lambda driver: driver.configure(LEVELS),
    "acquire": lambda driver: driver.acquire(0.1),
    "force": lambda driver: driver.force(0.1),
    "fetch": lambda driver: driver.fetch(("CH1", "CH4")),
}


def ready(rig: Rig) -> None:
    """Put a record into the scope, and a driver with little patience on it."""
    rig.driver.configure(LEVELS)
    assert rig.driver.acquire(0.1)
    rig.driver = rig.connect(SHORT_S)
    rig.driver.read_setup()


@pytest.mark.parametrize("conversation", CONVERSATIONS)
def test_garbage_in_place_of_an_answer_is_a_typed_error(rig: Rig, conversation: str) -> None:
    ready(rig)
    rig.scope.tell(fault="garbage")
    with pytest.raises((ReplyError, LinkError)):
        CONVERSATIONS[conversation](rig.driver)


@pytest.mark.parametrize("conversation", CONVERSATIONS)
def test_silence_is_a_time_out(rig: Rig, conversation: str) -> None:
    ready(rig)
    rig.scope.tell(fault="silent")
    with pytest.raises(LinkTimeout):
        CONVERSATIONS[conversation](rig.driver)


@pytest.mark.parametrize(
    "fault",
    [
        *("drop-mid-block", "truncate-block", "header-too-long", "header-too-short", "empty-record"),
        *("preamble-field-missing", "scale-zero", "scale-nan"),
    ],
)
def test_a_spoilt_block_or_preamble_is_a_typed_error(rig: Rig, fault: str) -> None:
    ready(rig)
    rig.scope.tell(fault=fault)
    with pytest.raises((ReplyError, LinkError)):
        rig.driver.fetch(("CH1", "CH4"))


@pytest.mark.parametrize("fault", ["points-disagree", "time-step-zero", "text-before-block", "extra-line-feed"])
def test_an_oddity_gives_the_right_record_or_a_typed_error(rig: Rig, fault: str) -> None:
    ready(rig)
    right = rig.driver.fetch(("CH1", "CH4"))
    rig.scope.tell(fault=fault)
    driver = rig.connect(SHORT_S)
    try:
        driver.read_setup()
        record = driver.fetch(("CH1", "CH4"))
    except InstrumentError:
        return
    assert np.allclose(volts_of(record.channels[0]), volts_of(right.channels[0]))
    assert record.seconds_per_sample == pytest.approx(right.seconds_per_sample)
    assert record.first_sample_s == pytest.approx(right.first_sample_s)


def test_after_a_fault_a_new_link_measures_as_before(rig: Rig) -> None:
    ready(rig)
    rig.scope.tell(fault="truncate-block")
    with pytest.raises((ReplyError, LinkError)):
        rig.driver.fetch(("CH1",))
    rig.scope.tell(fault=None)
    rig.driver = rig.connect()
    rig.driver.configure(LEVELS)
    assert rig.caught("CH1").channels[0].codes.size >= LEVELS.points
