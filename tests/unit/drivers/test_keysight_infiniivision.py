"""The operation-condition driver: published preambles, when a capture is believed, holes and clip codes, its conversation."""

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from peakwhite.drivers.capture import EXT
from peakwhite.drivers.errors import InstrumentRejected, ReplyError
from peakwhite.drivers.family import ChannelPlan, Plan
from peakwhite.drivers.identity import Identity
from peakwhite.drivers.keysight_infiniivision import KeysightInfiniiVision, abilities_of
from peakwhite.drivers.keysight_preamble import read_preamble
from peakwhite.drivers.links import Link
from peakwhite.drivers.waiting import Clock

Script = Callable[[Sequence[tuple[str, str | bytes | None]]], Link]
Step = tuple[str, str | bytes | None]

TWO_CHANNELS = Identity("KEYSIGHT TECHNOLOGIES,DSOX1102G,CN00000000,01.20")
PLAN = Plan((ChannelPlan("CH1", 0.2, 0.4),), "CH1", -0.15, 500e-6, 12_000)
PREAMBLE = "0,0,20000,1,+2.50000000E-08,-2.50000000E-04,0,+8.00000000E-03,+4.00000000E-01,128"


class FakeTime:
    """A clock that only sleeping moves."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.clock = Clock(now=lambda: self.now_s, sleep=self.sleep)

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


def test_a_published_preamble_of_words_gives_its_volts_and_seconds() -> None:
    """From the tests of the general-purpose library pymeasure (its driver of a 1000X model): code 33792 is 0.80402 V."""
    read = read_preamble("4,0,62500,1,1.6E-08,-5.0E-04,0,7.851759E-04,0,32768", where="scope")
    assert 33_792 * read.volts_per_code + read.volts_at_code_zero == pytest.approx(0.80402, abs=5e-6)
    assert read.first_sample_s + 62_499 * read.seconds_per_sample == pytest.approx(0.499984e-3)
    assert (read.points, read.bytes_per_code) == (62_500, 2)


def test_the_origin_is_volts_in_the_middle_of_the_screen_not_codes() -> None:
    """2000X programmer's guide, :WAVeform:YORigin: voltage = (code - yreference) yincrement + yorigin."""
    read = read_preamble(PREAMBLE, where="scope")
    assert 128 * read.volts_per_code + read.volts_at_code_zero == pytest.approx(0.4)
    assert 78 * read.volts_per_code + read.volts_at_code_zero == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "1 fields"),
        (PREAMBLE + ",0", "11 fields"),
        (PREAMBLE.replace(",128", ",0"), "not unsigned"),
        (PREAMBLE.replace("0,0,", "0,1,", 1), "pairs of extremes"),
        (PREAMBLE.replace("20000", "0"), "0 points"),
        (PREAMBLE.replace("+8.00000000E-03", "9.9E+37"), "not valid"),
        (PREAMBLE.replace("+2.50000000E-08", "0"), "0 s a sample"),
    ],
)
def test_a_spoilt_preamble_is_a_typed_error(text: str, says: str) -> None:
    with pytest.raises(ReplyError, match=says):
        read_preamble(text, where="scope")


def form(points: int, width: int = 1, mode: str = "RAW") -> list[Step]:
    told = [f":WAV:FORM {'BYTE' if width == 1 else 'WORD'}", ":WAV:BYT LSBF", ":WAV:UNS 1"]
    return [(message, None) for message in (*told, f":WAV:POIN:MODE {mode}", f":WAV:POIN {points}")]


def configuration(
    *, source: str = "CHAN1", errors: Sequence[str] = ('+0,"No error"',), screen_v: float = 1.6
) -> list[Step]:
    written = [
        "*CLS", ":STOP", ":CHAN1:DISP 1", ":CHAN1:IMP ONEM", ":CHAN1:COUP DC", ":CHAN1:INV 0", ":CHAN1:BWL 1",
        ":CHAN1:SCAL 0.2", ":CHAN1:OFFS 0.4", ":CHAN2:DISP 0", ":TIM:MODE MAIN", ":TIM:REF CENT", ":TIM:SCAL 5e-05",
        ":TIM:POS 0", ":ACQ:TYPE NORM", ":TRIG:MODE EDGE", f":TRIG:EDGE:SOUR {source}", ":TRIG:EDGE:SLOP NEG",
        ":TRIG:EDGE:LEV -0.15", ":TRIG:EDGE:COUP DC", ":TRIG:EDGE:REJ OFF", ":TRIG:SWE NORM",
    ]  # fmt: skip
    told: list[Step] = [*((":SYST:ERR?", error) for error in errors), (":CHAN1:RANG?", f"{screen_v:+.2E}")]
    return [*((message, None) for message in written), *form(20_000), *told]


def fetching(block: bytes, preamble: str = PREAMBLE) -> list[Step]:
    asked: list[Step] = [(":CHAN1:DISP?", "1"), (":CHAN1:RANG?", "+1.60E+00"), (":WAV:SOUR CHAN1", None)]
    return [*asked, (":WAV:PRE?", preamble), (":WAV:DATA?", block)]


