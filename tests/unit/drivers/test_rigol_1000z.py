"""The state-polled driver: published preambles, the rule when STOP is believed, and its conversation."""

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from peakwhite.drivers.errors import InstrumentRejected, ReplyError
from peakwhite.drivers.family import ChannelPlan, Plan
from peakwhite.drivers.identity import Identity
from peakwhite.drivers.links import Link
from peakwhite.drivers.rigol_1000z import Rigol1000Z
from peakwhite.drivers.rigol_preamble import read_preamble
from peakwhite.drivers.waiting import Clock

Script = Callable[[Sequence[tuple[str, str | bytes | None]]], Link]
Step = tuple[str, str | bytes | None]

IDENTITY = Identity("PEAKWHITE,SIM-PREAMBLE,SIM000001,1.0")
TWO_CHANNELS = Identity("RIGOL TECHNOLOGIES,DS1102Z-E,DS1ZE000000000,00.06.02")
PREAMBLE = "0,2,6000,1,1.000000e-07,-3.000000e-04,0,8.000000e-03,-50,127"


def plan(points: int = 5000) -> Plan:
    return Plan(
        channels=(ChannelPlan("CH1", 0.2, 0.4),),
        trigger_channel="CH1",
        trigger_level_v=-0.15,
        span_s=500e-6,
        points=points,
    )


