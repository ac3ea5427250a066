"""The DATa/CURVe driver: published preambles, and its conversation message by message."""

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from peakwhite.drivers.capture import ChannelRecord, Codes
from peakwhite.drivers.errors import InstrumentRejected, NoRecord, ReplyError
from peakwhite.drivers.family import ChannelPlan, Plan
from peakwhite.drivers.identity import Identity
from peakwhite.drivers.links import Link
from peakwhite.drivers.tektronix_preamble import read_preamble
from peakwhite.drivers.tektronix_tds import TektronixTds
from peakwhite.drivers.waiting import Clock

Script = Callable[[Sequence[tuple[str, str | bytes | None]]], Link]

IDENTITY = Identity("PEAKWHITE,SIM-CURVE,SIM000001,1.0")
TWO_CHANNELS = Identity("TEKTRONIX,TBS 1202B-EDU,C010396,CF:91.1CT FV:v4.0")
PLAN = Plan(
    channels=(ChannelPlan("CH1", 0.2, 0.4), ChannelPlan("CH2", 0.1, 0.0)),
    trigger_channel="CH2",
    trigger_level_v=-0.15,
    span_s=500e-6,
    points=12_000,
)


def preamble(points: int, *, width: int = 2, yoff: float = 0.0, ymult: float = 8e-3, xzero: float = -1e-3) -> str:
    layout = "BN_FMT RP;BYT_OR LSB" if width == 2 else "BN_FMT RI;BYT_OR MSB"
    return (
        f':WFMPRE:BYT_NR {width};BIT_NR {8 * width};ENCDG BIN;{layout};NR_PT {points};WFID "Ch1; DC";PT_FMT Y;'
        f'XINCR 2.0E-6;PT_OFF 0;XZERO {xzero};XUNIT "s";YMULT {ymult};YZERO 0.0E0;YOFF {yoff};YUNIT "Volts"'
    )


def told(fields: str) -> str:
    """A preamble, and an event status without an error."""
    return f"{fields};0"


class FakeTime:
    """A clock that only sleeping moves."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.clock = Clock(now=lambda: self.now_s, sleep=self.sleep)

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


def record_with(codes: bytes, text: str) -> ChannelRecord:
    """One channel decoded as the driver does it."""
    read = read_preamble(text, where="scope")
    return ChannelRecord("CH1", np.frombuffer(codes, np.int8), read.volts_per_code, read.volts_at_code_zero)


def volts(record: ChannelRecord) -> list[float]:
    return [float(code) * record.volts_per_code + record.volts_at_code_zero for code in record.codes]


# Published worked examples: programmer manuals and a record of an instrument, figures as in them.
def test_a_published_preamble_with_position_gives_its_published_volts() -> None:
    text = (
        ':WFMPRE:BYT_NR 1;BIT_NR 8;ENCDG BIN;BN_FMT RI;BYT_OR MSB;NR_PT 2500;WFID "Ch1, DC coupling, 1.0E-1 V/div, '
        '5.0E-3 s/div, 2500 points, Sample mode";PT_FMT Y;XINCR 2.0E-5;PT_OFF 0;XZERO -2.5E-2;XUNIT "s";YMULT 4.0E-3;'
        'YZERO 0.0E0;YOFF -3.0E1;YUNIT "V"'
    )
    assert volts(record_with(np.array([-30, 0], np.int8).tobytes(), text)) == pytest.approx([0.0, 0.12])
    assert read_preamble(text, where="scope").first_sample_s == pytest.approx(-25e-3)


def test_a_record_of_200_mv_a_division_gives_its_published_volts_and_seconds() -> None:
    """A record of a TDS 2024C; its sixteen values, sent with headers off, stand here under the manual's names."""
    text = (
        ':WFMPRE:BYT_NR 1;BIT_NR 8;ENCDG BIN;BN_FMT RI;BYT_OR MSB;NR_PT 2500;WFID "Ch1, DC coupling, 2.0E-1 V/div, '
        '5.0E-7 s/div, 2500 points, Sample mode";PT_FMT Y;XINCR 2.0E-9;PT_OFF 0;XZERO -2.5E-6;XUNIT "s";YMULT 8.0E-3;'
        'YZERO 0.0E0;YOFF 5.0E1;YUNIT "Volts"'
    )
    assert volts(record_with(np.array([50, 81, 19], np.int8).tobytes(), text)) == pytest.approx([0.0, 0.248, -0.248])
    read = read_preamble(text, where="scope")
    assert read.first_sample_s == pytest.approx(-2.5e-6)
    assert read.first_sample_s + 2499 * read.seconds_per_sample == pytest.approx(2.498e-6)


