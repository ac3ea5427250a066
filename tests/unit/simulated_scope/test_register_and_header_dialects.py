"""Two more dialects from outside: a real child process, a real socket, what the manuals say of codes, forms and states."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

Start = Callable[..., Any]

REGISTER_SETUP = (
    "*RST;*CLS;:CHAN2:DISP 1;SCAL 0.2;OFFS 0.4;BWL 1;:TIM:SCAL 20E-6;:TRIG:EDGE:SOUR CHAN1;SLOP NEG;LEV 0.05"
    ";:WAV:SOUR CHAN2;FORM BYTE;UNS 1;POIN:MODE RAW;:WAV:POIN 10000"
)
HEADER_SETUP = (
    "*RST;*CLS;:CHAN2:STAT ON;SCAL 0.2;POS -2;BAND B20;:TIM:SCAL 20E-6;:ACQ:POIN 10000;:TRIG:A:SOUR CH2"
    ";:TRIG:A:LEV2 0.1;:TRIG:A:EDGE:SLOP NEG;:FORM UINT,8;:CHAN2:DATA:POIN MAX"
)


@pytest.fixture(scope="module")
def register(start_scope: Start) -> Any:
    return start_scope("--clock", "fast", "--dialect", "register")


@pytest.fixture(scope="module")
def header(start_scope: Start) -> Any:
    return start_scope("--clock", "fast", "--dialect", "header")


def captured(scope: Any, setup: str) -> Any:
    """A client of the scope that holds one record."""
    client = scope.client()
    client.write(setup)
    client.write(":SING")
    assert client.ask("*OPC?") == "1"
    return client


def fields_of(client: Any) -> list[float]:
    return [float(field) for field in client.ask(":WAV:PRE?").split(",")]


# ---------------------------------------------------------------------- register


@pytest.mark.parametrize("order", ["MSBF", "LSBF"])
@pytest.mark.parametrize("unsigned", [0, 1])
@pytest.mark.parametrize("width", [1, 2])
def test_every_form_of_a_record_gives_the_volts_that_it_prints(
    register: Any, width: int, unsigned: int, order: str
) -> None:
    client = captured(register, REGISTER_SETUP)
    client.write(f":WAV:FORM {'BYTE' if width == 1 else 'WORD'};BYT {order};UNS {unsigned}")
    *_, per_code, origin_v, reference = fields_of(client)
    kind = f"{'>' if order == 'MSBF' else '<'}{'u' if unsigned else 'i'}{width}"
    codes = np.frombuffer(client.block(":WAV:DATA?"), kind).astype(float)
    printed = [float(value) for value in client.block(":WAV:FORM ASC;DATA?").split(b",")]
    assert (codes - reference) * per_code + origin_v == pytest.approx(printed, abs=5e-6)


def test_words_have_the_high_byte_first_until_told_otherwise(register: Any) -> None:
    assert register.client().ask("*RST;:WAV:BYT?;UNS?;FORM?") == "MSBF;1;BYTE"


@pytest.mark.parametrize(("offset_v", "code"), [(9.0, 1), (-9.0, 255)])
def test_what_lies_off_the_converter_has_the_clip_codes_and_nothing_is_a_hole(
    register: Any, offset_v: float, code: int
) -> None:
    client = captured(register, f"{REGISTER_SETUP};:CHAN2:OFFS {offset_v}")
    assert set(client.block(":WAV:DATA?")) == {code}
    words = np.frombuffer(client.block(":WAV:FORM WORD;DATA?"), ">u2")
    assert set(words) == {1 if code == 1 else 0xFFFF}


def test_points_are_rounded_to_a_step_and_limited_while_it_runs(register: Any) -> None:
    client = captured(register, REGISTER_SETUP)
    assert client.ask(":WAV:POIN 900;POIN?") == "+1000"
    assert client.ask(":WAV:POIN 20000;POIN?") == "+20000"
    assert client.ask(":WAV:POIN MAX;POIN?") == "+40000"
    assert client.ask(":RUN;:WAV:POIN?") == "+1000"


def test_fewer_points_spread_over_the_whole_record(register: Any) -> None:
    client = captured(register, REGISTER_SETUP)
    whole = client.block(":WAV:POIN MAX;DATA?")
    assert client.block(":WAV:POIN 10000;DATA?") == whole[::4]
    points, _, step_s = fields_of(client)[2:5]
    assert points * step_s == pytest.approx(200e-6)


def test_a_block_has_eight_digits_and_a_line_feed(register: Any) -> None:
    client = captured(register, REGISTER_SETUP)
    client.write(":WAV:POIN 1000;DATA?")
    assert client.exactly(10) == b"#800001000"
    assert client.exactly(1001).endswith(b"\n")


def test_a_channel_that_is_not_displayed_gives_an_error_and_no_answer(register: Any) -> None:
    client = captured(register, REGISTER_SETUP)
    client.write(":WAV:SOUR CHAN3;PRE?;DATA?")
    assert client.ask(":SYST:ERR?").startswith("-221,")


def test_a_message_before_the_answer_went_out_drops_it(register: Any) -> None:
    client = captured(register, REGISTER_SETUP)
    client.write("*IDN?\n:CHAN2:SCAL?")
    assert client.line() == "2.0E-1"
    assert client.ask(":SYST:ERR?").startswith("-410,")


def test_an_answer_goes_out_to_a_client_that_then_sends_no_more(register: Any) -> None:
    client = register.client()
    client.write("*IDN?")
    client.socket.shutdown(1)
    assert client.rest() == b"PEAKWHITE,SIM-REGISTER,SIM000001,1.0\n"


def test_the_run_bit_lags_behind_arming_and_the_trigger_event_latches(register: Any) -> None:
    client = captured(register, f"{REGISTER_SETUP};:TRIG:SWE AUTO")
    assert client.ask(":TRIG:SWE NORM;LEV 9;:STOP;:TER?") == "1"
    assert client.ask(":STOP;:TER?;:SING;:OPER:COND?;COND?;:TER?") == "0;0;40;0"
    assert client.ask(":TRIG:FORC;:OPER:COND?;:TER?;:TER?") == "0;1;0"


def test_composite_queries_answer_as_the_manual_prints_them(register: Any) -> None:
    """1000X programmer's guide, :CHANnel<n>? and :TIMebase?: `:CHAN1:RANG +40.0E+00;OFFS +0.00000E+00;COUP DC;IMP ONEM;…`."""
    client = register.client()
    client.write("*RST;:channel1:range 40;offset 0;:TIMebase:RANGe 1e-3")
    assert client.ask(":channel1?") == (
        ":CHAN1:RANG +4.00000000E+01;OFFS +0.00000000E+00;COUP DC;IMP ONEM;DISP 1;BWL 0;INV 0"
        ';LAB "1";UNIT VOLT;PROB +1.00000000E+00;PROB:SKEW +0.00E+00;STYP SING'
    )
    assert client.ask(":timebase?") == ":TIM:MODE MAIN;REF CENT;MAIN:RANG +1.00000000E-03;POS +0.00000000E+00"
    assert client.ask(":WAVeform?") == ":WAV:UNS 1;VIEW MAIN;BYT MSBF;FORM BYTE;POIN +1000;SOUR CHAN1;SOUR:SUBS NONE"