class FakeTime:
    """A clock that only sleeping moves."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.clock = Clock(now=lambda: self.now_s, sleep=self.sleep)

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


# Published worked examples of the programming guides, figures as in them.
def test_the_guides_preamble_of_6_m_points_gives_its_volts_and_seconds() -> None:
    read = read_preamble("0,2,6000000,1,1.000000e-09,-3.000000e-03,0,4.132813e-01,0,122", where="scope")
    assert 142 * read.volts_per_code + read.volts_at_code_zero == pytest.approx(8.2656, abs=1e-4)
    assert read.first_sample_s == pytest.approx(-3e-3)
    assert read.first_sample_s + 5_999_999 * read.seconds_per_sample == pytest.approx(2.999999e-3)


def test_a_preamble_whose_time_step_was_printed_as_zero_takes_the_sample_rate() -> None:
    text = "0,2,600,2,0.000000,-0.000006,0,0.008000,50,127"
    read = read_preamble(text, where="scope", seconds_per_sample=2e-8)
    assert 200 * read.volts_per_code + read.volts_at_code_zero == pytest.approx(0.184)
    assert read.seconds_per_sample == 2e-8


def test_fields_printed_as_floats_are_read() -> None:
    read = read_preamble("0,0,1000,1,1.000000E-8,-5.000000E-6,0.000000E-12,4.000000E-03,0,128", where="scope")
    assert 142 * read.volts_per_code + read.volts_at_code_zero == pytest.approx(0.056)
    assert read.first_sample_s + 999 * read.seconds_per_sample == pytest.approx(4.99e-6)


@pytest.mark.parametrize(
    "text", ["", "1,2,3", PREAMBLE + ",0", PREAMBLE.replace("8.000000e-03", "0"), PREAMBLE.replace("127", "****")]
)
def test_a_spoilt_preamble_is_a_typed_error(text: str) -> None:
    with pytest.raises(ReplyError):
        read_preamble(text, where="scope")


def configuration(
    *,
    depth: int = 12_000,
    depth_reply: str = "12000",
    rate_reply: str = "1.0E7",
    errors: Sequence[str] = ('0,"No error"',),
) -> list[Step]:
    written = [
        "*CLS", ":RUN", ":CHAN1:DISP 1", ":CHAN1:COUP DC", ":CHAN1:INV 0", ":CHAN1:BWL 20M", ":CHAN1:SCAL 0.2", ":CHAN1:OFFS -0.4", ":CHAN2:DISP 0",
        ":TIM:MODE MAIN", ":TIM:SCAL 5e-05", ":TIM:OFFS 0", ":ACQ:TYPE NORM", f":ACQ:MDEP {depth}", ":TRIG:MODE EDGE",
        ":TRIG:EDG:SOUR CHAN1", ":TRIG:EDG:SLOP NEG", ":TRIG:EDG:LEV -0.15", ":TRIG:COUP DC", ":TRIG:SWE NORM",
        ":WAV:MODE RAW", ":WAV:FORM BYTE",
    ]  # fmt: skip
    read: list[Step] = [(":SYST:ERR?", error) for error in errors]
    return [*((message, None) for message in written), *read, (":ACQ:MDEP?", depth_reply), (":ACQ:SRAT?", rate_reply)]


def fetching(start: int, stop: int, block: bytes) -> list[Step]:
    return [(f":WAV:STAR {start}", None), (f":WAV:STOP {stop}", None), (":WAV:DATA?", block)]


HEAD: list[Step] = [(":WAV:SOUR CHAN1", None), (":WAV:PRE?", PREAMBLE)]


def test_a_record_is_fetched_with_its_own_preamble(script: Script) -> None:
    codes = bytes(range(240)) * 50
    driver = Rigol1000Z(script([*configuration(), *HEAD, *fetching(1, 12_000, codes)]), TWO_CHANNELS, Clock())
    driver.configure(plan())
    record = driver.fetch(("CH1",))
    channel = record.channels[0]
    assert channel.codes.tobytes() == codes
    assert 77 * channel.volts_per_code + channel.volts_at_code_zero == pytest.approx(0.0)
    assert (channel.low_rail_code, channel.high_rail_code) == (0, 255)
    assert channel.full_scale_v == pytest.approx(1.6)
    assert record.first_sample_s == pytest.approx(-300e-6)


def test_automatic_memory_is_reckoned_from_rate_and_time_base(script: Script) -> None:
    driver = Rigol1000Z(
        script([*configuration(depth_reply="AUTO"), *HEAD, *fetching(1, 6000, bytes(6000))]), TWO_CHANNELS, Clock()
    )
    driver.configure(plan())
    assert driver.fetch(("CH1",)).channels[0].codes.size == 6000


def test_a_long_record_is_fetched_in_chunks(script: Script) -> None:
    chunks = [*fetching(1, 250_000, b"\x01" * 250_000), *fetching(250_001, 400_000, b"\x02" * 150_000)]
    steps = [*configuration(depth=1_200_000, depth_reply="4.0E5"), *HEAD, *chunks]
    driver = Rigol1000Z(script(steps), TWO_CHANNELS, Clock())
    driver.configure(plan(points=300_000))
    codes = driver.fetch(("CH1",)).channels[0].codes
    assert np.unique(codes, return_counts=True)[1].tolist() == [250_000, 150_000]


def test_a_block_of_another_length_than_asked_for_is_an_error(script: Script) -> None:
    driver = Rigol1000Z(script([*configuration(), *HEAD, *fetching(1, 12_000, bytes(11_999))]), TWO_CHANNELS, Clock())
    driver.configure(plan())
    with pytest.raises(ReplyError, match="11999 bytes where 12000"):
        driver.fetch(("CH1",))


def test_every_error_of_the_queue_is_read_and_raised(script: Script) -> None:
    errors = ('-222,"Data out of range"', '-113,"Undefined header"', '0,"No error"')
    driver = Rigol1000Z(script(configuration(errors=errors)[:-2]), TWO_CHANNELS, Clock())
    with pytest.raises(InstrumentRejected, match="Data out of range.*Undefined header"):
        driver.configure(plan())


def test_a_queue_that_never_empties_is_read_twenty_times_at_most(script: Script) -> None:
    driver = Rigol1000Z(script(configuration(errors=['-350,"Queue overflow"'] * 20)[:-2]), TWO_CHANNELS, Clock())
    with pytest.raises(InstrumentRejected, match="Queue overflow"):
        driver.configure(plan())


@pytest.mark.parametrize("depth", ["12000", "1"])
@pytest.mark.parametrize("rate", ["1E-30", "5e-324", "0", "-1", "9"])
def test_a_rate_at_which_the_record_would_not_end_is_refused_before_it_is_waited_for(
    script: Script, rate: str, depth: str
) -> None:
    driver = Rigol1000Z(script(configuration(depth_reply=depth, rate_reply=rate)), TWO_CHANNELS, Clock())
    with pytest.raises(ReplyError, match="sample rate|lasts"):
        driver.configure(plan())


@pytest.mark.parametrize("set_up_before", [False, True])
def test_a_capture_after_a_set_up_that_failed_has_no_length_and_is_an_error(
    script: Script, set_up_before: bool
) -> None:
    rejected = configuration(errors=('-222,"Data out of range"', '0,"No error"'))[:-2]
    driver = Rigol1000Z(script([*(configuration() * set_up_before), *rejected, *HEAD]), TWO_CHANNELS, Clock())
    if set_up_before:
        driver.configure(plan())
    with pytest.raises(InstrumentRejected):
        driver.configure(plan())
    with pytest.raises(ReplyError, match="length of its record is not known"):
        driver.fetch(("CH1",))


@pytest.mark.parametrize(("channels", "depth"), [(1, 12_000), (2, 60_000), (3, 30_000), (4, 30_000)])
def test_memory_is_the_smallest_that_holds_12_k_points_for_the_channels_on(channels: int, depth: int) -> None:
    from peakwhite.drivers.rigol_1000z import _depth

    assert _depth(12_000, channels) == depth


def test_the_stop_of_the_capture_before_is_not_believed(script: Script) -> None:
    time = FakeTime()
    polls: list[Step] = [(":TRIG:STAT?", "STOP")] * 3
    link = script([(":SING", None), *polls, (":TRIG:STAT?", "WAIT"), (":TRIG:STAT?", "TD"), (":TRIG:STAT?", "STOP")])
    assert Rigol1000Z(link, IDENTITY, time.clock).acquire(0.15)
    assert time.now_s < 0.1


def test_a_stop_without_another_state_is_believed_after_300_ms(script: Script) -> None:
    time = FakeTime()
    driver = Rigol1000Z(script([(":SING", None), *([(":TRIG:STAT?", "STOP")] * 61)]), IDENTITY, time.clock)
    assert driver.acquire(0.15)
    assert time.now_s == pytest.approx(0.3)


def test_without_a_trigger_the_wait_ends_and_the_capture_can_be_forced(script: Script) -> None:
    steps: list[Step] = [
        (":SING", None),
        *([(":TRIG:STAT?", "WAIT")] * 5),
        (":TFOR", None),
        (":TRIG:STAT?", "TD"),
        (":TRIG:STAT?", "STOP"),
    ]
    driver = Rigol1000Z(script(steps), IDENTITY, FakeTime().clock)
    assert not driver.acquire(0.02)
    assert driver.force(0.1)


def test_a_scope_that_cannot_be_forced_ends_the_wait_too(script: Script) -> None:
    steps: list[Step] = [(":TFOR", None), *([(":TRIG:STAT?", "WAIT")] * 5)]
    assert not Rigol1000Z(script(steps), IDENTITY, FakeTime().clock).force(0.02)


def test_release_lets_it_run_freely(script: Script) -> None:
    Rigol1000Z(script([(":TRIG:SWE AUTO", None), (":RUN", None)]), IDENTITY, Clock()).release()
