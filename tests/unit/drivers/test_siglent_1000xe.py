"""The older Siglent dialect: published figures, numbers with units, the pace, and the driver's conversation."""

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from family_rig import SleepingTime, volts_of
from peakwhite.drivers.errors import InstrumentRejected, ReplyError
from peakwhite.drivers.family import ChannelPlan, Plan
from peakwhite.drivers.identity import Identity
from peakwhite.drivers.links import Link
from peakwhite.drivers.paced_link import PacedLink
from peakwhite.drivers.quantities import quantity
from peakwhite.drivers.siglent_1000xe import PAUSE_S, Siglent1000XE, scale_from

Step = tuple[str, str | bytes | None]
Script = Callable[[Sequence[Step]], Link]

TWO_CHANNELS = Identity("Siglent Technologies,SDS1202X-E,SDS1E0000000,8.1.6.1.35R2")
TWIN = Identity("LECROY,T3DSO1202,LCRY0000C00000,8.2.6.1.37")
PLAN = Plan((ChannelPlan("CH1", 0.2, 0.35),), "CH1", -0.15, 500e-6, 12_000)


def driver_on(link: Link, identity: Identity = TWO_CHANNELS) -> Siglent1000XE:
    return Siglent1000XE(link, identity, SleepingTime().clock)


# Worked example of the programming guide (WAVEFORM, page 142): 0.5 V a division, offset -0.5 V.
@pytest.mark.parametrize(("code", "volts"), [(0x02, 0.54), (0xFE, 0.46)])
def test_the_guides_codes_give_its_published_volts(code: int, volts: float) -> None:
    scale = scale_from(0.5, -0.5, 1e-8, 0.0, where="scope")
    signed = int(np.array([code], np.uint8).view(np.int8)[0])
    assert signed * scale.volts_per_code + scale.volts_at_code_zero == pytest.approx(volts)


# Replies as the guide prints them: COMM_HEADER, VOLT_DIV, TIME_DIV, SAMPLE_RATE, SAMPLE_NUM, MEMORY_SIZE.
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("5.00E-01V", 0.5), ("5.00E-01", 0.5), ("2.00US", 2e-6), ("500.00MV", 0.5), ("-1V", -1.0), ("1.00GSa/s", 1e9),
        ("500.00kSa/s", 5e5), ("14Mpts", 14e6), ("7K", 7e3), ("1.4M", 1.4e6), ("7.00E+04", 7e4), ("50.00nS", 5e-8),
    ],
)  # fmt: skip
def test_numbers_are_read_with_units_and_without(text: str, value: float) -> None:
    assert quantity(text, of="X?", where="scope") == pytest.approx(value)


@pytest.mark.parametrize(
    "text", ["", "V", "1.0.0V", "1 2V", "****", "9.9E37V", "nanS", "1GV", "5 apples", " " * 60_000]
)
def test_what_is_no_number_with_a_unit_is_a_typed_error(text: str) -> None:
    with pytest.raises(ReplyError):
        quantity(text, of="X?", where="scope")


@pytest.mark.parametrize(
    ("reply", "bare"),
    [
        ("C1:VDIV 5.00E-01V", "5.00E-01V"), ("C2:VOLT_DIV 1.00E+00V", "1.00E+00V"), ("SAST Trig'd", "Trig'd"),
        ("INR 8193", "8193"), ("TRSE EDGE,SR,C1,HT,OFF", "EDGE,SR,C1,HT,OFF"), ("Stop", "Stop"), ("-1.00E+00", "-1.00E+00"),
    ],
)  # fmt: skip
def test_answers_are_read_with_headers_and_without(script: Script, reply: str, bare: str) -> None:
    assert PacedLink(script([("X?", reply)]), SleepingTime().clock, PAUSE_S).query("X?") == bare


