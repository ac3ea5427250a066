"""IEEE 488.2 and SCPI behaviour: headers, messages, errors, status."""

import asyncio
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from peakwhite.simulated_scope.adc import Adc
from peakwhite.simulated_scope.clock import FastClock
from peakwhite.simulated_scope.dialect_curve import CurveFace
from peakwhite.simulated_scope.dialect_preamble import PreambleFace
from peakwhite.simulated_scope.face import Face
from peakwhite.simulated_scope.faults import Faults
from peakwhite.simulated_scope.instrument import Instrument
from peakwhite.simulated_scope.scpi import elements, nr3, split_outside_quotes
from peakwhite.simulated_scope.unit import Unit


def talk(face_class: type[Face], *messages: str) -> list[str | None]:
    """The answers of a fresh instrument to messages, None where it stays silent."""

    async def conversation() -> list[str | None]:
        face = face_class(Instrument(Adc(8), FastClock(), 1, Unit(), face_class.divisions), Faults(), "A,B,C,D")
        face.status.clear()
        answers: list[str | None] = []
        for message in messages:
            answer = await face.respond(message)
            answers.append(None if answer is None else answer[0].decode("latin-1").removesuffix("\n"))
        return answers

    return asyncio.run(conversation())


def preamble(*messages: str) -> list[str | None]:
    return talk(PreambleFace, *messages)


def curve(*messages: str) -> list[str | None]:
    return talk(CurveFace, *messages)


@pytest.mark.parametrize(
    "header", [":CHANnel2:SCALe", "CHAN2:SCAL", "chan2:scal", ":Channel2:scale", ":CHAN2:SCALE", "CHANNEL2:SCAL"]
)
def test_short_and_long_forms_in_any_case_with_or_without_the_leading_colon(header: str) -> None:
    assert preamble(f"{header} 0.5", ":CHAN2:SCAL?") == [None, "5.0E-1"]
    assert preamble(f"{header}?") == ["1.0E0"]


@pytest.mark.parametrize("header", [":CHANN2:SCAL?", ":CHA2:SCAL?", ":CHAN5:SCAL?", ":CHAN:SCAL?", ":SCAL?", "*XYZ?"])
def test_what_is_neither_the_short_nor_the_long_form_is_undefined(header: str) -> None:
    silent, error = preamble(header, ":SYST:ERR?")
    assert silent is None
    assert str(error).startswith('-113,"Undefined header')


def test_an_optional_node_may_be_left_out() -> None:
    assert preamble(":TIM:SCAL 2E-5", ":TIM:MAIN:SCAL?", ":TIMebase:SCALe?") == [None, "2.0E-5", "2.0E-5"]


def test_a_header_without_colon_goes_on_from_the_path_before() -> None:
    assert preamble(":CHAN3:SCAL 0.2;OFFS -0.4;COUP AC", ":CHAN3:SCAL?;OFFS?;COUP?") == [None, "2.0E-1;-4.0E-1;AC"]


def test_a_colon_goes_back_to_the_root() -> None:
    assert preamble(":TRIG:EDG:LEV 0.5;:CHAN1:SCAL 0.1", ":TRIG:EDG:LEV?;:CHAN1:SCAL?") == [None, "5.0E-1;1.0E-1"]


def test_without_it_a_header_of_another_path_is_undefined() -> None:
    assert str(preamble(":TRIG:EDG:LEV 0.5;CHAN1:SCAL 0.1", ":SYST:ERR?")[1]).startswith("-113")


def test_a_common_command_leaves_the_path_alone() -> None:
    assert preamble(":CHAN3:SCAL 0.2;*OPC?;OFFS 0.1", ":CHAN3:OFFS?") == ["1", "1.0E-1"]


def test_several_queries_in_one_message_are_answered_in_one_line() -> None:
    assert preamble("*IDN?;:CHAN1:SCAL?;*OPC?") == ["A,B,C,D;1.0E0;1"]


def test_empty_units_and_blanks_do_no_harm() -> None:
    assert preamble("  ;; :CHAN1:SCAL   0.2 ; ;*OPC? ;", ":CHAN1:SCAL?;:SYST:ERR?") == ["1", '2.0E-1;0,"No error"']


@pytest.mark.parametrize(
    ("message", "code"),
    [
        (":CHAN1:SCAL", -109),
        (":CHAN1:SCAL 1,2", -108),
        (":CHAN1:SCAL abc", -104),
        (":CHAN1:SCAL 1e9", -222),
        (":CHAN1:SCAL nan", -222),
        (":CHAN1:COUP XY", -224),
        (":WAV:SOUR CHAN9", -224),
        (":ACQ:MDEP 5", -222),
        (":TRIG:STAT", -113),
        (":WAV:DATA", -113),
        (":RUN?", -113),
    ],
)
def test_a_bad_command_leaves_its_code_and_changes_nothing(message: str, code: int) -> None:
    _, error, scale, none = preamble(message, ":SYST:ERR?", ":CHAN1:SCAL?", ":SYST:ERR?")
    assert str(error).startswith(f"{code},")
    assert (scale, none) == ("1.0E0", '0,"No error"')