def test_fields_in_another_order_and_16_bits_give_their_published_volts() -> None:
    text = (
        ':WFMPRE:BYT_NR 2;BIT_NR 16;NR_PT 1000;PT_FMT Y;XUNIT "s";XINCR 80.0000E-9;XZERO 0.0000;PT_OFF 625;'
        'YUNIT "V";YMULT 31.2500E-6;YOFF 0.0000;YZERO 0.0000'
    )
    read = read_preamble(text, where="scope")
    assert 6400 * read.volts_per_code + read.volts_at_code_zero == pytest.approx(0.2)
    assert read.first_sample_s == pytest.approx(-50e-6)


@pytest.mark.parametrize(
    ("spoilt", "says"),
    [
        (preamble(10, ymult=0.0), "0 volts a code"),
        (preamble(10).replace("PT_FMT Y", "PT_FMT ENV"), "extremes"),
        (preamble(10).replace("YMULT 0.008", "YMULT 9.9E37"), "not valid"),
        (preamble(10).replace("XINCR", "OTHER"), "lacks XINCR"),
        ("", "lacks"),
        ("HTTP/1.1 400 Bad Request", "lacks"),
    ],
)
def test_a_spoilt_preamble_is_a_typed_error(spoilt: str, says: str) -> None:
    with pytest.raises(ReplyError, match=says):
        read_preamble(spoilt, where="scope")


def configuration(record_length: int) -> list[tuple[str, str | bytes | None]]:
    return [
        ("*CLS;:HEAD OFF;:VERB ON;:ACQ:STATE STOP;MODE SAM", None),
        (":HOR:RECO 12000", None),
        (":HOR:RECO?", str(record_length)),
        ("*CLS;*ESR?", "0"),
        (":SEL:CH1 ON;:CH1:COUP DC;INV OFF;BAN ON;SCA 0.2;POS -2;*ESR?", "0"),
        (":SEL:CH2 ON;:CH2:COUP DC;INV OFF;BAN ON;SCA 0.1;POS 0;*ESR?", "0"),
        (":HOR:MAI:SCA 5e-05;POS 0;*ESR?", "0"),
        (":TRIG:MAI:TYP EDGE;MOD NORM;:TRIG:MAI:EDGE:SOU CH2;SLO FALL;COUP DC;:TRIG:MAI:LEV -0.15;*ESR?", "0"),
        (f":DAT:STAR 1;STOP {record_length};ENC SRP;WID 2;*ESR?", "0"),
    ]


def test_a_fixed_record_length_is_taken_as_it_is(script: Script) -> None:
    codes = np.full(2500, 0x8010, "<u2")
    link = script(
        [
            *configuration(2500),
            (":DAT:SOU CH1;:HEAD ON;:WFMP?;*ESR?", told(preamble(2500))),
            (":HEAD OFF;:CURV?", codes.tobytes()),
        ]
    )
    driver = TektronixTds(link, TWO_CHANNELS, Clock())
    driver.configure(PLAN)
    assert driver.fetch(("CH1",)).channels[0].codes.size == 2500


def test_a_refused_setting_is_raised_in_the_instruments_own_words(script: Script) -> None:
    script_to_refusal = configuration(2500)[:5]
    script_to_refusal[-1] = (script_to_refusal[-1][0], "16")
    link = script([*script_to_refusal, ("ALLEV?", '222,"Data out of range; 0.2"')])
    with pytest.raises(InstrumentRejected, match="Data out of range"):
        TektronixTds(link, TWO_CHANNELS, Clock()).configure(PLAN)


def test_power_on_and_completion_bits_are_no_refusal(script: Script) -> None:
    steps = configuration(2500)
    steps[3] = ("*CLS;*ESR?", "129")
    TektronixTds(script(steps), TWO_CHANNELS, Clock()).configure(PLAN)


