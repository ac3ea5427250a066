"""DHO800/900 and MSO5000: published preambles, what goes before every read, and what they need besides the older series."""

import socket
import time
from collections.abc import Callable, Iterator, Sequence

import numpy as np
import pytest

from family_rig import LEVELS, SimulatedScope, SleepingTime, volts_of
from peakwhite.drivers.errors import ReplyError
from peakwhite.drivers.family import ChannelPlan, Plan
from peakwhite.drivers.identity import Identity
from peakwhite.drivers.links import Link, open_link
from peakwhite.drivers.opening import open_driver
from peakwhite.drivers.rigol import RigolDriver
from peakwhite.drivers.rigol_dho import RigolDho
from peakwhite.drivers.rigol_mso5000 import RigolMso5000
from peakwhite.drivers.rigol_preamble import read_preamble
from peakwhite.drivers.waiting import Clock

Step = tuple[str, str | bytes | None]
Script = Callable[[Sequence[Step]], Link]

DHO = Identity("RIGOL TECHNOLOGIES,DHO802,DHO8A0000,00.01.02")
MSO5000 = Identity("RIGOL TECHNOLOGIES,MSO5072,MS5A000000000,00.01.03.02.02")
PLAN = Plan((ChannelPlan("CH1", 0.2, 0.4),), "CH1", -0.15, span_s=500e-6, points=5000)


def volts(text: str, code: int) -> float:
    read = read_preamble(text, where="scope")
    return code * read.volts_per_code + read.volts_at_code_zero


# Worked example of the DHO800/DHO900 Programming Guide, April 2025 (:WAVeform:PREamble?, :WAVeform:DATA?).
GUIDE = "0,0,1000,1,1.000000E-8,-5.000000E-6,0.000000E-12,4.000000E-03,0,128"
# Test values of the pymeasure library for this series (its tests of instruments/rigol).
LIBRARY = "0,1,1000,1,4.0E-7,-2.0E-4,0,1.6E-3,-87,128"


@pytest.mark.parametrize(("text", "code", "volt"), [(GUIDE, 0x8E, 0.056), (LIBRARY, 41, 0.0), (LIBRARY, 141, 0.16)])
def test_published_preambles_give_their_published_volts(text: str, code: int, volt: float) -> None:
    assert volts(text, code) == pytest.approx(volt, abs=1e-12)


def test_the_guides_preamble_gives_its_seconds() -> None:
    read = read_preamble(GUIDE, where="scope")
    assert read.first_sample_s == pytest.approx(-5e-6)
    assert read.first_sample_s + 999 * read.seconds_per_sample == pytest.approx(4.99e-6)


# ------------------------------------------------------------------ the conversation


def configuration(form: str, depth: str, rate: str = "2.0E7") -> list[Step]:
    written = [
        "*CLS", ":RUN", ":CHAN1:DISP 1", ":CHAN1:COUP DC", ":CHAN1:INV 0", ":CHAN1:BWL 20M", ":CHAN1:SCAL 0.2", ":CHAN1:OFFS -0.4", ":CHAN2:DISP 0",
        ":TIM:MODE MAIN", ":TIM:SCAL 5e-05", ":TIM:OFFS 0", ":ACQ:TYPE NORM", ":ACQ:MDEP 10k", ":TRIG:MODE EDGE",
        ":TRIG:EDG:SOUR CHAN1", ":TRIG:EDG:SLOP NEG", ":TRIG:EDG:LEV -0.15", ":TRIG:COUP DC", ":TRIG:SWE NORM",
        ":WAV:MODE RAW", f":WAV:FORM {form}",
    ]  # fmt: skip
    answers: list[Step] = [(":SYST:ERR?", '0,"No error"'), (":ACQ:MDEP?", depth), (":ACQ:SRAT?", rate)]
    return [*((message, None) for message in written), *answers]


def fetching(form: str, preamble: str, *chunks: tuple[int, int, bytes]) -> list[Step]:
    reminders: list[Step] = [(":WAV:MODE RAW", None), (f":WAV:FORM {form}", None)]
    steps: list[Step] = [(":WAV:SOUR CHAN1", None), *reminders, (":WAV:PRE?", preamble)]
    for start, stop, block in chunks:
        steps += [*reminders, (f":WAV:STAR {start}", None), (f":WAV:STOP {stop}", None), (":WAV:DATA?", block)]
    return steps