def test_errors_come_out_in_the_order_they_went_in() -> None:
    answers = preamble(":FOO", ":CHAN1:SCAL", ":SYST:ERR?", ":SYST:ERR:NEXT?", ":SYST:ERR?")[2:]
    assert [str(answer).split(",")[0] for answer in answers] == ["-113", "-109", "0"]


def test_an_overflowing_queue_keeps_the_first_errors_and_ends_with_350() -> None:
    answers = preamble(*[":FOO"] * 40, *[":SYST:ERR?"] * 21)[40:]
    codes = [str(answer).split(",")[0] for answer in answers]
    assert codes == ["-113"] * 19 + ["-350", "0"]


@pytest.mark.parametrize(
    ("message", "bit"), [(":FOO", 32), (":CHAN1:SCAL 1e9", 16), (":WAV:SOUR CHAN2;:WAV:DATA?", 16), ("*OPC", 1)]
)
def test_the_event_status_register_tells_the_kind_and_is_cleared_by_reading(message: str, bit: int) -> None:
    assert preamble(message, "*ESR?", "*ESR?")[-2:] == [str(bit), "0"]


def test_clear_status_empties_register_and_queue_but_no_setting() -> None:
    assert preamble(":CHAN1:SCAL 0.2;:FOO", "*CLS", "*ESR?;:SYST:ERR?;:CHAN1:SCAL?")[2] == '0;0,"No error";2.0E-1'


def test_the_status_byte_sums_up() -> None:
    assert preamble("*ESE 32;*SRE 32", ":FOO", "*STB?", "*ESE?;*SRE?")[2:] == [str(4 + 32 + 64), "32;32"]
    assert preamble("*STB?") == ["0"]


def test_power_on_is_told_once() -> None:
    async def registers() -> list[Any]:
        face = PreambleFace(Instrument(Adc(8), FastClock(), 1, Unit(), 12), Faults(), "X")
        return [await face.respond("*ESR?"), await face.respond("*ESR?")]

    assert asyncio.run(registers()) == [(b"128\n", False), (b"0\n", False)]


def test_reset_restores_the_factory_settings() -> None:
    assert preamble(":CHAN1:SCAL 0.2;:TRIG:EDG:LEV 3", "*RST", ":CHAN1:SCAL?;:TRIG:EDG:LEV?") == [
        None,
        None,
        "1.0E0;0.0E0",
    ]


# ---------------------------------------------------------------------- the curve dialect's own ways


def test_answers_bear_headers_until_told_otherwise() -> None:
    assert curve("CH1:SCA?", "VERB OFF", "CH1:SCA?;POS?", "HEAD OFF", "CH1:SCA?") == [
        ":CH1:SCALE 1.0E0",
        None,
        ":CH1:SCA 1.0E0;:CH1:POS 0.0E0",
        None,
        "1.0E0",
    ]


def test_common_commands_bear_no_header() -> None:
    assert curve("*IDN?;*ESR?") == ["A,B,C,D;0"]


def test_events_are_released_by_reading_the_register() -> None:
    answers = curve("FOO", "ALLE?", "*ESR?", "ALLE?", "ALLE?")
    assert answers[1] == ':ALLEV 1,"No events to report - new events pending *ESR?"'
    assert answers[2:] == [
        "32",
        ':ALLEV 113,"Undefined header; FOO"',
        ':ALLEV 0,"No events to report - queue empty"',
    ]


def test_event_messages_come_one_by_one() -> None:
    answers = curve("HEAD OFF", "FOO;CH1:SCA", "*ESR?", "EVM?", "EVENT?", "EVM?")
    assert answers[3:] == [
        '113,"Undefined header; FOO"',
        "109",
        '0,"No events to report - queue empty"',
    ]


def test_there_is_no_system_error_query_in_the_curve_dialect() -> None:
    assert curve("SYST:ERR?", "*ESR?") == [None, "32"]


def test_a_relative_header_works_as_drivers_write_it() -> None:
    assert curve("HEAD OFF", "ACQ:STOPA SEQ;STATE RUN;*OPC?;:ACQ:STOPA?;STATE?;NUMAC?") == [None, "1;SEQUENCE;0;1"]


# ---------------------------------------------------------------------- parsing


@given(st.text(max_size=60))
@settings(max_examples=300)
def test_no_message_upsets_the_parser(message: str) -> None:
    list(elements(message))


@given(st.text(alphabet=st.characters(codec="latin-1", exclude_characters="\n"), max_size=40))
@settings(max_examples=60, deadline=None)
def test_no_message_upsets_the_instrument(message: str) -> None:
    assert preamble(message, "*CLS", "*OPC?")[-1] == "1"


@given(st.lists(st.text(alphabet="abc,\"' ", max_size=5), min_size=1, max_size=5))
def test_splitting_keeps_every_character(parts: list[str]) -> None:
    text = ";".join(parts)
    assert ";".join(split_outside_quotes(text, ";")) == text


def test_separators_within_quotes_do_not_separate() -> None:
    assert split_outside_quotes("a;\"b;c\";'d;e'", ";") == ["a", '"b;c"', "'d;e'"]


@given(st.floats(-1e30, 1e30))
def test_a_printed_number_reads_back(value: float) -> None:
    assert float(nr3(value)) == pytest.approx(value, rel=1e-9)
