"""The DATA:HEADer driver: the manual's published figures, what it waits for, and its conversation message by message."""

import socket
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from peakwhite.drivers.capture import EXT
from peakwhite.drivers.errors import InstrumentRejected, LinkError, NoRecord, ReplyError
from peakwhite.drivers.family import ChannelPlan, Plan
from peakwhite.drivers.identity import Identity
from peakwhite.drivers.links import Link, open_link
from peakwhite.drivers.records import Record
from peakwhite.drivers.rohde_schwarz_header import read_header
from peakwhite.drivers.rohde_schwarz_rtb import RohdeSchwarzRtb, abilities_of
from peakwhite.drivers.waiting import Clock

Script = Callable[[Sequence[tuple[str, str | bytes | None]]], Link]
Step = tuple[str, str | bytes | None]

TWO_CHANNELS = Identity("Rohde&Schwarz,RTB2002,1333.1005k02/000000,02.400")
PLAN = Plan((ChannelPlan("CH1", 0.2, 0.4),), "CH1", -0.15, 500e-6, 12_000)
WORDS: list[Step] = [(":FORM UINT,16", None), (":FORM:BORD LSBF", None), (":FORM:BORD?", "LSBF")]


class FakeTime:
    """A clock that only sleeping moves."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.clock = Clock(now=lambda: self.now_s, sleep=self.sleep)

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


def configuration(
    *,
    errors: Sequence[str] = ('0,"No error"',),
    points: str = "20000",
    lasts: str = "6.0E-4",
    screen_v: str = "1.60E+00",
) -> list[Step]:
    written = [
        "*CLS", ":STOP", ":CHAN1:STAT ON", ":CHAN1:COUP DCL", ":CHAN1:POL NORM", ":CHAN1:BAND B20", ":CHAN1:TYPE SAMP",
        ":CHAN1:SCAL 0.2", ":CHAN1:OFFS 0", ":CHAN1:POS -2", ":CHAN2:STAT OFF", ":TIM:SCAL 5e-05", ":TIM:POS 0",
        ":ACQ:NSIN:COUN 1", ":ACQ:POIN 20000", ":TRIG:A:TYPE EDGE", ":TRIG:A:SOUR CH1", ":TRIG:A:LEV1 -0.15",
        ":TRIG:A:EDGE:SLOP NEG", ":TRIG:A:EDGE:COUP DC", ":TRIG:A:MODE NORM",
    ]  # fmt: skip
    read: list[Step] = [(":SYST:ERR?", error) for error in errors]
    read += [*WORDS, (":CHAN1:RANG?", screen_v), (":ACQ:POIN?", points), (":TIM:ACQT?", lasts)]
    return [*((message, None) for message in written), *read]


def fetching(
    block: bytes, *, header: str = "-3.000E-04,3.000E-04,20000,1", step: str = "3.0E-8", volts: str = "3.125E-05"
) -> list[Step]:
    data = ":CHAN1:DATA"
    asked = [(":HEAD?", header), (":XOR?", "-3.0E-4"), (":XINC?", step), (":YOR?", "-6.24E-01"), (":YINC?", volts)]
    ended: list[Step] = [(":CHAN1:RANG?", "1.60E+00"), (f"{data}?", block)]
    return [(":CHAN1:STAT?", "1"), (f"{data}:POIN MAX", None), *((data + query, said) for query, said in asked), *ended]


def configured(script: Script, *steps: Step) -> RohdeSchwarzRtb:
    driver = RohdeSchwarzRtb(script([*configuration(), *steps]), TWO_CHANNELS, Clock())
    driver.configure(PLAN)
    return driver


def fetched_words(script: Script, words: Sequence[int], volts: str = "3.125E-05") -> Record:
    block = np.resize(np.array(words, "<u2"), 20_000).tobytes()
    return configured(script, *fetching(block, volts=volts)).fetch(("CH1",))


def test_the_published_header_is_read() -> None:
    """RTB2000 user manual, CHANnel:DATA:HEADer?: 200000 samples, one value each."""
    assert read_header("-9.477E-008,9.477E-008,200000,1", where="scope") == 200_000


def test_the_published_scale_of_16_bits_gives_its_published_volts(script: Script) -> None:
    """RTB2000 user manual, CHANnel:DATA:YINCrement?: YOR -2.549999943E-2, UINT,16 YINC 7.812499803E-7: 0x8000 is 0.1 mV."""
    words = np.full(5000, 0x8000, "<u2").tobytes()
    asked = [(":HEAD?", "-5.0E-7,5.0E-7,5000,1"), (":XOR?", "-4.998000058E-07"), (":XINC?", "2.000000023E-10")]
    scale = [(":YOR?", "-2.549999943E-02"), (":YINC?", "7.812499803E-07")]
    steps = configuration(points="5000", lasts="1.0E-6", screen_v="4.0E-02")
    fetch: list[Step] = [(":CHAN1:STAT?", "1"), (":CHAN1:DATA:POIN MAX", None)]
    fetch += [(f":CHAN1:DATA{query}", said) for query, said in asked + scale]
    fetch += [(":CHAN1:RANG?", "4.0E-02"), (":CHAN1:DATA?", words)]
    span = [step if step[0] != ":TIM:SCAL 5e-05" else (":TIM:SCAL 1e-07", None) for step in steps]
    driver = RohdeSchwarzRtb(script([*span, *fetch]), TWO_CHANNELS, Clock())
    driver.configure(Plan(PLAN.channels, "CH1", -0.15, 1e-6, 12_000))
    record = driver.fetch(("CH1",))
    channel = record.channels[0]
    assert 0x8000 * channel.volts_per_code + channel.volts_at_code_zero == pytest.approx(1e-4, abs=2e-9)
    assert record.first_sample_s == -4.998000058e-07
    assert record.seconds_per_sample == 2.000000023e-10


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "1 fields"),
        ("-1E-3,1E-3,200", "3 fields"),
        ("-1E-3,1E-3,200,1,1", "5 fields"),
        ("-1E-3,1E-3,200,2", "2 values a sample"),
        ("-1E-3,1E-3,0,1", "0 points"),
        ("-1E-3,****,200,1", "not a number"),
        ("-1E-3,1E-3,9.9E37,1", "not valid"),
    ],
)
def test_a_spoilt_header_is_a_typed_error(text: str, says: str) -> None:
    with pytest.raises(ReplyError, match=says):
        read_header(text, where="scope")


@pytest.mark.parametrize(
    ("words", "step"),
    [([0x8000, 0x8100, 0xFF00], 256), ([0x8000, 0x8040, 0xFFC0], 64), ([0x8000, 0x8010], 16), ([0x8001], 1)],
    ids=["8 bits", "10 bits", "12 bits", "16 bits"],
)
def test_the_bits_of_the_converter_are_seen_from_the_codes(script: Script, words: list[int], step: int) -> None:
    channel = fetched_words(script, words).channels[0]
    assert (channel.code_step, channel.low_rail_code, channel.high_rail_code) == (step, 0, 65_536 - step)
    assert channel.full_scale_v == pytest.approx(1.6)


def test_a_channel_that_is_off_is_not_asked_for_data(script: Script) -> None:
    driver = configured(script, (":CHAN1:STAT?", "OFF"))
    with pytest.raises(InstrumentRejected, match="CH1 is off"):
        driver.fetch(("CH1",))


def test_a_record_that_is_shorter_than_was_set_is_refused(script: Script) -> None:
    driver = configured(script, *fetching(b"", header="-2E-4,2E-4,12000,1")[:-2])
    with pytest.raises(ReplyError, match="12000 samples over 0.00036 s"):
        driver.fetch(("CH1",))


def test_a_range_that_somebody_turned_is_noticed(script: Script) -> None:
    steps = [*configuration(screen_v="8.0E-01"), *fetching(b"")[:-1]]
    driver = RohdeSchwarzRtb(script(steps), TWO_CHANNELS, Clock())
    driver.configure(PLAN)
    with pytest.raises(ReplyError, match="1.6 V where 0.8 V was set"):
        driver.fetch(("CH1",))


def test_a_block_of_bytes_where_words_were_set_is_an_error(script: Script) -> None:
    driver = configured(script, *fetching(bytes(20_000)))
    with pytest.raises(ReplyError, match="20000 bytes where 40000"):
        driver.fetch(("CH1",))


def test_another_byte_order_than_was_set_is_refused(script: Script) -> None:
    steps = [*configuration()[:-4], (":FORM:BORD?", "MSBF")]
    with pytest.raises(InstrumentRejected, match="byte order"):
        RohdeSchwarzRtb(script(steps), TWO_CHANNELS, Clock()).configure(PLAN)


@pytest.mark.parametrize("lasts", ["0", "-1", "9E9"])
def test_a_record_that_would_not_end_is_refused_before_it_is_waited_for(script: Script, lasts: str) -> None:
    driver = RohdeSchwarzRtb(script(configuration(lasts=lasts)), TWO_CHANNELS, Clock())
    with pytest.raises(ReplyError):
        driver.configure(PLAN)
    with pytest.raises(ReplyError, match="length of its record is not known"):
        driver.fetch(("CH1",))


def test_an_external_trigger_is_refused(script: Script) -> None:
    with pytest.raises(InstrumentRejected, match=EXT):
        RohdeSchwarzRtb(script([]), TWO_CHANNELS, Clock()).configure(Plan(PLAN.channels, EXT, 0.0, 500e-6, 12_000))


def test_a_refused_setting_is_raised_in_the_instruments_own_words(script: Script) -> None:
    errors = ('-222,"Data out of range"', '0,"No error"')
    driver = RohdeSchwarzRtb(script(configuration(errors=errors)[: -len(WORDS) - 3]), TWO_CHANNELS, Clock())
    with pytest.raises(InstrumentRejected, match="Data out of range"):
        driver.configure(PLAN)


ARMING: list[Step] = [(":STOP", None), ("*ESR?", "1"), (":SING;*OPC", None)]


def test_a_capture_is_complete_when_the_event_status_says_so_and_it_runs_no_more(script: Script) -> None:
    steps: list[Step] = [*ARMING, ("*ESR?", "0"), ("*ESR?", "1"), (":ACQ:STAT?", "RUN")]
    steps += [("*ESR?", "0"), (":ACQ:STAT?", "STOP"), ("*ESR?", "0"), (":ACQ:STAT?", "COMP")]
    assert RohdeSchwarzRtb(script(steps), TWO_CHANNELS, FakeTime().clock).acquire(1.0)


def test_a_refusal_while_it_waits_is_raised(script: Script) -> None:
    steps: list[Step] = [*ARMING, ("*ESR?", "32"), (":SYST:ERR?", '-113,"Undefined header"'), (":SYST:ERR?", "0")]
    with pytest.raises(InstrumentRejected, match="Undefined header"):
        RohdeSchwarzRtb(script(steps), TWO_CHANNELS, FakeTime().clock).acquire(1.0)


def test_without_a_trigger_the_wait_ends_and_a_capture_is_made_in_auto_mode(script: Script) -> None:
    waiting: list[Step] = [("*ESR?", "0")] * 4
    forced: list[Step] = [(":TRIG:A:MODE AUTO", None), *ARMING, ("*ESR?", "1"), (":ACQ:STAT?", "COMP")]
    steps = [*ARMING, *waiting, *forced, (":TRIG:A:MODE NORM", None)]
    driver = RohdeSchwarzRtb(script(steps), TWO_CHANNELS, FakeTime().clock)
    assert not driver.acquire(0.0035)
    assert driver.force(0.1)


def test_an_instrument_that_never_completes_does_not_hang(script: Script) -> None:
    time = FakeTime()
    polls: list[Step] = [("*ESR?", "1"), (":ACQ:STAT?", "RUN"), *[("*ESR?", "0"), (":ACQ:STAT?", "RUN")] * 14]
    assert not RohdeSchwarzRtb(script([*ARMING, *polls]), TWO_CHANNELS, time.clock).acquire(0.1)
    assert time.now_s == pytest.approx(0.1)


def test_a_block_without_a_length_is_refused_on_a_raw_socket(
    serve: Callable[[Callable[[socket.socket], None]], str],
) -> None:
    """RTB2000 user manual, A.3.6: #0 is followed by data up to NL^END, and a raw socket has no END."""

    def answer(connection: socket.socket) -> None:
        while message := connection.recv(4096):
            if message.startswith(b":CHAN1:DATA?"):
                connection.sendall(b"#0" + bytes(100) + b"\n")

    link = open_link(serve(answer), timeout_s=2.0)
    with pytest.raises((ReplyError, LinkError), match="without a length"):
        link.query_block(":CHAN1:DATA?", 1000)
    link.close()


def test_converters_have_ten_bits_or_eight() -> None:
    models = ("RTB2004", "RTM3004", "RTM2054", "HMO1202")
    assert [abilities_of(Identity(f"Rohde&Schwarz,{model},1,1")).bits for model in models] == [10, 10, 8, 8]


def test_release_lets_it_run_freely(script: Script) -> None:
    RohdeSchwarzRtb(script([(":TRIG:A:MODE AUTO", None), (":RUN", None)]), TWO_CHANNELS, Clock()).release()


def test_of_a_users_record_that_is_too_long_to_be_fetched_whole_it_is_said_that_no_part_can_be_had(
    script: Script,
) -> None:
    asked: list[Step] = [(":CHAN1:STAT?", "1"), (":CHAN1:DATA:POIN MAX", None)]
    driver = configured(script, *asked, (":CHAN1:DATA:HEAD?", "-3.000E-01,3.000E-01,10000000,1"))
    with pytest.raises(NoRecord, match="CH1 holds 10000000 samples, of which no part can be fetched"):
        driver.fetch(("CH1",), 125_000)
