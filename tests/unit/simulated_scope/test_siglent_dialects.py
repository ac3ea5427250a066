"""The `sparsed` and `descriptor` dialects from outside: what the guides say a client may send, and what it gets."""

import struct
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

Start = Callable[..., Any]


@pytest.fixture(scope="module")
def sparsed(start_scope: Start) -> Any:
    return start_scope("--clock", "fast", "--dialect", "sparsed")


@pytest.fixture(scope="module")
def descriptor(start_scope: Start) -> Any:
    return start_scope("--clock", "fast", "--dialect", "descriptor")


def client_of(scope: Any) -> Any:
    client = scope.client()
    client.write("*RST")
    return client


def dat2(client: Any, message: str) -> bytes:
    """The data of `C1:WF? DAT2` with headers off: two line feeds follow it."""
    client.write(message)
    assert client.exactly(7) == b"DAT2,#9"
    data: bytes = client.exactly(int(client.exactly(9)))
    assert client.exactly(2) == b"\n\n"
    return data


# ---------------------------------------------------------------------- sparsed


@pytest.mark.parametrize(
    ("header", "answer"),
    [
        ("OFF", "5.00E-01"),
        ("SHORT", "C1:VDIV 5.00E-01V"),  # as the guide prints it
        ("LONG", "C1:VOLT_DIV 5.00E-01V"),
    ],
)
def test_answers_bear_headers_and_units_as_chdr_says(sparsed: Any, header: str, answer: str) -> None:
    client = client_of(sparsed)
    client.write(f"CHDR {header}")
    client.write("c1:vdiv 500MV")
    assert client.ask("C1:VDIV?") == answer


def test_counts_and_rates_have_prefixes_where_units_are_on(sparsed: Any) -> None:
    client = client_of(sparsed)
    client.write("MSIZ 70K;TDIV 50US")
    assert client.ask("SANU? C1") == "SANU 70Kpts"
    assert client.ask("SARA?") == "SARA 100.00MSa/s"
    client.write("CHDR OFF")
    assert (client.ask("SANU? C1"), client.ask("SARA?"), client.ask("MSIZ?")) == ("7.00E+04", "1.00E+08", "70K")


@pytest.mark.parametrize(
    ("message", "query", "answer"),
    [
        ("C2:VOLT_DIV 1V;OFFSET -0.5V", "C2:OFST?", "-5.00E-01"),
        ("C2:VDIV 0.2;C3:VDIV 0.1;TIME_DIV 2.00E-05S", "TDIV?", "2.00E-05"),
        ("BWL C3,ON,C4,OFF", "BWL?", "C1,OFF,C2,OFF,C3,ON,C4,OFF"),
        ("C1:BWL ON", "c1:bandwidth_limit?", "ON"),
        ("TRSE EDGE,SR,C3,HT,OFF", "TRIG_SELECT?", "EDGE,SR,C3,HT,OFF"),
        ("WFSU SP,4,NP,100", "WFSU?", "SP,4,NP,100,FP,0"),
        ("C1:CPL A1M", "C1:COUPLING?", "A1M"),
    ],
)
def test_long_and_short_headers_paths_and_any_case_are_understood(
    sparsed: Any, message: str, query: str, answer: str
) -> None:
    client = client_of(sparsed)
    client.write("CHDR OFF")
    client.write(message)
    assert client.ask(query) == answer


def test_what_is_refused_stays_as_it_was(sparsed: Any) -> None:
    client = client_of(sparsed)
    client.write("CHDR OFF;C1:VDIV 0.2;C1:VDIV 1000V;C1:VDIV 2GV;C1:VDIV wide")
    assert client.ask("C1:VDIV?") == "2.00E-01"


def test_a_sparse_window_holds_every_fourth_sample_from_the_first_that_is_asked_for(sparsed: Any) -> None:
    client = client_of(sparsed)
    client.write("CHDR OFF;C1:VDIV 0.2;MSIZ 7K;STOP")
    whole = dat2(client, "WFSU SP,0,NP,0,FP,0;C1:WF? DAT2")
    assert len(whole) == 7000
    assert dat2(client, "WFSU SP,4,NP,100,FP,10;C1:WF? DAT2") == whole[10::4][:100]


