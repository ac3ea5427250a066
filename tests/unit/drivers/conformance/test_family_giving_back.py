"""What every family gives back: all of it, acknowledged, and how records are sent too."""

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pytest

from family_rig import LEVELS, Rig
from peakwhite.drivers.errors import InstrumentRejected, LinkError
from peakwhite.drivers.links import Link, open_link
from peakwhite.drivers.scpi_driver import ScpiDriver

SENT_OTHERWISE = {
    "tektronix-tds": (":DAT:SOU CH2;ENC RPB;WID 1;STAR 5;STOP 77;:VERB OFF;:HEAD ON",),
    "tektronix-mso": (":DAT:SOU CH2;ENC RPB;WID 1;STAR 5;STOP 77;:VERB OFF;:HEAD ON",),
    "rigol-1000z": (":WAV:SOUR CHAN3", ":WAV:MODE MAX", ":WAV:FORM WORD", ":WAV:STAR 5", ":WAV:STOP 77"),
    "rigol-dho": (":WAV:SOUR CHAN3", ":WAV:MODE MAX", ":WAV:FORM BYTE", ":WAV:STAR 5", ":WAV:STOP 77"),
    "rigol-mso5000": (":WAV:SOUR CHAN3", ":WAV:MODE MAX", ":WAV:FORM WORD", ":WAV:STAR 5", ":WAV:STOP 77"),
    "keysight-infiniivision": (
        *(":WAV:SOUR CHAN3", ":WAV:FORM WORD", ":WAV:BYT MSBF", ":WAV:UNS 0"),
        *(":WAV:POIN:MODE MAX", ":WAV:POIN 250"),
    ),
    "rohde-schwarz-rtb": (":FORM UINT,8", ":FORM:BORD MSBF"),
    "siglent-1000xe": ("WFSU SP,4,NP,10,FP,3", "CHDR SHORT"),
    "siglent-2000xplus": (
        *(":WAV:SOUR C3", ":WAV:STAR 5", ":WAV:POIN 77", ":WAV:INT 2"),
        *(":WAV:WIDT WORD", ":WAV:BYT MSB"),
    ),
}
"""Messages by which a user of a family has records sent otherwise than a driver wants them."""
SEND_NO_PART = ("keysight-infiniivision", "rohde-schwarz-rtb")
"""Families that can be told no first and last point: a record comes coarser, or whole up to a million points."""


@pytest.fixture
def users_link(rig: Rig) -> Iterator[Link]:
    """Another client, the user's own, that has records sent otherwise."""
    link = open_link(rig.scope.resource)
    have_sent_otherwise(rig, link)
    yield link
    if rig.family.name.startswith("tektronix"):
        link.write(":HEAD ON;:VERB ON")
    elif rig.family.name == "siglent-1000xe":
        link.write("CHDR OFF")
    link.close()


def have_sent_otherwise(rig: Rig, link: Link) -> None:
    for message in SENT_OTHERWISE[rig.family.name]:
        link.write(message)
    link.query("*IDN?")


def how_sent(rig: Rig, link: Link) -> list[str]:
    """Every answer about how records are sent, word for word."""
    assert isinstance(rig.driver, ScpiDriver)
    headers = (*rig.driver.transfer, *([":VERB", ":HEAD"] if rig.family.name.startswith("tektronix") else []))
    return [link.query(f"{header}?") for header in headers]


def test_how_records_are_sent_is_given_back_after_a_capture(rig: Rig, users_link: Link) -> None:
    before = how_sent(rig, users_link)
    kept, setup = rig.driver.read_transfer(), rig.driver.read_setup()
    rig.driver.configure(LEVELS)
    rig.caught()
    assert how_sent(rig, users_link) != before
    rig.driver.restore(setup)
    rig.driver.restore_transfer(kept)
    assert how_sent(rig, users_link) == before


def test_how_records_are_sent_is_given_back_where_nothing_else_was_touched(rig: Rig, users_link: Link) -> None:
    rig.driver.configure(LEVELS)
    rig.caught()
    have_sent_otherwise(rig, users_link)
    before = how_sent(rig, users_link)
    driver = rig.connect()
    kept = driver.read_transfer()
    driver.read_setup()
    driver.fetch(("CH1", "CH4"))
    assert how_sent(rig, users_link) != before
    driver.restore_transfer(kept)
    assert how_sent(rig, users_link) == before


def test_a_setting_that_is_refused_on_the_way_back_is_told_and_the_others_are_given_back(rig: Rig) -> None:
    rig.driver.configure(replace(LEVELS, trigger_level_v=0.25))
    users = rig.driver.read_setup()
    assert isinstance(rig.driver, ScpiDriver)
    refused = rig.driver.tree.channel["scale"].format(n=1)
    spoilt = replace(users, kept=tuple((header, "1E6" if header == refused else reply) for header, reply in users.kept))
    rig.driver.configure(LEVELS)
    with pytest.raises(InstrumentRejected, match="it refused a setting"):
        rig.driver.restore(spoilt)
    assert rig.connect().read_setup() == users


@contextmanager
def frozen(rig: Rig) -> Iterator[None]:
    """While this lasts the scope takes messages and does nothing about them."""
    os.kill(rig.scope.process.pid, signal.SIGSTOP)
    try:
        yield
    finally:
        os.kill(rig.scope.process.pid, signal.SIGCONT)


def test_a_frozen_scope_has_not_been_given_back(rig: Rig) -> None:
    driver = rig.connect(timeout_s=0.3)
    kept, setup = driver.read_transfer(), driver.read_setup()
    with frozen(rig), pytest.raises(LinkError):
        driver.restore(setup)
    rig.link.clear()
    with frozen(rig), pytest.raises(LinkError):
        driver.restore_transfer(kept)


def test_of_a_long_record_no_more_than_the_points_that_are_asked_for_is_fetched(rig: Rig) -> None:
    rig.driver.configure(replace(LEVELS, span_s=5e-3, points=120_000))
    rig.caught("CH1", "CH4")
    driver = rig.connect()
    driver.read_setup()
    driver.fetch(("CH1", "CH4"))  # a driver may find out with the first one how many bits there are
    whole = driver.fetch(("CH1", "CH4"))
    part = driver.fetch(("CH1", "CH4"), 10_000)
    assert part.first_sample_s == whole.first_sample_s
    if rig.family.name in SEND_NO_PART:
        assert part.channels[0].codes.size <= 1_000_000
        assert part.seconds_per_sample <= 100e-9
    else:
        assert part.seconds_per_sample == whole.seconds_per_sample
        for some, all_ in zip(part.channels, whole.channels, strict=True):
            assert np.array_equal(some.codes, all_.codes[:10_000])
    again = driver.fetch(("CH1", "CH4"))
    assert again.channels[0].codes.size >= part.channels[0].codes.size