def test_eight_bits_in_words_are_fetched_as_bytes_from_then_on(script: Script) -> None:
    words = (np.arange(2500) % 256 * 256).astype("<u2")
    signed = (np.arange(2500) % 256 - 128).astype(np.int8)
    link = script(
        [
            *configuration(2500),
            (":DAT:SOU CH1;:HEAD ON;:WFMP?;*ESR?", told(preamble(2500, ymult=8e-3 / 256, yoff=32768))),
            (":HEAD OFF;:CURV?", words.tobytes()),
            (":DAT:STAR 1;STOP 2500;ENC RIB;WID 1;*ESR?", "0"),
            (":DAT:SOU CH1;:HEAD ON;:WFMP?;*ESR?", told(preamble(2500, width=1))),
            (":HEAD OFF;:CURV?", signed.tobytes()),
        ]
    )
    driver = TektronixTds(link, TWO_CHANNELS, Clock())
    driver.configure(PLAN)
    wide, narrow = driver.fetch(("CH1",)).channels[0], driver.fetch(("CH1",)).channels[0]
    assert (wide.code_step, wide.low_rail_code, wide.high_rail_code) == (256, 0, 65280)
    assert (narrow.code_step, narrow.low_rail_code, narrow.high_rail_code) == (1, -128, 127)
    assert volts(wide) == pytest.approx(volts(narrow))
    assert wide.full_scale_v == pytest.approx(1.6)
    assert narrow.full_scale_v == pytest.approx(1.6)


def test_twelve_bits_stay_words_with_a_step_of_16(script: Script) -> None:
    quiet = np.full(2500, 0x8000, "<u2")
    busy = (np.arange(2500) % 4096 * 16).astype("<u2")
    fetches: list[tuple[str, str | bytes | None]] = [
        (":DAT:SOU CH1;:HEAD ON;:WFMP?;*ESR?", told(preamble(2500))),
        (":HEAD OFF;:CURV?", quiet.tobytes()),
        (":DAT:SOU CH2;:HEAD ON;:WFMP?;*ESR?", told(preamble(2500))),
        (":HEAD OFF;:CURV?", busy.tobytes()),
    ]
    driver = TektronixTds(script([*configuration(2500), *fetches, *fetches]), TWO_CHANNELS, Clock())
    driver.configure(PLAN)
    for _ in range(2):
        record = driver.fetch(("CH1", "CH2"))
        assert [channel.code_step for channel in record.channels] == [16, 16]
        assert record.channels[1].high_rail_code == 65520
        assert record.channels[0].codes.dtype == np.uint16


@pytest.mark.parametrize("size", [2499, 2501])
def test_a_block_of_another_length_than_the_preamble_says_is_an_error(script: Script, size: int) -> None:
    link = script(
        [
            *configuration(2500),
            (":DAT:SOU CH1;:HEAD ON;:WFMP?;*ESR?", told(preamble(2500))),
            (":HEAD OFF;:CURV?", np.zeros(size, "<u2").tobytes()),
        ]
    )
    driver = TektronixTds(link, TWO_CHANNELS, Clock())
    driver.configure(PLAN)
    with pytest.raises(ReplyError, match="where 5000 were meant"):
        driver.fetch(("CH1",))


def test_an_odd_count_of_bytes_is_no_record_of_words(script: Script) -> None:
    link = script(
        [
            *configuration(2500),
            (":DAT:SOU CH1;:HEAD ON;:WFMP?;*ESR?", told(preamble(2500))),
            (":HEAD OFF;:CURV?", bytes(4999)),
        ]
    )
    driver = TektronixTds(link, TWO_CHANNELS, Clock())
    driver.configure(PLAN)
    with pytest.raises(ReplyError, match="4999 bytes"):
        driver.fetch(("CH1",))