WORDS = "1,2,10000,1,5.000000E-8,-2.500000E-4,0.000000E-12,2.666667E-5,-15000,32768"
BYTES = "0,2,10000,1,5.000000E-8,-2.500000E-4,0.000000E-12,8.000000E-3,-50,128"


def test_twelve_bits_are_fetched_as_words_with_mode_and_form_before_every_read(script: Script) -> None:
    codes = (np.arange(10_000) % 4096 * 16).astype("<u2")
    steps = [*configuration("WORD", "1.000E+4"), *fetching("WORD", WORDS, (1, 10_000, codes.tobytes()))]
    driver = RigolDho(script(steps), DHO, Clock())
    driver.configure(PLAN)
    channel = driver.fetch(("CH1",)).channels[0]
    assert np.array_equal(channel.codes, codes)
    assert (channel.code_step, channel.low_rail_code, channel.high_rail_code) == (16, 0, 65520)
    assert channel.full_scale_v == pytest.approx(1.6, rel=1e-6)
    assert (32768 - 15000) * channel.volts_per_code + channel.volts_at_code_zero == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("kind", "identity", "form", "preamble"), [(RigolDho, DHO, "WORD", BYTES), (RigolMso5000, MSO5000, "BYTE", WORDS)]
)
def test_a_preamble_of_the_form_before_is_an_error(
    script: Script, kind: type[RigolDriver], identity: Identity, form: str, preamble: str
) -> None:
    driver = kind(script([*configuration(form, "1.000E+4"), *fetching(form, preamble)]), identity, Clock())
    driver.configure(PLAN)
    with pytest.raises(ReplyError, match=f"{form} was set"):
        driver.fetch(("CH1",))


def test_a_long_record_of_words_comes_in_pieces_of_125_k(script: Script) -> None:
    first, second = np.full(125_000, 16, "<u2").tobytes(), np.full(75_000, 32, "<u2").tobytes()
    chunks = ((1, 125_000, first), (125_001, 200_000, second))
    steps = [*configuration("WORD", "2.000E+5", "4.0E8"), *fetching("WORD", WORDS, *chunks)]
    driver = RigolDho(script(steps), DHO, Clock())
    driver.configure(PLAN)
    codes = driver.fetch(("CH1",)).channels[0].codes
    assert np.unique(codes, return_counts=True)[1].tolist() == [125_000, 75_000]


def test_averaged_words_have_finer_steps(script: Script) -> None:
    codes = np.arange(10_000).astype("<u2")
    steps = [*configuration("WORD", "1.000E+4"), *fetching("WORD", WORDS, (1, 10_000, codes.tobytes()))]
    driver = RigolDho(script(steps), DHO, Clock())
    driver.configure(PLAN)
    assert driver.fetch(("CH1",)).channels[0].code_step == 1


def test_the_eight_bits_of_the_mso5000_are_fetched_as_bytes(script: Script) -> None:
    codes = bytes(range(250)) * 40
    steps = [*configuration("BYTE", "1.000E+4"), *fetching("BYTE", BYTES, (1, 10_000, codes))]
    driver = RigolMso5000(script(steps), MSO5000, Clock())
    driver.configure(PLAN)
    channel = driver.fetch(("CH1",)).channels[0]
    assert channel.codes.tobytes() == codes
    assert (channel.code_step, channel.low_rail_code, channel.high_rail_code) == (1, 0, 255)
    assert channel.full_scale_v == pytest.approx(1.6)


def test_automatic_memory_is_reckoned_from_rate_and_ten_divisions(script: Script) -> None:
    steps = [*configuration("BYTE", "AUTO"), *fetching("BYTE", BYTES, (1, 10_000, bytes(10_000)))]
    driver = RigolMso5000(script(steps), MSO5000, Clock())
    driver.configure(PLAN)
    assert driver.fetch(("CH1",)).channels[0].codes.size == 10_000