def test_messages_follow_one_another_after_20_ms(script: Script) -> None:
    time, sent_s = SleepingTime(), []

    class Timed:
        resource, dirty = "timed", False

        def write(self, command: str) -> None:
            sent_s.append(time.now_s)

        def query(self, command: str) -> str:
            sent_s.append(time.now_s)
            return "1"

        def query_block(self, command: str, limit_bytes: int) -> memoryview:
            sent_s.append(time.now_s)
            return memoryview(b"")

        def clear(self) -> None: ...

        def close(self) -> None: ...

    link = PacedLink(Timed(), time.clock, PAUSE_S)
    link.write("A")
    link.query("B?")
    link.query_block("C?", 10)
    time.now_s += 1.0
    link.write("D")
    assert sent_s == pytest.approx([0.0, 0.02, 0.04, 1.04])


def settings(*, level: str = "-1.50E-01V") -> list[tuple[str, str, str]]:
    """Header, what it is set to, and how an instrument may answer."""
    return [
        ("TRMD", "NORM", "TRMD NORM"),
        ("C1:TRA", "ON", "C1:TRA ON"),
        ("C1:CPL", "D1M", "D1M"),
        ("C1:INVS", "OFF", "OFF"),
        ("C1:BWL", "ON", "ON"),
        ("C1:VDIV", "2.00E-01V", "2.00E-01"),
        ("C1:OFST", "-3.50E-01V", "-3.44E-01"),
        ("C2:TRA", "OFF", "OFF"),
        ("ACQW", "SAMPLING", "SAMPLING"),
        ("TDIV", "5.00E-05S", "50.00US"),
        ("TRDL", "0.00E+00S", "-0.00E+00"),
        ("TRSE", "EDGE,SR,C1,HT,OFF", "EDGE,SR,C1,HT,OFF"),
        ("C1:TRCP", "DC", "DC"),
        ("C1:TRSL", "NEG", "NEG"),
        ("C1:TRLV", level, level),
    ]


AXIS: list[Step] = [("SANU? C1", "14Kpts"), ("SARA?", "20.00MSa/s"), ("TRDL?", "0.00E+00S")]


def configuration(settings: Sequence[tuple[str, str, str]]) -> list[Step]:
    written: list[Step] = [(f"{header} {value}", None) for header, value, _ in settings]
    asked: list[Step] = [(f"{header}?", told) for header, _, told in settings]
    return [*written, *asked, ("MSIZ 14K", None), *AXIS]


FRAME: list[Step] = [("TDIV?", "5.00E-05"), *AXIS, ("C1:VDIV?", "2.00E-01"), ("C1:OFST?", "-3.44E-01")]
CODES = np.arange(14_000).astype(np.int8)
WHOLE: list[Step] = [("WFSU SP,0,NP,14000,FP,0", None), ("C1:WF? DAT2", CODES.tobytes())]


def test_a_record_is_fetched_with_the_settings_that_the_instrument_has_then(script: Script) -> None:
    driver = driver_on(script([("CHDR OFF", None), *configuration(settings()), *FRAME, *WHOLE]))
    driver.configure(PLAN)
    record = driver.fetch(("CH1",))
    channel = record.channels[0]
    assert volts_of(channel)[:2] == pytest.approx([0.344, 0.352])
    assert (channel.low_rail_code, channel.high_rail_code) == (-128, 127)
    assert channel.full_scale_v == pytest.approx(1.6)
    assert record.first_sample_s == pytest.approx(-350e-6)
    assert record.seconds_per_sample == pytest.approx(50e-9)


def test_a_setting_that_stays_as_it_was_is_told(script: Script) -> None:
    coarse = [(header, value, "5.00E+00" if header == "C1:VDIV" else told) for header, value, told in settings()]
    steps = configuration(coarse)
    until = steps.index(("C1:VDIV?", "5.00E+00")) + 1
    with pytest.raises(InstrumentRejected, match="it refused a setting: 'C1:VDIV 2.00E-01V', it stays 5.00E"):
        driver_on(script([("CHDR OFF", None), *steps[:until]])).configure(PLAN)


def test_the_twin_takes_trigger_levels_at_its_input(script: Script) -> None:
    steps = [("CHDR OFF", None), ("C1:ATTN?", "10"), *configuration(settings(level="-1.50E-02V"))]
    driver_on(script(steps), TWIN).configure(PLAN)