def test_channels_of_two_time_axes_are_an_error(script: Script) -> None:
    codes = np.zeros(2500, "<u2").tobytes()
    link = script(
        [
            *configuration(2500),
            (":DAT:SOU CH1;:HEAD ON;:WFMP?;*ESR?", told(preamble(2500))),
            (":HEAD OFF;:CURV?", codes),
            (":DAT:SOU CH2;:HEAD ON;:WFMP?;*ESR?", told(preamble(2500, xzero=-2e-3))),
            (":HEAD OFF;:CURV?", codes),
        ]
    )
    driver = TektronixTds(link, TWO_CHANNELS, Clock())
    driver.configure(PLAN)
    with pytest.raises(ReplyError, match="one time axis"):
        driver.fetch(("CH1", "CH2"))


def test_a_capture_is_complete_when_the_acquisition_has_stopped(script: Script) -> None:
    link = script([(":ACQ:STOPA SEQ;STATE RUN;STATE?", "1"), (":ACQ:STATE?", "1"), (":ACQ:STATE?", "0")])
    assert TektronixTds(link, IDENTITY, FakeTime().clock).acquire(1.0)


def test_without_a_trigger_the_wait_ends_and_the_capture_can_be_forced(script: Script) -> None:
    waiting: list[tuple[str, str | bytes | None]] = [(":ACQ:STATE?", "1")] * 4
    link = script(
        [
            (":ACQ:STOPA SEQ;STATE RUN;STATE?", "1"),
            *waiting,
            (":TRIG FORC;:ACQ:STATE?", "1"),
            (":ACQ:STATE?", "0"),
        ]
    )
    driver = TektronixTds(link, IDENTITY, FakeTime().clock)
    assert not driver.acquire(0.006)
    assert driver.force(0.1)


def test_release_lets_it_run_freely(script: Script) -> None:
    link = script([(":HEAD OFF;:TRIG:MAI:MOD AUTO;:ACQ:STOPA RUNST;STATE RUN;:UNL ALL", None)])
    TektronixTds(link, IDENTITY, Clock()).release()


@pytest.mark.parametrize(
    ("first", "width"),
    [
        (np.full(2500, 0x8000), 2),
        (np.arange(2500) % 3 * 256 + 0x8000, 2),
        (np.arange(2500) % 200 * 256, 1),
    ],
    ids=["dead flat", "three states", "moving"],
)
def test_only_a_channel_that_moves_tells_that_there_are_no_more_than_8_bits(
    script: Script, first: Codes, width: int
) -> None:
    fetch = (":DAT:SOU CH1;:HEAD ON;:WFMP?;*ESR?", told(preamble(2500)))
    bytes_next: list[tuple[str, str | bytes | None]] = (
        [] if width == 2 else [(":DAT:STAR 1;STOP 2500;ENC RIB;WID 1;*ESR?", "0")]
    )
    link = script([*configuration(2500), fetch, (":HEAD OFF;:CURV?", first.astype("<u2").tobytes()), *bytes_next])
    driver = TektronixTds(link, TWO_CHANNELS, Clock())
    driver.configure(PLAN)
    assert driver.fetch(("CH1",)).channels[0].code_step == 256


def test_12_bits_that_were_seen_once_are_remembered_where_a_later_record_is_dead_flat(script: Script) -> None:
    fetch = (":DAT:SOU CH1;:HEAD ON;:WFMP?;*ESR?", told(preamble(2500)))
    moving, flat = (np.arange(2500) * 16 % 4096 + 0x8000).astype("<u2"), np.full(2500, 0x8000, "<u2")
    answers: list[tuple[str, str | bytes | None]] = [
        fetch,
        (":HEAD OFF;:CURV?", moving.tobytes()),
        fetch,
        (":HEAD OFF;:CURV?", flat.tobytes()),
    ]
    driver = TektronixTds(script([*configuration(2500), *answers]), TWO_CHANNELS, Clock())
    driver.configure(PLAN)
    assert [driver.fetch(("CH1",)).channels[0].code_step for _ in range(2)] == [16, 16]


def test_a_channel_that_has_no_record_is_said_to_have_none(script: Script) -> None:
    link = script([*configuration(2500), (":DAT:SOU CH2;:HEAD ON;:WFMP?;*ESR?", "16")])
    driver = TektronixTds(link, TWO_CHANNELS, Clock())
    driver.configure(PLAN)
    with pytest.raises(NoRecord, match="CH2 holds no record: it is off, or was switched on after Stop"):
        driver.fetch(("CH2",))
