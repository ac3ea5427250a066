"""Both dialects from outside: a real child process, a real socket, the figures of the published examples."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

Start = Callable[..., Any]

CURVE_SETUP = (
    "*RST;HEAD OFF;:SEL:CH1 ON;:SEL:CH2 ON;:SEL:CH3 ON;:SEL:CH4 ON"
    ";:CH1:SCA 0.2;POS -2;:CH2:SCA 0.2;POS -2;:CH3:SCA 0.2;POS -2;:CH4:SCA 0.1;POS 2"
    ";:HOR:MAI:SCA 20E-6;:HOR:RECO 10000;:TRIG:MAI:EDGE:SOU CH4;SLO FALL;:TRIG:MAI:LEV -0.15;:TRIG:MAI:MOD AUTO"
    ";:DAT:STAR 1;STOP 10000;ENC RIB;WID 1;:ACQ:STOPA SEQ"
)
PREAMBLE_SETUP = (
    "*RST;:CHAN1:DISP 1;:CHAN2:DISP 1;:CHAN3:DISP 1;:CHAN4:DISP 1;:CHAN2:SCAL 0.2;OFFS -0.4;BWL 20M"
    ";:CHAN4:SCAL 0.1;OFFS 0.2;:TIM:SCAL 20E-6;:ACQ:MDEP 12000;:TRIG:EDG:SOUR CHAN4;SLOP NEG;LEV -0.15"
    ";:WAV:MODE RAW;FORM BYTE;STAR 1;STOP 12000"
)


@pytest.fixture(scope="module")
def curve(start_scope: Start) -> Any:
    return start_scope("--clock", "fast")


@pytest.fixture(scope="module")
def curve_12(start_scope: Start) -> Any:
    return start_scope("--clock", "fast", "--bits", "12")


@pytest.fixture(scope="module")
def preamble(start_scope: Start) -> Any:
    return start_scope("--clock", "fast", "--dialect", "preamble")


@pytest.fixture(scope="module")
def preamble_12(start_scope: Start) -> Any:
    return start_scope("--clock", "fast", "--dialect", "preamble", "--bits", "12")


def by_name(reply: str) -> dict[str, str]:
    """The fields of a preamble with headers."""
    assert reply.startswith(":WFMPRE:")
    return dict(field.split(" ", 1) for field in reply.removeprefix(":WFMPRE:").split(";"))


def white_over_blanking(times_s: NDArray[np.float64], volts: NDArray[np.float64]) -> float:
    """Mean of the middle of white less the mean of the back porch of the line after the trigger, in mV."""
    white = volts[(times_s > 20e-6) & (times_s < 50e-6)].mean()
    blanking = volts[(times_s > 5.5e-6) & (times_s < 8.8e-6)].mean()
    return float(white - blanking) * 1e3


def capture_curve(client: Any, channel: int, encoding: str, width: int) -> tuple[Any, Any, Any]:
    client.write(f"DAT:SOU CH{channel};ENC {encoding};WID {width}")
    fields = by_name(client.ask("HEAD ON;:WFMP?;HEAD OFF"))
    data = client.block("CURV?")
    kind = ("i" if encoding in ("RIB", "SRI") else "u") + str(width)
    codes = np.frombuffer(data, ("<" if encoding.startswith("S") else ">") + kind).astype(float)
    volts = (codes - float(fields["YOFF"])) * float(fields["YMULT"]) + float(fields["YZERO"])
    times_s = float(fields["XZERO"]) + float(fields["XINCR"]) * (np.arange(codes.size) - float(fields["PT_OFF"]))
    return times_s, volts, codes


def on_a_picture_line(client: Any, arm: Callable[[], None], look: Callable[[], Any]) -> Any:
    """Captures until the line after the trigger shows picture."""
    for _ in range(40):
        arm()
        times_s, volts, codes = look()
        if volts[(times_s > 20e-6) & (times_s < 50e-6)].min() > 0.4:
            return times_s, volts, codes
    raise AssertionError("no picture in forty captures")


# ---------------------------------------------------------------------- curve


def test_the_curve_identity_is_invented(curve: Any) -> None:
    assert curve.client().ask("*IDN?") == "PEAKWHITE,SIM-CURVE,SIM000001,1.0"


@pytest.mark.parametrize("encoding", ["RIB", "RPB", "SRI", "SRP"])
@pytest.mark.parametrize("width", [1, 2])
@pytest.mark.parametrize("bits", [8, 12])
def test_every_encoding_gives_the_level_that_truth_names(
    curve: Any, curve_12: Any, encoding: str, width: int, bits: int
) -> None:
    scope = curve if bits == 8 else curve_12
    client = scope.client()
    client.write(CURVE_SETUP)

    def arm() -> None:
        assert client.ask("ACQ:STATE RUN;*OPC?") == "1"

    times_s, volts, _ = on_a_picture_line(client, arm, lambda: capture_curve(client, 2, encoding, width))
    truth = scope.control({"get": "truth"})["truth"]["signals"]["green"]
    assert white_over_blanking(times_s, volts) == pytest.approx(truth["peak_white_mv"], abs=2.0)


def test_twelve_bits_go_out_left_justified(curve_12: Any) -> None:
    client = curve_12.client()
    client.write(CURVE_SETUP)
    assert client.ask("ACQ:STATE RUN;*OPC?") == "1"
    _, _, codes = capture_curve(client, 2, "RPB", 2)
    assert set(np.unique(codes % 16)) == {0.0}
    assert client.ask("WFMP:YMU?") == "3.125E-5"  # 0.2 V a division over 6400 codes


def test_the_published_example_of_the_scale(curve: Any) -> None:
    """A published capture at 200 mV/div, position +2 divisions: YMULT 8.0E-3, YOFF 5.0E1, code 50 is 0 V."""
    client = curve.client()
    client.write("*RST;HEAD OFF;:CH1:SCA 0.2;POS 2;:HOR:MAI:SCA 5E-7;:ACQ:STOPA SEQ")
    assert client.ask("ACQ:STATE RUN;*OPC?") == "1"
    answer = client.ask("WFMP?")
    assert answer == (
        '1;8;BIN;RI;MSB;2500;"Ch1, DC coupling, 2.0E-1 V/div, 5.0E-7 s/div, 2500 points, Sample mode"'
        ';Y;2.0E-9;0;-2.5E-6;"s";8.0E-3;0.0E0;5.0E1;"Volts"'
    )


def test_a_window_of_the_record_can_be_asked_for(curve: Any) -> None:
    client = curve.client()
    client.write(CURVE_SETUP)
    assert client.ask("ACQ:STATE RUN;*OPC?") == "1"
    whole = client.block("DAT:SOU CH2;:CURV?")
    part = client.block("DAT:STAR 101;STOP 350;:CURV?")
    assert part == whole[100:350]
    assert client.ask("WFMP:NR_P?") == "250"
    assert float(client.ask("WFMP:XZE?")) == pytest.approx(-100e-6 + 100 * 20e-9)


def test_the_whole_waveform_comes_in_one_answer(curve: Any) -> None:
    client = curve.client()
    client.write(CURVE_SETUP + ";:DAT:STOP 1000")
    assert client.ask("ACQ:STATE RUN;*OPC?") == "1"
    client.write("WAVF?")
    head = client.exactly(400)
    assert head.startswith(b"1;8;BIN;RI;MSB;1000;")
    start = head.index(b";#41000") + 7
    rest = client.exactly(1000 - (400 - start) + 1)
    assert rest.endswith(b"\n")


def test_a_channel_that_is_off_gives_no_answer_but_an_event(curve: Any) -> None:
    client = curve.client()
    client.write("*RST;HEAD OFF;*CLS;:ACQ:STOPA SEQ;STATE RUN;:DAT:SOU CH3;:CURV?")
    assert client.ask("*ESR?;ALLE?").startswith('16;2244,"')


def test_run_mode_shows_another_record_at_every_look(curve: Any) -> None:
    client = curve.client()
    client.write(CURVE_SETUP + ";:ACQ:STOPA RUNST;STATE RUN")
    assert client.block("CURV?") != client.block("CURV?")
    client.write("ACQ:STATE STOP")
    assert client.block("CURV?") == client.block("CURV?")


def test_ten_million_points_can_be_had(curve: Any) -> None:
    client = curve.client(timeout_s=60.0)
    client.write("*RST;HEAD OFF;:HOR:RECO 10000000;:DAT:STOP 10000000;:ACQ:STOPA SEQ")
    assert client.ask("ACQ:STATE RUN;*OPC?") == "1"
    assert len(client.block("CURV?")) == 10_000_000


def test_the_latched_answer_comes_when_the_acquisition_is_complete(start_scope: Start) -> None:
    client = start_scope().client()
    client.socket.sendall(  # both in one go: it takes no longer than 0.2 s
        b"HEAD OFF;:HOR:MAI:SCA 20E-3;:ACQ:STOPA SEQ;STATE RUN;*OPC\nBUSY?;:ACQ:STATE?;:TRIG:STATE?;*ESR?\n"
    )
    assert client.line() == "1;1;TRIGGER;128"
    assert client.ask("*OPC?;*ESR?;:BUSY?;:TRIG:STATE?") == "1;1;0;SAVE"


# ---------------------------------------------------------------------- preamble


def capture_preamble(client: Any, channel: int, form: str) -> tuple[Any, Any, Any]:
    client.write(f":WAV:SOUR CHAN{channel};FORM {form}")
    fields = [float(field) for field in client.ask(":WAV:PRE?").split(",")]
    data = client.block(":WAV:DATA?")
    codes = np.frombuffer(data, "u1" if form == "BYTE" else "<u2").astype(float)
    volts = (codes - fields[8] - fields[9]) * fields[7]
    return fields[5] + fields[4] * np.arange(codes.size), volts, codes


def arm_and_poll(client: Any) -> None:
    client.write(":SING")
    states = [client.ask(":TRIG:STAT?") for _ in range(3)]
    assert states[-1] == "STOP"


def test_the_preamble_identity_is_invented(preamble: Any) -> None:
    assert preamble.client().ask("*IDN?") == "PEAKWHITE,SIM-PREAMBLE,SIM000001,1.0"


@pytest.mark.parametrize(("bits", "form"), [(8, "BYTE"), (8, "WORD"), (12, "BYTE"), (12, "WORD")])
def test_every_format_gives_the_level_that_truth_names(preamble: Any, preamble_12: Any, bits: int, form: str) -> None:
    scope = preamble if bits == 8 else preamble_12
    client = scope.client()
    client.write(PREAMBLE_SETUP)
    times_s, volts, codes = on_a_picture_line(
        client, lambda: arm_and_poll(client), lambda: capture_preamble(client, 2, form)
    )
    truth = scope.control({"get": "truth"})["truth"]["signals"]["green"]
    assert white_over_blanking(times_s, volts) == pytest.approx(truth["peak_white_mv"], abs=2.0)
    if (bits, form) == (12, "WORD"):
        assert set(np.unique(codes % 16)) == {0.0}


def test_the_preamble_has_ten_fields_and_its_scale_follows_the_range(preamble: Any) -> None:
    client = preamble.client()
    client.write(PREAMBLE_SETUP)
    arm_and_poll(client)
    fields = client.ask(":WAV:SOUR CHAN2;PRE?").split(",")
    assert fields[:5] == ["0", "2", "12000", "1", "2.0E-8"]
    assert [float(field) for field in fields[5:]] == pytest.approx([-120e-6, 0, 0.2 / 25, -50, 128])
    assert client.ask(":WAV:YINC?;YOR?;YREF?;XINC?") == "8.0E-3;-50;128;2.0E-8"


def test_the_state_lags_behind_arming_by_the_fast_clock_for_one_query(preamble: Any) -> None:
    client = preamble.client()
    client.write(PREAMBLE_SETUP + ";:RUN")
    assert client.ask(":TRIG:STAT?") == "AUTO"
    client.write(":SING")
    assert [client.ask(":TRIG:STAT?") for _ in range(2)] == ["AUTO", "STOP"]


def test_a_wait_for_the_trigger_shows_after_the_lag_and_operation_complete_does_not_wait(preamble: Any) -> None:
    client = preamble.client()
    client.write(PREAMBLE_SETUP + ";:TRIG:SWE NORM;EDG:LEV 0.29;:STOP;:SING")
    assert client.ask("*OPC?") == "1"
    assert [client.ask(":TRIG:STAT?") for _ in range(2)] == ["STOP", "WAIT"]
    client.write(":TFOR")
    assert client.ask(":TRIG:STAT?") == "STOP"


def test_a_block_has_nine_digits_and_a_line_feed(preamble: Any) -> None:
    client = preamble.client()
    client.write(PREAMBLE_SETUP)
    arm_and_poll(client)
    client.write(":WAV:SOUR CHAN1;STOP 1000;DATA?")
    assert client.exactly(11) == b"#9000001000"
    assert client.exactly(1001).endswith(b"\n")


def test_a_read_is_limited_and_pieces_join(preamble: Any) -> None:
    client = preamble.client()
    client.write(PREAMBLE_SETUP + ";:ACQ:MDEP 500000;*CLS")
    arm_and_poll(client)
    client.write(":WAV:SOUR CHAN2;STAR 1;STOP 250001;DATA?")
    assert client.ask(":SYST:ERR?").startswith("-222,")
    first = client.block(":WAV:STAR 1;STOP 250000;DATA?")
    second = client.block(":WAV:STAR 250001;STOP 500000;DATA?")
    middle = client.block(":WAV:STAR 249001;STOP 251000;DATA?")
    assert (first + second)[249000:251000] == middle


def test_the_screen_has_twelve_hundred_points(preamble: Any) -> None:
    client = preamble.client()
    client.write(PREAMBLE_SETUP + ";:WAV:MODE NORM")
    arm_and_poll(client)
    assert client.ask(":WAV:SOUR CHAN2;PRE?").split(",")[1:5] == ["0", "1200", "1", "2.0E-7"]
    screen = client.block(":WAV:DATA?")
    memory = client.block(":WAV:MODE RAW;DATA?")
    assert screen == memory[::10]


def test_the_sample_rate_follows_depth_and_time(preamble: Any) -> None:
    client = preamble.client()
    assert client.ask("*RST;:TIM:SCAL 20E-6;:ACQ:MDEP 24000;MDEP?;SRAT?") == "24000;1.0E8"
    assert client.ask(":ACQ:MDEP AUTO;MDEP?;SRAT?") == "AUTO;5.0E7"


def test_memory_is_set_only_while_it_runs(preamble: Any) -> None:
    client = preamble.client()
    client.write("*RST;*CLS;:ACQ:MDEP 24000;:STOP;:ACQ:MDEP 12000")
    assert client.ask(":SYST:ERR?").startswith("-221,")
    assert client.ask(":ACQ:MDEP?;:RUN;:ACQ:MDEP 12000;MDEP?") == "24000;12000"


def test_the_trigger_level_lies_within_five_divisions_of_the_middle_of_the_screen(preamble: Any) -> None:
    client = preamble.client()
    client.write("*RST;*CLS;:CHAN1:SCAL 0.1;OFFS -0.3;:TRIG:EDG:SOUR CHAN1;LEV 0.8;LEV 0.81")
    assert client.ask(":SYST:ERR?;:TRIG:EDG:LEV?") == '-222,"Data out of range; 0.81";8.0E-1'
    client.write(":TRIG:EDG:LEV -0.21;LEV -0.2")
    assert client.ask(":SYST:ERR?;:TRIG:EDG:LEV?") == '-222,"Data out of range; -0.21";-2.0E-1'


def test_a_new_probe_ratio_rescales_the_range(preamble: Any) -> None:
    client = preamble.client()
    assert client.ask("*RST;:CHAN1:SCAL 0.2;PROB 10;SCAL?;PROB?") == "2.0E0;1.0E1"
