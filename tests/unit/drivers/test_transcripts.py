"""Conversations that were recorded with `peakwhite record-scope`: every driver makes of them what it made then."""

from pathlib import Path

import numpy as np
import pytest

from family_rig import SleepingTime
from peakwhite.drivers.capture import ChannelRecord
from peakwhite.drivers.families import FAMILIES
from peakwhite.drivers.identity import Identity
from peakwhite.drivers.opening import open_driver
from peakwhite.drivers.records import Record
from peakwhite.drivers.rehearsal import rehearse
from peakwhite.drivers.transcript import replaced, summary_of, transcript_of
from replayed import ReplayedLink

TRANSCRIPTS = sorted(Path(__file__).with_name("transcripts").glob("*.json"))


@pytest.mark.parametrize("path", TRANSCRIPTS, ids=lambda path: path.stem)
def test_the_driver_makes_of_a_conversation_what_it_made_when_it_was_recorded(path: Path) -> None:
    link = ReplayedLink(path)
    identity, family, driver = open_driver(link, None, SleepingTime().clock)
    assert (family.name, identity.text) == (link.transcript["family"], link.transcript["identity"])
    now, then = summary_of(rehearse(driver)), link.transcript["record"]
    assert now["channels"] == {name: pytest.approx(channel) for name, channel in then["channels"].items()}
    assert now["seconds_per_sample"] == pytest.approx(then["seconds_per_sample"])
    assert now["first_sample_s"] == pytest.approx(then["first_sample_s"])


def test_every_family_has_a_transcript() -> None:
    recorded = {ReplayedLink(path).transcript["family"] for path in TRANSCRIPTS}
    assert recorded == {family.name for family in FAMILIES}


def test_a_family_was_tried_on_hardware_where_one_of_its_transcripts_is_of_an_instrument() -> None:
    conversations = [ReplayedLink(path).transcript for path in TRANSCRIPTS]
    of_instruments = {each["family"] for each in conversations if not Identity(each["identity"]).is_simulated}
    assert of_instruments == {family.name for family in FAMILIES if family.tried_on_hardware}


def test_the_serial_number_is_replaced_wherever_it_stands() -> None:
    identity = Identity("MAKER,MODEL 4,AB12345,1.0", ("LIC",))
    exchanges = [{"sent": "*IDN?", "text": identity.text}, {"sent": "X?", "text": '"of ab12345"'}, {"sent": "RUN"}]
    made = transcript_of(exchanges, identity, family="some", link="usb", record=None, error="AB12345 is silent")
    assert "12345" not in str(made)
    assert made["identity"] == "MAKER,MODEL 4,XX00000,1.0"
    assert [exchange.get("text") for exchange in made["exchanges"]] == [made["identity"], '"of XX00000"', None]


@pytest.mark.parametrize(("serial", "other"), [("C010396", "X000000"), ("1333.1005k04/113192", "0000.0000X00/000000")])
def test_a_replaced_serial_number_has_the_length_and_shape_of_the_real_one(serial: str, other: str) -> None:
    assert replaced(serial) == other


def test_a_third_field_that_is_no_serial_number_stays() -> None:
    identity = Identity("MAKER,MODEL 4,0,1.0")
    exchanges = [{"sent": "A?", "text": "1000"}]
    assert transcript_of(exchanges, identity, family="f", link="usb", record=None, error=None)["exchanges"] == exchanges


def test_a_record_is_summed_up_in_volts() -> None:
    channel = ChannelRecord("CH1", np.array([0, 50, 100], np.uint8), 0.01, -0.5)
    summed = summary_of(Record((channel,), 1e-6, -1e-3))
    assert summed["channels"]["CH1"] == {"samples": 3, "low_v": -0.5, "mean_v": 0.0, "high_v": 0.5}
