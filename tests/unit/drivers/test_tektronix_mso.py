"""MSO, DPO and MDO: published preambles, the messages in which they differ from older series, and a set-up in their own terms."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest

from family_rig import LEVELS, Rig, SimulatedScope
from peakwhite.drivers.errors import InstrumentRejected, ReplyError
from peakwhite.drivers.family import ChannelPlan, Plan
from peakwhite.drivers.identity import Identity
from peakwhite.drivers.links import Link
from peakwhite.drivers.tektronix_mso import TEKTRONIX_MSO, TektronixMso, abilities_of
from peakwhite.drivers.tektronix_preamble import read_preamble
from peakwhite.drivers.waiting import Clock

Step = tuple[str, str | bytes | None]
Script = Callable[[Sequence[Step]], Link]

TWO_CHANNELS = Identity("TEKTRONIX,DPO4032,C000000,CF:91.1CT FV:v2.68")
PLAN = Plan((ChannelPlan("CH1", 0.2, 0.35),), "CH1", -0.15, span_s=500e-6, points=5000)
PREAMBLE = (
    ':WFMOUTPRE:BYT_NR 2;BIT_NR 16;ENCDG BIN;BN_FMT RP;BYT_OR LSB;WFID "Ch1; DC";NR_PT 10000;PT_FMT Y;XUNIT "s"'
    ';XINCR 1.0E-7;XZERO 2.0E-9;PT_OFF 5000;YUNIT "V";YMULT 3.125E-5;YOFF 32768;YZERO 0.35'
)


def configuration(*, length: str = "10000", scale: str = "1.0E-4") -> list[Step]:
    return [
        ("*CLS;:HEAD OFF;:VERB ON;:ACQ:STATE STOP;MODE SAM", None),
        (":HOR:RECO 10000", None),
        (":HOR:RECO?", length),
        ("*CLS;*ESR?", "0"),
        (":SEL:CH1 ON;:CH1:TER 1E6;COUP DC;INV OFF;BAN TWE;SCA 0.2;POS 0;OFFS 0.35;*ESR?", "0"),
        (":SEL:CH2 OFF;*ESR?", "0"),
        (":HOR:SCA 0.0001;POS 50;*ESR?", "0"),
        (":TRIG:A:TYP EDGE;MOD NORM;:TRIG:A:EDGE:SOU CH1;SLO FALL;COUP DC;:TRIG:A:LEV:CH1 -0.15;*ESR?", "0"),
        (f":DAT:STAR 1;STOP {length};ENC SRP;WID 2;*ESR?", "0"),
        (":HOR:SCA?", scale),
    ]


def test_fields_in_another_order_give_the_published_volts_and_seconds() -> None:
    """The 16-bit example of the TDS5000B programmer manual: code 6400 is 0.2 V, the first sample is at -50 us."""
    read = read_preamble(
        ':WFMOUTPRE:BYT_NR 2;BIT_NR 16;WFID "Ch1";NR_PT 1000;PT_FMT Y;XUNIT "s";XINCR 80.0000E-9;XZERO 0.0000'
        ';PT_OFF 625;YUNIT "V";YMULT 31.2500E-6;YOFF 0.0000;YZERO 0.0000',
        where="scope",
    )
    assert 6400 * read.volts_per_code + read.volts_at_code_zero == pytest.approx(0.2)
    assert read.first_sample_s == pytest.approx(-50e-6)


def test_a_record_is_fetched_with_the_offset_in_volts_and_the_trigger_within_it(script: Script) -> None:
    codes = (np.arange(10_000) % 4096 * 16).astype("<u2")
    fetch: list[Step] = [
        (":DAT:SOU CH1;:HEAD ON;:WFMO?;*ESR?", f"{PREAMBLE};0"),
        (":HEAD OFF;:CURV?", codes.tobytes()),
    ]
    driver = TektronixMso(script([*configuration(), *fetch]), TWO_CHANNELS, Clock())
    driver.configure(PLAN)
    record = driver.fetch(("CH1",))
    channel = record.channels[0]
    assert 32768 * channel.volts_per_code + channel.volts_at_code_zero == pytest.approx(0.35)
    assert (channel.code_step, channel.low_rail_code, channel.high_rail_code) == (16, 0, 65520)
    assert record.first_sample_s == pytest.approx(2e-9 - 5000 * 1e-7)


def test_a_screen_that_became_shorter_than_was_set_is_an_error(script: Script) -> None:
    driver = TektronixMso(script(configuration(scale="4.0E-5")), TWO_CHANNELS, Clock())
    with pytest.raises(ReplyError, match="a screen of 0.0004 s where 0.0005 s"):
        driver.configure(PLAN)


def test_a_record_length_that_was_not_taken_is_that_which_is_fetched(script: Script) -> None:
    driver = TektronixMso(script(configuration(length="2000")), TWO_CHANNELS, Clock())
    driver.configure(PLAN)


def test_a_refused_setting_is_raised_in_the_instruments_own_words(script: Script) -> None:
    steps = configuration()[:5]
    steps[-1] = (steps[-1][0], "32")
    with pytest.raises(InstrumentRejected, match="Undefined header"):
        TektronixMso(script([*steps, ("ALLEV?", '113,"Undefined header; CH1:TER"')]), TWO_CHANNELS, Clock()).configure(
            PLAN
        )


@pytest.mark.parametrize(
    ("model", "bits", "channels"),
    [("MSO54", 12, 4), ("MSO58B", 12, 8), ("MSO46", 12, 6), ("MDO34", 8, 4), ("MSO24", 8, 4), ("DPO72004C", 8, 4)]
    + [("MSO4104", 8, 4), ("MSO2012B", 8, 2)],
)
def test_bits_and_channels_are_those_of_the_model(model: str, bits: int, channels: int) -> None:
    abilities = abilities_of(Identity(f"TEKTRONIX,{model},C000000,CF:91.1CT FV:1.28"))
    assert (abilities.bits, abilities.channels, abilities.fifty_ohm_input) == (bits, channels, True)


def test_release_lets_it_run_freely(script: Script) -> None:
    link = script([(":HEAD OFF;:TRIG:A:MOD AUTO;:ACQ:STOPA RUNST;STATE RUN;:UNL ALL", None)])
    TektronixMso(link, TWO_CHANNELS, Clock()).release()


# ------------------------------------------------------------------ a set-up in its own terms


@pytest.fixture(scope="module")
def outgoing() -> Iterator[SimulatedScope]:
    scope = SimulatedScope("outgoing")
    yield scope
    scope.end()


@pytest.fixture
def rig(outgoing: SimulatedScope) -> Iterator[Rig]:
    made = Rig(TEKTRONIX_MSO, outgoing)
    yield made
    made.end()


def test_gain_position_hertz_and_the_sources_level_are_understood(rig: Rig) -> None:
    rig.link.write(
        ":HEAD OFF;:CH2:PRO:GAIN 0.1;:CH2:SCA 2;OFFS 3;POS -1;BAN 20E6;:CH3:BAN FUL;:CH4:BAN 250E6;:CH1:BAN TWE"
    )
    rig.link.write(":TRIG:A:LEV:CH2 0.4;:TRIG:A:LEV:CH3 0.7;:TRIG:A:EDGE:SOU CH3;SLO FALL")
    setup = rig.driver.read_setup()
    second = setup.channels[1]
    assert (second.probe_ratio, second.volts_per_div) == pytest.approx((10.0, 2.0))
    assert second.centre_v == pytest.approx(3.0 + 1 * 2.0)
    assert [channel.limiter for channel in setup.channels] == [True, True, False, False]
    assert setup.trigger_source == "CH3"
    assert setup.trigger_level_v == pytest.approx(0.7)


def test_position_and_offset_of_the_user_are_both_given_back(rig: Rig) -> None:
    rig.link.write(":HEAD OFF;:CH1:PRO:GAIN 0.1;:CH1:SCA 5;OFFS 3;POS -1.5;:HOR:POS 20;:TRIG:A:LEV:CH2 0.4")
    users = rig.driver.read_setup()
    rig.driver.configure(LEVELS)
    rig.driver.restore(users)
    assert rig.link.query(":CH1:PRO:GAIN?;:CH1:SCA?;OFFS?;POS?;:HOR:POS?;:TRIG:A:LEV:CH2?") == (
        "1.0E-1;5.0E0;3.0E0;-1.5E0;2.0E1;4.0E-1"
    )
    assert rig.connect().read_setup() == users


def test_a_user_who_moved_trace_and_trigger_is_read_with_the_right_volts_and_seconds(rig: Rig) -> None:
    rig.scope.tell(front={"noise_mv_rms": 0})
    rig.driver.configure(replace(LEVELS, channels=(ChannelPlan("CH1", 0.2, 0.35), *LEVELS.channels[1:])))
    plain = rig.caught_with_white("CH1").channels[0]
    rig.link.write(":CH1:OFFS 0.1;POS -1;:HOR:POS 10")
    rig.driver.read_setup()
    moved = rig.caught_with_white("CH1")
    tops = [
        float(np.percentile(one.codes, 99)) * one.volts_per_code + one.volts_at_code_zero
        for one in (plain, moved.channels[0])
    ]
    assert tops[1] == pytest.approx(tops[0], abs=2e-3)
    assert moved.first_sample_s == pytest.approx(-0.1 * moved.seconds_per_sample * moved.channels[0].codes.size)


def test_a_probe_without_gain_is_an_error(script: Script) -> None:
    tree = TektronixMso.tree
    kept = {header: "1" for header in (*tree.headers_of(1), *tree.headers_of(2), *tree.scope.values())}
    kept[":CH2:PRO:GAIN"] = "0.0"
    chained = [";".join(kept[header] for header in headers) for headers in tree.groups(2)]
    asked = [";".join(f"{header}?" for header in headers) for headers in tree.groups(2)]
    steps: list[Step] = [(":HEAD OFF;:VERB ON", None), (":ACQ:STATE?", "1"), *zip(asked, chained, strict=True)]
    steps.append(("*IDN?", TWO_CHANNELS.text))
    with pytest.raises(ReplyError, match="a probe of gain 0"):
        TektronixMso(script(steps), TWO_CHANNELS, Clock()).read_setup()
