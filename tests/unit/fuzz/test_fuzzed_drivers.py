"""Drivers against an instrument that answers anything: values or typed errors, never a hang, never more than was asked for."""

import itertools
import re
from contextlib import nullcontext, suppress

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from fuzzing import WHERE, binary_preamble
from peakwhite.drivers.errors import InstrumentError
from peakwhite.drivers.families import FAMILIES
from peakwhite.drivers.family import ChannelPlan, Family, Plan
from peakwhite.drivers.identity import Identity
from peakwhite.drivers.records import MOST_POINTS, Record
from peakwhite.drivers.waiting import Clock

MOST_MESSAGES = 3_000
PATIENCE_S = 60.0
IDENTITY = "X,X2024,X,X"
PLAN = Plan((ChannelPlan("CH1", 0.2, 0.3), ChannelPlan("CH2", 0.1, 0.0)), "CH1", 0.1, 500e-6, 12_000)
HONEST: dict[str, dict[str, str]] = {
    "keysight-infiniivision": {
        r":WAV:PRE\?": "0,0,20000,1,2.5e-8,-2.5e-4,0,8e-3,0.3,128", r":OPER:COND\?": "0", r":TER\?": "1",
        r":TIM:SCAL\?": "5E-5", r":SYST:ERR\?": '0,"No error"', r".*": "1",
    },
    "rohde-schwarz-rtb": {
        r".*HEAD\?": "-2.5E-4,2.5E-4,20000,1", r".*XINC\?": "3E-8", r".*XOR\?": "-3E-4", r".*YINC\?": "3E-5", r".*YOR\?": "-1",
        r".*POIN\?": "20000", r".*ACQT\?": "6E-4", r":FORM:BORD\?": "LSBF", r":ACQ:STAT\?": "COMP",
        r":TIM:SCAL\?": "5E-5", r".*LEV\d\?": "0.1", r":SYST:ERR\?": '0,"No error"', r".*": "1",
    },
    "rigol-1000z": {
        r":WAV:PRE\?": "0,2,6000,1,1e-9,-3e-3,0,4e-3,0,127", r":ACQ:MDEP\?": "6000", r":ACQ:SRAT\?": "1.2E7",
        r":SYST:ERR\?": '0,"No error"', r":TRIG:STAT\?": "STOP", r".*": "1",
    },
    "rigol-dho": {
        r":WAV:PRE\?": "1,2,10000,1,5E-8,-2.5E-4,0.000000E-12,2.6E-5,0,32768", r":ACQ:MDEP\?": "1.000E+4",
        r":ACQ:SRAT\?": "2.0E7", r":SYST:ERR\?": '0,"No error"', r":TRIG:STAT\?": "STOP", r".*": "1",
    },
    "rigol-mso5000": {
        r":WAV:PRE\?": "0,2,10000,1,5E-8,-2.5E-4,0,4e-3,0,128", r":ACQ:MDEP\?": "1.000E+4",
        r":ACQ:SRAT\?": "2.0E7", r":SYST:ERR\?": '0,"No error"', r":TRIG:STAT\?": "STOP", r".*": "1",
    },
    "tektronix-mso": {
        r".*WFMO\?": ":WFMOUTPRE:BYT_NR 2;NR_PT 10000;PT_FMT Y;XINCR 8E-8;XZERO 0;PT_OFF 5;YMULT 3E-5;YOFF 0;YZERO 0.3",
        r".*RECO.*": "10000", r".*ESR\?": "0", r".*STATE\?": "0", r".*BAN\?": "20.0E+6", r".*": "1",
    },
    "tektronix-tds": {
        r".*WFMP\?": ":WFMPRE:BYT_NR 2;BIT_NR 16;NR_PT 2500;PT_FMT Y;XINCR 2E-7;PT_OFF 0;XZERO 0;YMULT 3E-5;YZERO 0;YOFF 0",
        r".*RECO.*": "2500", r".*ESR\?": "0", r".*STATE\?": "0", r".*": "1",
    },
    "siglent-1000xe": {
        r"C1:VDIV\?": "2.00E-01", r"C2:VDIV\?": "1.00E-01V", r"C1:OFST\?": "-3.00E-01", r"C2:OFST\?": "C2:OFST 0.00E+00V",
        r"TDIV\?": "5.00E-05", r"TRDL\?": "0.00E+00S", r"SANU\? C1": "7.00E+04", r"SARA\?": "100.00MSa/s", r"INR\?": "8193",
        r"SAST\?": "Stop", r"TRMD\?": "NORM", r"TRSE\?": "EDGE,SR,C1,HT,OFF", r"C1:TRLV\?": "1.00E-01", r"C.:TRSL\?": "NEG",
        r"C.:TRCP\?": "DC", r"C[12]:TRA\?": "ON", r"C[34]:TRA\?": "OFF", r"C.:CPL\?": "D1M", r"C.:INVS\?": "OFF",
        r"C.:BWL\?": "ON", r"ACQW\?": "SAMPLING", r".*": "1",
    },
    "siglent-2000xplus": {
        r":CHAN1:SCAL\?": "2.00E-01", r":CHAN2:SCAL\?": "1.00E-01", r":CHAN1:OFFS\?": "-3.00E-01", r":CHAN2:OFFS\?": "0",
        r":TIM:SCAL\?": "5.00E-05", r":TIM:DEL\?": "0", r":ACQ:POIN\?": "1.00E+05", r":ACQ:SRAT\?": "2.00E+08",
        r":TRIG:STAT\?": "Stop", r":TRIG:MODE\?": "NORMal", r":TRIG:TYPE\?": "EDGE", r":TRIG:EDGE:SOUR\?": "C1",
        r":TRIG:EDGE:SLOP\?": "FALLing", r":TRIG:EDGE:LEV\?": "1.00E-01", r":WAV:MAXP\?": "50000",
        r":CHAN[12]:SWIT\?": "ON", r":CHAN.:(SWIT|INV)\?": "OFF", r":CHAN.:BWL\?": "20M", r":ACQ:TYPE\?": "NORMal",
        r".*COUP\?": "DC", r".*": "1",
    },
}  # fmt: skip
BLOCKS = {":WAV:PRE?": binary_preamble()}
"""Blocks that are not samples."""
ODD = st.sampled_from((
    "", "0", "-1", "9.9E37", "1E-30", "5e-324", "1e30", "9.8e37", "nan", "****", '0,"No error"', '-113,"Undefined header"',
    "STOP", "WAIT", "TD", "RUN", "AUTO", "1;2;3", "CH1", "20µs", "x" * 70_000, "-0", ";" * 50, '"', "\x00", "12000", "2.5E3",
)) | st.text(st.characters(codec="latin-1"), max_size=20)  # fmt: skip
LIES = st.dictionaries(st.integers(0, 120), ODD, max_size=4)
ALWAYS = st.none() | st.integers(0, max(map(len, HONEST.values())) - 1)


