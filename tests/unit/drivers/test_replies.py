"""Numbers and fields of text replies."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.drivers.errors import ReplyError
from peakwhite.drivers.replies import fields_outside_quotes, named_fields, number, whole_number


def the_number(text: str) -> float:
    return number(text, of="X?", where="scope")


@pytest.mark.parametrize(
    "text", ["9.9E37", "-9.9E+37", "9.91E37", "****", "nan", "inf", "1.00GSa/s", "14Mpts", "", "1,2", "1_0", "٣"]
)
def test_what_is_not_a_valid_number_is_a_typed_error(text: str) -> None:
    with pytest.raises(ReplyError, match="X"):
        the_number(text)


@given(value=st.floats(-1e30, 1e30))
def test_a_number_printed_as_an_instrument_does_comes_back(value: float) -> None:
    assert math.isclose(the_number(f" {value:.9E}\n"), value, rel_tol=1e-8)


@given(text=st.text(max_size=30))
def test_any_text_is_a_finite_number_or_a_typed_error(text: str) -> None:
    try:
        assert math.isfinite(the_number(text))
    except ReplyError as error:
        assert "\n" not in str(error)


def test_a_count_may_be_written_as_a_float() -> None:
    assert whole_number("1.200E+4", of="X?", where="scope") == 12_000
    with pytest.raises(ReplyError, match="whole"):
        whole_number("1.5", of="X?", where="scope")


def test_semicolons_within_quotes_separate_nothing() -> None:
    assert fields_outside_quotes('1;8;"Ch1; DC, 2 V/div";Y') == ("1", "8", '"Ch1; DC, 2 V/div"', "Y")


def test_fields_with_headers_are_found_by_name() -> None:
    assert named_fields(':WFMPRE:BYT_NR 1;NR_PT 2500;WFID "a; b";YUNIT "V"') == {
        "BYT_NR": "1", "NR_PT": "2500", "WFID": "a; b", "YUNIT": "V",
    }  # fmt: skip
