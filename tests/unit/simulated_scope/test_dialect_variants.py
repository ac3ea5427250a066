"""The dialects that are variants of others, from outside: what they do otherwise, and the figures of published examples."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

Start = Callable[..., Any]


@pytest.fixture(scope="module")
def words(start_scope: Start) -> Any:
    return start_scope("--clock", "fast", "--dialect", "words")


@pytest.fixture(scope="module")
def settling(start_scope: Start) -> Any:
    return start_scope("--clock", "fast", "--dialect", "settling")


@pytest.fixture(scope="module")
def outgoing(start_scope: Start) -> Any:
    return start_scope("--clock", "fast", "--dialect", "outgoing")


def stopped(client: Any, setup: str) -> None:
    """Set up and capture once, in a dialect whose state is polled."""
    client.write(f"*RST;*CLS;{setup};:SING")
    assert [client.ask(":TRIG:STAT?") for _ in range(3)][-1] == "STOP"


# ---------------------------------------------------------------------- words


def test_a_words_preamble_is_printed_as_the_guide_prints_it_with_7500_codes_a_division(words: Any) -> None:
    client = words.client()
    stopped(client, ":CHAN1:SCAL 0.2;OFFS -0.4;:TIM:SCAL 5E-5;:ACQ:MDEP 10k;:WAV:MODE RAW;FORM WORD")
    assert (
        client.ask(":WAV:PRE?")
        == (
            "1,2,10000,1,5.000000E-8,-2.500000E-4,0.000000E-12,2.666667E-5,-15008,32768"  # 0 V lies on a whole code of 12 bits
        )
    )
    client.write(":WAV:FORM BYTE")
    assert client.ask(":WAV:YREF?") == "128"


def test_words_are_left_justified(words: Any) -> None:
    client = words.client()
    stopped(client, ":CHAN1:SCAL 0.2;:ACQ:MDEP 10k;:WAV:MODE RAW;FORM WORD;STOP 10000")
    codes = np.frombuffer(client.block(":WAV:DATA?"), "<u2")
    assert codes.size == 10_000
    assert set(np.unique(codes % 16)) == {0}
    assert np.unique(codes).size > 16


def test_the_screen_of_ten_divisions_has_a_thousand_points(words: Any) -> None:
    client = words.client()
    stopped(client, ":TIM:SCAL 5E-5;:ACQ:MDEP 100k;:WAV:MODE NORM;FORM BYTE")
    assert client.ask(":WAV:PRE?").split(",")[:5] == ["0", "0", "1000", "1", "5.000000E-7"]
    client.write(":WAV:DATA?")
    assert client.exactly(11) == b"#9000001000"
    client.exactly(1001)


def test_memory_is_of_a_list_and_answered_with_an_exponent(words: Any) -> None:
    client = words.client()
    assert client.ask("*RST;*CLS;:ACQ:MDEP?;:ACQ:MDEP 1M;MDEP?;:ACQ:MDEP 1e4;MDEP?") == "AUTO;1.000E+6;1.000E+4"
    client.write(":ACQ:MDEP 12000")
    assert client.ask(":SYST:ERR?").startswith("-222,")


@pytest.mark.parametrize(("scale", "limit"), [(1e-3, 1.0), (0.065, 1.0), (0.2, 8.0), (0.5, 20.0), (5.0, 100.0)])
def test_the_offset_is_limited_by_the_range(words: Any, scale: float, limit: float) -> None:
    client = words.client()
    client.write(f"*RST;*CLS;:CHAN1:SCAL {scale};OFFS {limit}")
    assert client.ask(":SYST:ERR?").startswith("0,")
    client.write(f":CHAN1:OFFS {-1.01 * limit}")
    assert client.ask(":SYST:ERR?").startswith("-222,")


def test_memory_is_not_read_while_it_runs(words: Any) -> None:
    client = words.client()
    client.write("*RST;*CLS;:WAV:MODE RAW;DATA?")
    assert client.ask(":SYST:ERR?").startswith("-221,")


# ---------------------------------------------------------------------- settling


def test_mode_and_form_are_forgotten_after_every_read(settling: Any) -> None:
    client = settling.client()
    stopped(client, ":CHAN1:SCAL 0.1;:ACQ:MDEP 10k;:WAV:MODE RAW;FORM BYTE;STOP 10000")
    assert len(client.block(":WAV:DATA?")) == 10_000
    assert client.ask(":WAV:MODE?;FORM?") == "NORM;BYTE"
    assert len(client.block(":WAV:DATA?")) == 1000


def test_eight_bits_have_25_codes_a_division(settling: Any) -> None:
    """The guide's example at 0.1 V a division: 4.000000E-03 V a code, 128 in the middle."""
    client = settling.client()
    stopped(client, ":CHAN1:SCAL 0.1;:TIM:SCAL 1E-6")
    assert client.ask(":WAV:PRE?") == "0,0,1000,1,1.000000E-8,-5.000000E-6,0.000000E-12,4.000000E-3,0,128"


