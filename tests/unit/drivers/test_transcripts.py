"""Conversations that were recorded with `peakwhite record-scope`: every driver holds them again, message by message."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from peakwhite.drivers.capture import ChannelRecord
from peakwhite.drivers.errors import LinkTimeout
from peakwhite.drivers.families import FAMILIES
from peakwhite.drivers.identity import Identity
from peakwhite.drivers.opening import open_driver
from peakwhite.drivers.records import Record
from peakwhite.drivers.rehearsal import rehearse
from peakwhite.drivers.scrubbing import replaced, scrubbed_options
from peakwhite.drivers.transcript import Exchange, RecordingLink, summary_of, transcript_of
from peakwhite.drivers.waiting import settles
from replayed import OF_A_SIMULATED_SCOPE, OF_AN_INSTRUMENT, ReplayedLink

TRANSCRIPTS = sorted(Path(__file__).with_name("transcripts").glob("*.json"))


def replay(link: ReplayedLink) -> Record:
    """What the driver makes of the conversation, which has to be exactly the recorded one."""
    identity, family, driver = open_driver(link, None, link.clock)
    assert (family.name, identity.text) == (link.transcript["family"], link.transcript["identity"])
    record = rehearse(driver, link)
    link.finish()
    return record


@pytest.mark.parametrize("path", TRANSCRIPTS, ids=lambda path: path.stem)
def test_the_driver_holds_the_conversation_again_and_makes_of_it_what_it_made_then(path: Path) -> None:
    link = ReplayedLink(path)
    then = link.transcript["record"]
    assert then is not None, f"{path.name} ended early, so that no driver can be held to it"
    now = summary_of(replay(link))
    assert now["channels"] == {name: pytest.approx(channel) for name, channel in then["channels"].items()}
    assert now["seconds_per_sample"] == pytest.approx(then["seconds_per_sample"])
    assert now["first_sample_s"] == pytest.approx(then["first_sample_s"])


def spoilt(tmp_path: Path, change: Callable[[list[Exchange]], None], identity: str | None = None) -> str:
    """What the replay says of the first transcript after a change to its exchanges."""
    transcript = json.loads(TRANSCRIPTS[0].read_text(encoding="utf-8"))
    change(transcript["exchanges"])
    path = tmp_path / "other.json"
    path.write_text(json.dumps(transcript), encoding="utf-8")
    link = ReplayedLink(path)
    if identity is not None:
        link.transcript["identity"] = identity
        for exchange in link.transcript["exchanges"]:
            if exchange["sent"] == "*IDN?":
                exchange["text"] = identity
    with pytest.raises(AssertionError) as caught:
        replay(link)
    return str(caught.value)


def written(exchanges: list[Exchange]) -> list[int]:
    """The places of the messages that have no answer."""
    return [at for at, exchange in enumerate(exchanges) if not exchange.keys() & {"text", "block"}]


def test_a_message_that_is_only_written_has_to_be_the_recorded_one(tmp_path: Path) -> None:
    places: list[int] = []

    def change(exchanges: list[Exchange]) -> None:
        places.append(written(exchanges)[3])
        exchanges[places[0]]["sent"] = ":OTHER 1"

    said = spoilt(tmp_path, change)
    assert f"other.json, exchange {places[0] + 1} of " in said
    assert "when it was recorded it writes ':OTHER 1'" in said and OF_A_SIMULATED_SCOPE in said


def test_messages_have_to_come_in_the_recorded_order(tmp_path: Path) -> None:
    def change(exchanges: list[Exchange]) -> None:
        first = next(at for at in written(exchanges) if exchanges[at]["sent"] != exchanges[at + 1]["sent"])
        exchanges[first], exchanges[first + 1] = exchanges[first + 1], exchanges[first]

    assert "when it was recorded it " in spoilt(tmp_path, change)


def test_a_message_that_was_not_recorded_is_one_too_many(tmp_path: Path) -> None:
    assert "when it was recorded it ended" in spoilt(tmp_path, lambda exchanges: exchanges.__delitem__(-1))


def test_a_recorded_message_that_does_not_come_is_missed(tmp_path: Path) -> None:
    said = spoilt(tmp_path, lambda exchanges: exchanges.append({"sent": ":LAST"}))
    assert "now the driver is done, when it was recorded it writes ':LAST'" in said


def test_a_message_that_was_asked_may_not_be_only_written(tmp_path: Path) -> None:
    def change(exchanges: list[Exchange]) -> None:
        exchanges[written(exchanges)[0]]["text"] = "1"

    assert "for a text" in spoilt(tmp_path, change)


def test_of_an_instrument_that_nobody_can_ask_again_the_replay_says_what_to_decide(tmp_path: Path) -> None:
    identity = "TEKTRONIX,TDS 2024B,C000000,CF:91.1CT FV:v22.11"
    assert OF_AN_INSTRUMENT in spoilt(tmp_path, lambda exchanges: exchanges.append({"sent": ":LAST"}), identity)


class Busy:
    """A link to something that is busy for three questions."""

    resource, dirty = "busy", False

    def __init__(self) -> None:
        self.left = 3

    def query(self, command: str) -> str:
        self.left -= 1
        return str(max(self.left, 0))

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        raise LinkTimeout("nothing came in 2 s", where="SN12345", do="wait")

    def write(self, command: str) -> None: ...

    def clear(self) -> None: ...

    def close(self) -> None: ...


def polled(link: RecordingLink | ReplayedLink, wait_s: float) -> bool:
    return settles(lambda: link.query("BUSY?") == "0", link.clock, wait_s=wait_s, pause_s=0.02)


@pytest.mark.parametrize("wait_s", [0.0, 0.01, 5.0])
def test_a_replayed_driver_waits_and_gives_up_where_the_recorded_one_did(tmp_path: Path, wait_s: float) -> None:
    recording = RecordingLink(Busy())
    settled = polled(recording, wait_s)
    path = tmp_path / "busy.json"
    talk = transcript_of(recording.exchanges, family=None, link="usb", record=None, error=None)
    path.write_text(json.dumps(talk), encoding="utf-8")
    replayed = ReplayedLink(path)
    assert polled(replayed, wait_s) is settled is (wait_s == 5.0)
    replayed.finish()


def test_an_exchange_that_failed_says_how() -> None:
    link = RecordingLink(Busy())
    with pytest.raises(LinkTimeout):
        link.query_block("DATA?", 10)
    assert [(one["sent"], one["failed"]) for one in link.exchanges] == [("DATA?", "nothing came in 2 s")]


def test_every_family_has_a_transcript() -> None:
    recorded = {ReplayedLink(path).transcript["family"] for path in TRANSCRIPTS}
    assert recorded == {family.name for family in FAMILIES}


def test_a_family_was_tried_on_hardware_where_one_of_its_transcripts_is_of_an_instrument() -> None:
    conversations = [ReplayedLink(path).transcript for path in TRANSCRIPTS]
    of_instruments = {each["family"] for each in conversations if not Identity(each["identity"]).is_simulated}
    assert of_instruments == {family.name for family in FAMILIES if family.tried_on_hardware}


def test_the_serial_number_is_replaced_wherever_it_stands() -> None:
    exchanges: list[Exchange] = [
        {"sent": "*IDN?", "text": "MAKER,MODEL 4,AB12345,1.0"},
        {"sent": "X?", "text": '"of ab12345"'},
        {"sent": "NAME 'AB12345'"},
        {"sent": "Y?", "failed": "AB12345 hangs"},
        {"sent": "*IDN?", "text": "MAKER,MODEL 4,CD67890,1.0"},
    ]
    made = transcript_of(exchanges, family="some", link="usb", record=None, error="AB12345 is silent, CD67890 too")
    assert "12345" not in str(made) and "67890" not in str(made)
    assert made["identity"] == "MAKER,MODEL 4,XX00000,1.0"
    assert made["exchanges"][1:3] == [{"sent": "X?", "text": '"of XX00000"'}, {"sent": "NAME 'XX00000'"}]


@pytest.mark.parametrize("reply", ['"K1,K31,B243"', "DPO4VID,MDO3AFG,4-RL-62.5M", "0", "NONE", "DSOX3VID,,MSO"])
def test_short_names_of_options_are_kept(reply: str) -> None:
    assert scrubbed_options(reply) == reply


@pytest.mark.parametrize(
    ("reply", "left"),
    [
        ("AFG,AB12CD34EF56GH78", "AFG,XX00XX00XX00XX00"),
        ("BW:ABCDE-FGHIJ-KLMNO-PQRST,K1", "BW:XXXXX-XXXXX-XXXXX-XXXXX,K1"),
        ("AFG C0123456,K2", "AFG X0000000,K2"),
        ("C0123456", "X0000000"),
        ("Licensed to the Quayside bench", "XXXXXXXX XX XXX XXXXXXXX XXXXX"),
    ],
)
def test_keys_serial_numbers_and_licensees_are_not_left_among_the_options(reply: str, left: str) -> None:
    assert scrubbed_options(reply) == left
    asked: list[Exchange] = [{"sent": "*OPT?", "text": reply}]
    made = transcript_of(asked, family=None, link="usb", record=None, error=None)
    assert made["exchanges"] == [{"sent": "*OPT?", "text": left}]
    assert made["options"] == left.split(",")


@pytest.mark.parametrize(("serial", "other"), [("C010396", "X000000"), ("1333.1005k04/113192", "0000.0000X00/000000")])
def test_a_replaced_serial_number_has_the_length_and_shape_of_the_real_one(serial: str, other: str) -> None:
    assert replaced(serial) == other


def test_a_third_field_that_is_no_serial_number_stays() -> None:
    exchanges: list[Exchange] = [{"sent": "*IDN?", "text": "MAKER,MODEL 4,0,1.0"}, {"sent": "A?", "text": "1000"}]
    assert transcript_of(exchanges, family="f", link="usb", record=None, error=None)["exchanges"] == exchanges


def test_a_record_is_summed_up_in_volts() -> None:
    channel = ChannelRecord("CH1", np.array([0, 50, 100], np.uint8), 0.01, -0.5)
    summed = summary_of(Record((channel,), 1e-6, -1e-3))
    assert summed["channels"]["CH1"] == {"samples": 3, "low_v": -0.5, "mean_v": 0.0, "high_v": 0.5}