def test_reading_the_register_clears_its_bit_and_a_capture_sets_it(sparsed: Any) -> None:
    client = client_of(sparsed)
    client.write("CHDR OFF;STOP")
    client.ask("INR?")
    assert client.ask("INR?") == "0"
    client.write("C1:TRLV 0.3;TRMD SINGLE")
    assert int(client.ask("INR?")) & 1 == 1
    assert int(client.ask("INR?")) & 1 == 0
    assert client.ask("TRMD?") == "STOP"


def test_the_edge_of_the_source_is_in_force(sparsed: Any) -> None:
    client = client_of(sparsed)
    client.write("CHDR OFF;C1:TRLV 1.5;C4:TRLV -0.15;C4:TRSL NEG;TRSE EDGE,SR,C1;STOP;TRMD SINGLE")
    assert client.ask("TRMD?") == "SINGLE"
    client.write("TRSE EDGE,SR,C4")
    assert client.ask("TRMD?") == "STOP"


# ---------------------------------------------------------------------- descriptor


def fields(client: Any) -> dict[str, Any]:
    client.write("WAV:PRE?")
    assert client.exactly(11) == b"#9000000346"
    block = client.exactly(346)
    assert client.exactly(2) == b"\n\n"
    places = {"wide": ("h", 0x20), "vdiv": ("f", 0x9C), "offset": ("f", 0xA0), "code_per_div": ("f", 0xA4)}
    places |= {"bits": ("h", 0xAC), "interval": ("f", 0xB0), "step": ("h", 0x144), "probe": ("f", 0x148)}
    return {name: struct.unpack_from("<" + form, block, at)[0] for name, (form, at) in places.items()}


def test_the_descriptor_has_range_and_offset_without_the_probe(descriptor: Any) -> None:
    client = client_of(descriptor)
    client.write(":CHAN1:PROB VAL,10;SCAL 0.5;OFFS -1;:TIM:SCAL 20E-6;:WAV:SOUR C1")
    read = fields(client)
    assert (read["vdiv"], read["offset"], read["probe"]) == pytest.approx((0.05, -0.1, 10.0))
    assert (read["wide"], read["bits"], read["code_per_div"], read["step"]) == (0, 8, 30.0, 15)
    assert read["interval"] == pytest.approx(200e-6 / 10_000)


def test_words_are_signed_in_the_order_that_was_asked_for(descriptor: Any) -> None:
    client = client_of(descriptor)
    client.write("CHANnel1:SCALe 0.2;:TRIG:STOP;:WAVEFORM:SOURCE C1;WIDTH WORD")
    assert fields(client)["wide"] == 1
    words = {}
    for order in ("LSB", "MSB"):
        client.write(f":WAV:BYT {order};DATA?")
        assert client.exactly(11) == b"#9000020000"
        words[order] = client.exactly(20_000)
        assert client.exactly(2) == b"\n\n"
    assert np.array_equal(np.frombuffer(words["LSB"], "<i2"), np.frombuffer(words["MSB"], ">i2"))
    assert np.abs(np.frombuffer(words["LSB"], "<i2")).max() <= 128


def test_a_read_gives_no_more_than_maxpoint_says(descriptor: Any) -> None:
    client = client_of(descriptor)
    client.write(":ACQ:MDEP 1M;:TRIG:STOP;:WAV:POIN 250001")
    assert client.ask(":WAV:MAXP?") == "250000"
    assert client.ask(":WAV:DATA?;:ACQ:POIN?") == "1.0E6"


def test_a_time_step_is_rounded_up_to_the_next_of_its_series(descriptor: Any) -> None:
    client = client_of(descriptor)
    client.write(":TIM:SCAL 3E-6")
    assert client.ask(":TIM:SCAL?") == "5.0E-6"


def test_the_state_lags_behind_arming(descriptor: Any) -> None:
    client = client_of(descriptor)
    client.write(":TRIG:STOP;:TRIG:EDGE:SOUR C1;LEV 5;:TRIG:MODE SING")
    assert [client.ask(":TRIG:STAT?") for _ in range(2)] == ["Stop", "Ready"]
    client.write(":TRIG:MODE FTRIG")
    assert client.ask(":TRIG:STAT?") == "Stop"