def configured(script: Script, *steps: Step) -> KeysightInfiniiVision:
    driver = KeysightInfiniiVision(script([*configuration(), *steps]), TWO_CHANNELS, Clock())
    driver.configure(PLAN)
    return driver


def test_a_record_of_bytes_has_its_scale_its_clip_codes_and_the_height_of_the_screen(script: Script) -> None:
    codes = bytes([1, 78, 128, 255]) * 5000
    record = configured(script, *fetching(codes)).fetch(("CH1",))
    channel = record.channels[0]
    assert channel.codes.tobytes() == codes
    assert (channel.low_rail_code, channel.high_rail_code, channel.code_step) == (1, 255, 1)
    assert channel.full_scale_v == pytest.approx(1.6)
    assert record.first_sample_s == pytest.approx(-250e-6)


def test_a_record_with_a_hole_is_refused(script: Script) -> None:
    """2000X programmer's guide, :WAVeform:DATA?: code 0 is a hole, a place where no sample was taken."""
    driver = configured(script, *fetching(b"\x80" * 19_999 + b"\x00"))
    with pytest.raises(ReplyError, match="1 holes"):
        driver.fetch(("CH1",))


def test_a_channel_that_is_not_displayed_is_not_asked_for_data(script: Script) -> None:
    driver = configured(script, (":CHAN1:DISP?", "0"))
    with pytest.raises(InstrumentRejected, match="CH1 is off"):
        driver.fetch(("CH1",))


@pytest.mark.parametrize(
    "preamble",
    [PREAMBLE.replace("2.5", "1.2", 1), PREAMBLE.replace("20000", "9000"), PREAMBLE.replace("0,", "1,", 1) + "x"],
    ids=["finer", "fewer", "spoilt"],
)
def test_points_that_do_not_spread_over_the_record_are_refused(script: Script, preamble: str) -> None:
    driver = configured(script, *fetching(b"", preamble)[:-1])
    with pytest.raises(ReplyError):
        driver.fetch(("CH1",))


def test_a_range_that_somebody_turned_is_noticed(script: Script) -> None:
    steps = [*configuration(screen_v=0.8), *fetching(b"")[:2]]
    driver = KeysightInfiniiVision(script(steps), TWO_CHANNELS, Clock())
    driver.configure(PLAN)
    with pytest.raises(ReplyError, match="1.6 V where 0.8 V was set"):
        driver.fetch(("CH1",))


def test_words_where_bytes_were_set_are_refused(script: Script) -> None:
    words = PREAMBLE.replace("0,0,", "1,0,", 1).replace(",128", ",32768")
    driver = configured(script, *fetching(b"", words)[:-1])
    with pytest.raises(ReplyError, match="points of 2 bytes"):
        driver.fetch(("CH1",))


def test_a_block_of_another_length_than_the_preamble_says_is_an_error(script: Script) -> None:
    driver = configured(script, *fetching(b"\x80" * 19_998))
    with pytest.raises(ReplyError, match="19998 bytes where 20000"):
        driver.fetch(("CH1",))


def test_the_external_input_triggers(script: Script) -> None:
    driver = KeysightInfiniiVision(script(configuration(source="EXT")), TWO_CHANNELS, Clock())
    driver.configure(Plan(PLAN.channels, EXT, -0.15, 500e-6, 12_000))


def test_a_refused_setting_is_raised_and_leaves_no_record_to_fetch(script: Script) -> None:
    errors = ('-222,"Data out of range"', '+0,"No error"')
    driver = KeysightInfiniiVision(script(configuration(errors=errors)[:-1]), TWO_CHANNELS, Clock())
    with pytest.raises(InstrumentRejected, match="Data out of range"):
        driver.configure(PLAN)
    with pytest.raises(ReplyError, match="length of its record is not known"):
        driver.fetch(("CH1",))


ARMING: list[Step] = [(":STOP", None), (":TER?", "+1"), (":SING", None)]


def test_a_run_bit_that_was_set_and_is_cleared_ends_the_wait(script: Script) -> None:
    steps: list[Step] = [*ARMING, (":OPER:COND?", "+40"), (":OPER:COND?", "+8"), (":OPER:COND?", "+0")]
    assert KeysightInfiniiVision(script(steps), TWO_CHANNELS, FakeTime().clock).acquire(0.1)


def test_a_cleared_run_bit_is_not_believed_before_a_trigger_is_told_of(script: Script) -> None:
    quiet: list[Step] = [(":OPER:COND?", "+0"), (":TER?", "+0")]
    ended: list[Step] = [(":OPER:COND?", "+0"), (":TER?", "+1"), (":OPER:COND?", "+0")]
    assert KeysightInfiniiVision(script([*ARMING, *quiet, *quiet, *ended]), TWO_CHANNELS, FakeTime().clock).acquire(0.1)


def test_a_run_bit_that_comes_late_is_waited_for(script: Script) -> None:
    late: list[Step] = [(":OPER:COND?", "+0"), (":TER?", "+1"), (":OPER:COND?", "+8"), (":OPER:COND?", "+0")]
    time, steps = FakeTime(), [*configuration(), *ARMING, *late]
    driver = KeysightInfiniiVision(script(steps), TWO_CHANNELS, time.clock)
    driver.configure(PLAN)
    assert driver.acquire(0.1)
    assert time.now_s >= 500e-6