# ---------------------------------------------------------------------- outgoing


def test_the_outgoing_preamble_has_its_own_order_and_places_the_trigger(outgoing: Any) -> None:
    client = outgoing.client()
    client.write("*RST;HEAD OFF;:CH1:SCA 0.2;OFFS 0.35;POS 1;:HOR:SCA 8E-6;POS 62.5;:HOR:RECO 1000;:DAT:STOP 1000")
    assert client.ask("DAT:ENC RIB;WID 2;:ACQ:STOPA SEQ;STATE RUN;*OPC?") == "1"
    fields = client.ask("HEAD ON;:WFMO?;HEAD OFF")
    assert fields.startswith(":WFMOUTPRE:BYT_NR 2;BIT_NR 16;ENCDG BIN;BN_FMT RI;BYT_OR MSB;WFID ")
    assert fields.endswith(
        ';NR_PT 1000;PT_FMT Y;XUNIT "s";XINCR 8.0E-8;XZERO 0.0E0;PT_OFF 625;YUNIT "Volts";YMULT 3.125E-5;YOFF 6.4E3;YZERO 3.5E-1'
    )


def test_another_range_keeps_position_in_divisions_and_offset_in_volts(outgoing: Any) -> None:
    client = outgoing.client()
    client.write("*RST;HEAD OFF;:CH1:SCA 0.2;OFFS 0.35;POS 1;SCA 0.5")
    assert client.ask("CH1:OFFS?;POS?") == "3.5E-1;1.0E0"


def test_another_time_base_keeps_the_triggers_place_in_per_cent(outgoing: Any) -> None:
    client = outgoing.client()
    assert client.ask("*RST;HEAD OFF;:HOR:POS 20;SCA 1E-3;POS?") == "2.0E1"


def test_every_channel_has_its_trigger_level(outgoing: Any) -> None:
    client = outgoing.client()
    client.write("*RST;HEAD OFF;:TRIG:A:LEV:CH2 9;:TRIG:A:LEV:CH4 -0.15;:TRIG:A:EDGE:SOU CH2;SLO FALL;:TRIG:A:MOD NORM")
    client.write(":SEL:CH2 ON;:SEL:CH4 ON;:ACQ:STOPA SEQ;STATE RUN")
    assert client.ask("TRIG:STATE?") == "READY"
    assert client.ask("TRIG:A:EDGE:SOU CH4;:TRIG:STATE?;:TRIG:A:LEV:CH2?") == "SAVE;9.0E0"


def test_gain_is_the_reciprocal_of_the_ratio_and_the_input_goes_to_50_ohm(outgoing: Any) -> None:
    client = outgoing.client()
    assert (
        client.ask("*RST;*CLS;HEAD OFF;:CH1:SCA 0.2;:CH1:PRO:GAIN 0.1;:CH1:SCA?;PRO:GAIN?;:CH1:TER?")
        == "2.0E0;1.0E-1;1.0E6"
    )
    assert client.ask("CH1:TER 50;TER?;:CH2:TER?") == "5.0E1;1.0E6"
    client.write("CH1:TER 2;TER 1E6")
    assert client.ask("CH1:TER?;*ESR?") == "1.0E6;16"


def test_a_band_is_set_by_word_or_hertz_and_answered_in_hertz(outgoing: Any) -> None:
    client = outgoing.client()
    answers = [client.ask(f"HEAD OFF;:CH1:BAN {word};BAN?") for word in ("TWE", "FUL", "20E6", "250E6")]
    assert answers == ["2.0E7", "5.0E8", "2.0E7", "5.0E8"]