def test_the_external_input_is_a_trigger_source(register: Any) -> None:
    assert register.client().ask("*RST;:TRIGger:EDGE:SOURce EXTernal;SOUR?;:TRIG:SOUR CHAN3;SOUR?") == "EXT;CHAN3"


# ---------------------------------------------------------------------- header


def test_every_form_of_a_channels_data_gives_the_same_volts(header: Any) -> None:
    client = captured(header, HEADER_SETUP)
    printed = np.array([float(value) for value in client.ask(":FORM ASC;:CHAN2:DATA?").split(",")])
    for form, kind in (("UINT,8", "u1"), ("UINT,16", "<u2"), ("REAL,32", "<f4")):
        codes = np.frombuffer(client.block(f":FORM {form};:CHAN2:DATA?"), kind).astype(float)
        origin_v, per_code = (float(value) for value in client.ask(":CHAN2:DATA:YOR?;YINC?").split(";"))
        volts = codes if form == "REAL,32" else codes * per_code + origin_v
        assert volts == pytest.approx(printed, abs=5e-6)


def test_a_word_is_a_byte_times_256_and_its_order_can_be_chosen(header: Any) -> None:
    client = captured(header, HEADER_SETUP)
    bytes_sent = np.frombuffer(client.block(":CHAN2:DATA?"), np.uint8)
    low_first = np.frombuffer(client.block(":FORM UINT,16;:CHAN2:DATA?"), "<u2")
    high_first = np.frombuffer(client.block(":FORM:BORD MSBF;:CHAN2:DATA?"), ">u2")
    assert np.array_equal(low_first, 256 * bytes_sent.astype(int))
    assert np.array_equal(low_first, high_first)