@pytest.mark.parametrize("condition", ["+40", "+8", "+0"], ids=["waiting", "busy", "stopped"])
def test_an_instrument_that_never_completes_does_not_hang(condition: str) -> None:
    class Stuck:
        resource, dirty = "stuck", False

        def write(self, command: str) -> None: ...

        def query(self, command: str) -> str:
            return condition if command == ":OPER:COND?" else "+0"

        def query_block(self, command: str, limit_bytes: int) -> memoryview:
            raise AssertionError("no record is there")

        def clear(self) -> None: ...

        def close(self) -> None: ...

    time = FakeTime()
    driver = KeysightInfiniiVision(Stuck(), TWO_CHANNELS, time.clock)
    assert not driver.acquire(0.1)
    assert not driver.force(0.1)
    assert time.now_s < 3.0


def test_without_a_trigger_the_wait_ends_and_the_capture_can_be_forced(script: Script) -> None:
    waiting: list[Step] = [(":OPER:COND?", "+40")] * 4
    forced: list[Step] = [(":TRIG:FORC", None), (":OPER:COND?", "+8"), (":OPER:COND?", "+0")]
    driver = KeysightInfiniiVision(script([*ARMING, *waiting, *forced]), TWO_CHANNELS, FakeTime().clock)
    assert not driver.acquire(0.0035)
    assert driver.force(0.1)


def replies(kind: str, condition: str) -> list[Step]:
    """The set-up of a user, asked for setting by setting."""
    channel = {
        "DISP": "1",
        "IMP": "ONEM",
        "PROB": "+1.0E+00",
        "SCAL": "+2E-01",
        "OFFS": "+0.4",
        "COUP": "DC",
        "BWL": "0",
    }
    scope = [("TIM:MODE", "MAIN"), ("TIM:REF", "CENT"), ("TIM:SCAL", "+5E-05"), ("TIM:POS", "+0.0"), ("ACQ:TYPE", kind)]
    scope += [("TRIG:MODE", "EDGE"), ("TRIG:EDGE:SOUR", "CHAN1"), ("TRIG:EDGE:SLOP", "NEG"), ("TRIG:EDGE:LEV", "-0.15")]
    scope += [("TRIG:EDGE:COUP", "DC"), ("TRIG:EDGE:REJ", "OFF"), ("TRIG:SWE", "NORM")]
    channels = [(f"CHAN{n}:{name}", said) for n in (1, 2) for name, said in (channel | {"INV": "0"}).items()]
    asked = [(f":{header}?", said) for header, said in [*channels, *scope]]
    return [(":OPER:COND?", condition), *asked, ("*IDN?", TWO_CHANNELS.text)]


def test_high_resolution_of_a_user_is_fetched_as_words_with_their_clip_codes(script: Script) -> None:
    words = np.array([1, 0x8010, 0xFFFF, 0x8000] * 5000, "<u2")
    preamble = "1,3,20000,1,2.5E-08,-2.5E-04,0,3.125E-05,4.0E-01,32768"
    steps = [*replies("HRES", "+0"), *form(20_000, width=2), *fetching(words.tobytes(), preamble)]
    driver = KeysightInfiniiVision(script(steps), TWO_CHANNELS, Clock())
    assert not driver.read_setup().running
    channel = driver.fetch(("CH1",)).channels[0]
    assert channel.codes.dtype == np.uint16
    assert (channel.low_rail_code, channel.high_rail_code) == (1, 0xFFFF)
    assert 0x8000 * channel.volts_per_code + channel.volts_at_code_zero == pytest.approx(0.4)
    assert channel.full_scale_v == pytest.approx(1.6)


def test_of_a_running_scope_the_screen_is_read(script: Script) -> None:
    preamble = PREAMBLE.replace("20000", "1000").replace("2.5", "5.0", 1)
    steps = [*replies("NORM", "+8"), *form(1000, mode="NORM"), *fetching(b"\x80" * 1000, preamble)]
    driver = KeysightInfiniiVision(script(steps), TWO_CHANNELS, Clock())
    setup = driver.read_setup()
    assert (setup.running, setup.trigger_source, setup.channels[0].centre_v) == (True, "CH1", 0.4)
    assert driver.fetch(("CH1",)).channels[0].codes.size == 1000


def test_fifty_ohm_inputs_come_with_the_3000_series() -> None:
    models = ("DSO-X 2024A", "MSO-X 3054T", "DSO-X 4024A", "DSOX1102G")
    identities = [Identity(f"KEYSIGHT TECHNOLOGIES,{model},MY00000000,1.0") for model in models]
    assert [abilities_of(identity).fifty_ohm_input for identity in identities] == [False, True, True, False]


def test_release_lets_it_run_freely(script: Script) -> None:
    KeysightInfiniiVision(script([(":TRIG:SWE AUTO", None), (":RUN", None)]), TWO_CHANNELS, Clock()).release()