class Hang(AssertionError):
    """It asks for ever."""


class LyingLink:
    """Answers honestly, but for the queries whose numbers are in `lies`, and for one query that is lied to always."""

    resource, dirty = WHERE, False

    def __init__(self, honest: dict[str, str], lies: dict[int, str], always: tuple[str, str] | None) -> None:
        self._honest, self._lies, self._always = honest, lies, always
        self._queries = itertools.count()
        self._messages = 0

    def write(self, command: str) -> None:
        command.encode("ascii")
        self._messages += 1
        if self._messages > MOST_MESSAGES:
            raise Hang

    def query(self, command: str) -> str:
        self.write(command)
        return ";".join(self._answer(part) for part in command.split(";") if "?" in part)

    def _answer(self, query: str) -> str:
        number = next(self._queries)
        honest = {r"\*IDN\?": IDENTITY} | self._honest
        pattern, answer = next((one, text) for one, text in honest.items() if re.fullmatch(one, query))
        if self._always and self._always[0] == pattern:
            return self._always[1]
        return self._lies.get(number, answer)

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        self.write(command)
        assert limit_bytes <= 2 * MOST_POINTS + 64
        answer = self._lies.get(next(self._queries))
        if command in BLOCKS:
            honest = BLOCKS[command]
            return memoryview(honest if answer is None else honest[: -len(answer)] + answer.encode("utf-8"))[
                :limit_bytes
            ]
        slack = 64 if answer is None else len(answer)
        return memoryview(b"\x40" * max(min(limit_bytes, 2_000_000) - slack, 0))

    def clear(self) -> None:
        raise AssertionError("no driver clears its link")

    def close(self) -> None:
        raise AssertionError("no driver closes its link")


def clock() -> Clock:
    """Time that passes when it is asked for and when somebody sleeps."""
    now_s = [0.0]

    def now() -> float:
        now_s[0] += 1e-3
        if now_s[0] > PATIENCE_S:
            raise Hang
        return now_s[0]

    def sleep(seconds: float) -> None:
        now_s[0] += seconds

    return Clock(now, sleep)


def converse(family: Family, link: LyingLink, *, hands_off: bool, goes_on: bool) -> Record:
    """Everything that is done with a driver. `goes_on`: even after a set-up that failed."""
    driver = family.driver(link, Identity(IDENTITY), clock())
    setup = driver.read_setup()
    if not hands_off:
        with suppress(InstrumentError) if goes_on else nullcontext():
            driver.configure(PLAN)
        if not driver.acquire(0.1):
            driver.force(0.1)
    record = driver.fetch(["CH1", "CH2"])
    driver.restore(setup)
    return record


@pytest.mark.parametrize("hands_off", [False, True])
@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)
def test_honest_answers_end_in_a_record(family: Family, hands_off: bool) -> None:
    record = converse(family, LyingLink(HONEST[family.name], {}, None), hands_off=hands_off, goes_on=False)
    assert [one.name for one in record.channels] == ["CH1", "CH2"]


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)
@settings(max_examples=150, deadline=None, derandomize=True)
@given(lies=LIES, always=ALWAYS, said=ODD, hands_off=st.booleans(), goes_on=st.booleans())
@example(lies={}, always=2, said="1E-30", hands_off=False, goes_on=False)  # a rate at which the record never ends
@example(lies={5: "é"}, always=None, said="", hands_off=True, goes_on=False)  # a setting that cannot be given back
@example(lies={}, always=3, said="", hands_off=False, goes_on=True)  # a set-up that fails
def test_any_answer_ends_in_a_record_or_a_typed_error(
    family: Family, lies: dict[int, str], always: int | None, said: str, hands_off: bool, goes_on: bool
) -> None:
    honest = HONEST[family.name]
    lied_to = None if always is None or always >= len(honest) else list(honest)[always]
    link = LyingLink(honest, lies, None if lied_to is None else (lied_to, said))
    try:
        record = converse(family, link, hands_off=hands_off, goes_on=goes_on)
    except InstrumentError as error:
        assert str(error).isprintable()
    else:
        sizes = {one.codes.size for one in record.channels}
        assert len(sizes) == 1
        assert min(sizes) > 0