def test_the_header_tells_the_ends_and_how_many_samples_there_are(header: Any) -> None:
    client = captured(header, HEADER_SETUP)
    assert client.ask(":CHAN2:DATA:HEAD?") == "-1.200E-04,1.200E-04,10000,1"
    assert client.ask(":CHAN2:DATA:XOR?;XINC?;POIN?") == "-1.2E-4;2.4E-8;10000"


def test_while_it_runs_only_the_screen_is_sent_whatever_was_asked_for(header: Any) -> None:
    client = captured(header, HEADER_SETUP)
    assert client.ask(":CHAN2:DATA:POIN DEF;POIN?") == "1200"
    assert client.ask(":CHAN2:DATA:POIN DMAX;POIN?;:RUN;:CHAN2:DATA:POIN?") == "10000;1200"


def test_operation_complete_waits_for_the_trigger(header: Any) -> None:
    client = captured(header, HEADER_SETUP)
    client.ask(":TRIG:A:MODE NORM;:TRIG:A:LEV2 9;:STOP;*ESR?")
    assert client.ask(":SING;*OPC;*ESR?;:ACQ:STAT?") == "0;RUN"
    assert client.ask(":TRIG:A:MODE AUTO;*ESR?;:ACQ:STAT?") == "1;COMP"


def test_every_source_has_a_level_of_its_own(header: Any) -> None:
    client = header.client()
    client.write("*RST;:TRIG:A:LEV1 0.1;:TRIG:A:LEV2:VAL 0.2;:TRIG:A:SOUR CH2")
    assert client.ask(":TRIG:A:LEV1?;LEV2?;SOUR?") == "1.0E-1;2.0E-1;CH2"


def test_a_record_length_that_is_set_ends_the_automatic_one(header: Any) -> None:
    client = header.client()
    assert client.ask("*RST;:ACQ:POIN:AUT?;VAL?") == "1;10000"
    assert client.ask(":ACQ:POIN:VAL 15000;VAL?;AUT?;:ACQ:POIN:AUT ON;AUT?;:ACQ:POIN?") == "20000;0;1;10000"


@pytest.mark.parametrize(
    ("message", "code"),
    [
        (":CHAN3:DATA?", -221),
        (":CHAN3:DATA:HEAD?", -221),
        (":FORM INT,8", -224),
        (":CHAN2:OFFS 1", -222),
        (":TRIG:A:SOUR CH9", -224),
    ],
)
def test_a_bad_message_leaves_its_code(header: Any, message: str, code: int) -> None:
    client = captured(header, HEADER_SETUP)
    client.write(message)
    assert client.ask(":SYST:ERR?").startswith(f"{code},")


def test_running_and_stopping_have_several_words(header: Any) -> None:
    client = header.client()
    assert client.ask("*RST;:STOP;:ACQ:STAT?;:RUNContinous;:ACQ:STAT?;:ACQ:STAT STOP;STAT?") == "COMP;RUN;COMP"