@pytest.mark.parametrize(("points", "depth"), [(1000, "1k"), (12_000, "100k"), (600_000, "1M"), (10**9, "10M")])
def test_memory_is_the_smallest_of_the_list_that_holds_the_points(script: Script, points: int, depth: str) -> None:
    assert RigolDho(script([]), DHO, Clock())._depth_for(points, 4) == depth


@pytest.mark.parametrize(("kind", "identity", "form"), [(RigolDho, DHO, "WORD"), (RigolMso5000, MSO5000, "BYTE")])
@pytest.mark.parametrize("rate", ["1E-30", "5e-324", "0", "9"])
def test_a_rate_at_which_the_record_would_not_end_is_refused_before_it_is_waited_for(
    script: Script, kind: type[RigolDriver], identity: Identity, form: str, rate: str
) -> None:
    driver = kind(script(configuration(form, "1.000E+4", rate)), identity, Clock())
    with pytest.raises(ReplyError, match="sample rate|lasts"):
        driver.configure(PLAN)


def polled(*states: str) -> list[Step]:
    return [(":TRIG:STAT?", state) for state in states]


@pytest.mark.parametrize(("kind", "identity", "rest_s"), [(RigolDho, DHO, 0.0), (RigolMso5000, MSO5000, 0.1)])
def test_a_tenth_of_a_second_passes_between_stop_and_the_first_question_on_the_mso5000(
    script: Script, kind: type[RigolDriver], identity: Identity, rest_s: float
) -> None:
    time = SleepingTime()
    driver = kind(script([(":SING", None), *polled("STOP", "WAIT", "TD", "STOP")]), identity, time.clock)
    assert driver.acquire(0.15)
    assert time.now_s == pytest.approx(3 * 0.005 + rest_s)


def test_an_mso5000_that_was_forced_comes_to_rest_too(script: Script) -> None:
    time = SleepingTime()
    assert RigolMso5000(script([(":TFOR", None), *polled("TD", "STOP")]), MSO5000, time.clock).force(0.5)
    assert time.now_s == pytest.approx(0.005 + 0.1)


def test_no_input_goes_to_50_ohm_and_bits_are_those_of_the_series(script: Script) -> None:
    dho, mso = RigolDho(script([]), DHO, Clock()).abilities, RigolMso5000(script([]), MSO5000, Clock()).abilities
    assert (dho.bits, mso.bits) == (12, 8)
    assert not dho.fifty_ohm_input and not mso.fifty_ohm_input
    assert (dho.channels, mso.channels) == (2, 2)


# ------------------------------------------------------------------ by the real clock


@pytest.fixture(scope="module")
def settling() -> Iterator[SimulatedScope]:
    scope = SimulatedScope("settling", "real")
    yield scope
    scope.end()


@pytest.fixture
def link(settling: SimulatedScope) -> Iterator[Link]:
    opened = open_link(settling.resource, timeout_s=20.0)
    yield opened
    opened.close()


def test_a_scope_that_needs_rest_after_stop_gets_it(link: Link) -> None:
    _, _, driver = open_driver(link, None, Clock())
    driver.configure(LEVELS)
    for _ in range(2):
        assert driver.acquire(20.0)
        assert np.ptp(volts_of(driver.fetch(("CH4",)).channels[0])) > 0.2


def test_without_rest_it_stays_silent(settling: SimulatedScope, link: Link) -> None:
    _, _, driver = open_driver(link, None, Clock())
    driver.configure(LEVELS)
    link.write(":RUN")
    assert link.query(":TRIG:STAT?") == "TD"
    link.write(":SING")
    time.sleep(1.0)  # it has stopped long ago, and comes to rest only once it has said so
    _, host, port, _ = settling.resource.split("::")
    with socket.create_connection((host, int(port)), 20.0) as hand, hand.makefile("rb") as lines:
        hand.sendall(b":TRIG:STAT?\n:WAV:DATA?\n")  # both in one go: a moment later it may be at rest
        assert lines.readline() == b"STOP\n"
        hand.settimeout(0.5)
        with pytest.raises(TimeoutError):
            lines.read(1)
