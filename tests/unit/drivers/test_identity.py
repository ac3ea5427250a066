"""The fields of `*IDN?` and `*OPT?`."""

import pytest

from peakwhite.drivers.identity import Identity, options_in


def test_the_four_fields_are_told_apart() -> None:
    identity = Identity("TEKTRONIX,TBS 1202B-EDU,C010396,CF:91.1CT FV:v4.0")
    assert (identity.maker, identity.model) == ("TEKTRONIX", "TBS 1202B-EDU")
    assert (identity.serial, identity.firmware) == ("C010396", "CF:91.1CT FV:v4.0")
    assert not identity.is_simulated


@pytest.mark.parametrize("text", ["", "Scope", "A,B"])
def test_fields_that_are_not_there_are_empty(text: str) -> None:
    identity = Identity(text)
    assert (identity.serial, identity.firmware) == ("", "")


def test_an_answer_without_commas_is_the_model() -> None:
    assert Identity("Scope 4").model == "Scope 4"


@pytest.mark.parametrize(
    ("reply", "options"),
    [("0", ()), ("", ()), ('"B1,K2"', ("B1", "K2")), ('"VID","MEM"', ("VID", "MEM")), ("0,VID,0", ("VID",))],
)
def test_options_are_listed_without_quotes_and_without_zeros(reply: str, options: tuple[str, ...]) -> None:
    assert options_in(reply) == options