def test_a_long_record_is_fetched_in_pieces(script: Script) -> None:
    head: list[Step] = [("TDIV?", "1.00E-03"), ("SANU? C1", "3.00E+05"), ("SARA?", "2.00E+07"), ("TRDL?", "0.00E+00")]
    scale: list[Step] = [("C1:VDIV?", "2.00E-01"), ("C1:OFST?", "0.00E+00")]
    first: list[Step] = [("WFSU SP,0,NP,250000,FP,0", None), ("C1:WF? DAT2", b"\x01" * 250_000)]
    second: list[Step] = [("WFSU SP,0,NP,50000,FP,250000", None), ("C1:WF? DAT2", b"\xff" * 50_000)]
    record = driver_on(script([*head, *scale, *first, *second])).fetch(("CH1",))
    codes, counts = np.unique(record.channels[0].codes, return_counts=True)
    assert (codes.tolist(), counts.tolist()) == ([-1, 1], [50_000, 250_000])


def test_a_window_that_is_set_already_is_not_set_again_in_one_fetch(script: Script) -> None:
    other: list[Step] = [("C2:VDIV?", "1.00E-01"), ("C2:OFST?", "0.00E+00"), ("C2:WF? DAT2", CODES.tobytes())]
    record = driver_on(script([*FRAME, *WHOLE, *other])).fetch(("CH1", "CH2"))
    assert [channel.full_scale_v for channel in record.channels] == pytest.approx([1.6, 0.8])


def test_a_block_of_another_length_than_the_memory_is_an_error(script: Script) -> None:
    steps = [*FRAME, WHOLE[0], ("C1:WF? DAT2", bytes(13_999))]
    with pytest.raises(ReplyError, match="13999 bytes where 14000"):
        driver_on(script(steps)).fetch(("CH1",))


@pytest.mark.parametrize("rate", ["0.00E+00", "-1.00E+09", "1.00E-30", "9"])
def test_a_rate_at_which_the_record_would_not_end_is_refused_before_it_is_waited_for(script: Script, rate: str) -> None:
    steps = [step if step[0] != "SARA?" else ("SARA?", rate) for step in configuration(settings())][:-1]
    with pytest.raises(ReplyError, match="longest that can be"):
        driver_on(script([("CHDR OFF", None), *steps])).configure(PLAN)


ARMING: list[Step] = [("STOP", None), ("INR?", "8193"), ("TRMD SINGLE", None)]


def test_the_stop_of_the_capture_before_is_not_believed(script: Script) -> None:
    polls: list[Step] = [
        ("INR?", "0"),
        ("INR?", "8192"),
        ("INR?", "1"),
        ("SAST?", "Trig'd"),
        ("INR?", "0"),
        ("SAST?", "Stop"),
    ]
    assert driver_on(script([*ARMING, *polls])).acquire(1.0)


def test_without_a_trigger_the_wait_ends_and_the_capture_can_be_forced(script: Script) -> None:
    waiting: list[Step] = [("INR?", "8192")] * 3
    forced: list[Step] = [("FRTR", None), ("INR?", "8193"), ("SAST?", "Stop")]
    driver = driver_on(script([*ARMING, *waiting, *forced]))
    assert not driver.acquire(0.05)
    assert driver.force(0.1)


def test_release_lets_it_run_freely_and_gives_whole_records(script: Script) -> None:
    driver_on(script([("WFSU SP,0,NP,0,FP,0", None), ("TRMD AUTO", None)])).release()


@pytest.mark.parametrize(
    ("channels", "points", "word"),
    [
        (("CH1",), 12_000, "14K"), (("CH1", "CH3"), 12_000, "14K"), (("CH1", "CH2"), 12_000, "70K"),
        (("CH3", "CH4"), 7_000, "7K"), (("CH1",), 10**9, "14M"), (("CH1", "CH2"), 10**9, "7M"),
    ],
)  # fmt: skip
def test_memory_is_the_smallest_that_holds_the_points_for_the_channels_on(
    channels: tuple[str, ...], points: int, word: str
) -> None:
    from peakwhite.drivers.siglent_memory import depth_for

    assert depth_for(points, {int(channel[-1]) for channel in channels}) == word
