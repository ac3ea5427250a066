"""From a link to a driver: what is asked at first, and what comes of an instrument that refuses a question."""

from collections.abc import Mapping

import pytest

from peakwhite.drivers.errors import LinkLost, LinkTimeout, ReplyError
from peakwhite.drivers.families import family_named
from peakwhite.drivers.opening import identity_of, open_driver
from peakwhite.drivers.waiting import Clock
from spoken import Spoken

SMALL_HD = "Siglent Technologies,SDS814X HD,SDS800000000,1.1.3.3"


@pytest.mark.parametrize("refusal", [LinkTimeout, ReplyError])
def test_an_instrument_that_refuses_the_question_for_its_options_is_opened_without_any(
    refusal: type[LinkTimeout] | type[ReplyError],
) -> None:
    link = Spoken({"*IDN?": "AGILENT TECHNOLOGIES,DSO-X 2024A,MY00000000,02.43"}, refusal)
    identity, family = identity_of(link)
    assert (family.name, identity.options, link.cleared) == ("keysight-infiniivision", (), 1)
    assert link.asked == ["*IDN?", "*OPT?", "*IDN?"]


def test_options_are_asked_of_a_family_that_has_them() -> None:
    link = Spoken({"*IDN?": "Rohde&Schwarz,RTB2004,1333.1005k04/000000,02.400", "*OPT?": "B1,0,K1"})
    assert identity_of(link)[0].options == ("B1", "K1")


def test_no_options_are_asked_of_a_family_that_has_none() -> None:
    link = Spoken({"*IDN?": "TEKTRONIX,TDS 2024C,C000000,CF:91.1CT FV:v24.26"})
    identity_of(link)
    assert link.asked == ["*IDN?"]


def test_an_instrument_that_is_gone_after_a_refused_question_is_an_error() -> None:
    link = Spoken({"*IDN?": "AGILENT TECHNOLOGIES,DSO-X 2024A,MY00000000,02.43"}, clears=False)
    with pytest.raises(LinkLost):
        identity_of(link)


@pytest.mark.parametrize(("answers", "channels"), [({":CHAN3:DISP?": "0"}, 4), ({}, 2)])
def test_the_third_channel_is_asked_for_where_the_model_does_not_tell(
    answers: Mapping[str, str], channels: int
) -> None:
    link = Spoken({"*IDN?": "MAKER,MODEL NINE,0,1.0", **answers})
    _, _, driver = open_driver(link, family_named("rigol-1000z"), Clock())
    assert driver.abilities.channels == channels


@pytest.mark.parametrize("prefix", ["", "*IDN ", "*idn  "])
def test_old_firmware_that_repeats_the_question_is_known(prefix: str) -> None:
    identity, family = identity_of(Spoken({"*IDN?": f"{prefix}SIGLENT,SDS1104X-E,SDS000000000,8.1"}))
    assert (family.name, identity.maker) == ("siglent-1000xe", "SIGLENT")


def sent_to_set_up(answers: Mapping[str, str]) -> list[str]:
    """What the newer Siglent driver asks of a small HD model's channels."""
    link = Spoken({"*IDN?": SMALL_HD, **answers})
    _, _, driver = open_driver(link, None, Clock())
    with pytest.raises(LinkTimeout):
        driver.read_setup()
    return link.asked


def test_the_impedance_is_asked_of_a_model_that_may_have_none_and_left_alone_where_it_stays_silent() -> None:
    first = {":TRIG:STAT?": "Stop", ":CHAN1:SWIT?": "ON"}
    assert sent_to_set_up(first)[1:] == [":CHAN1:IMP?", "*IDN?", ":TRIG:STAT?", ":CHAN1:SWIT?", ":CHAN1:PROB?"]
    assert sent_to_set_up({**first, ":CHAN1:IMP?": "ONEM"})[1:] == [
        *(":CHAN1:IMP?", ":TRIG:STAT?", ":CHAN1:SWIT?", ":CHAN1:IMP?", ":CHAN1:PROB?")
    ]
