"""The newer Siglent dialect: published figures of its descriptor, and the driver's conversation."""

import struct
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from family_rig import LEVELS, SimulatedScope, volts_of
from peakwhite.drivers.errors import InstrumentRejected, ReplyError
from peakwhite.drivers.identity import Identity
from peakwhite.drivers.links import Link, open_link
from peakwhite.drivers.opening import open_driver
from peakwhite.drivers.siglent_2000xplus import Siglent2000XPlus, abilities_of
from peakwhite.drivers.siglent_descriptor import TIME_STEPS_S, Preamble, decoded, read_preamble
from peakwhite.drivers.waiting import Clock

Step = tuple[str, str | bytes | None]
Script = Callable[[Sequence[Step]], Link]
IDENTITY = Identity("PEAKWHITE,SIM-DESCRIPTOR,SIM000001,1.0")


class FakeTime:
    """A clock that only sleeping moves."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.clock = Clock(now=lambda: self.now_s, sleep=self.sleep)

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


def descriptor(
    *,
    word: bool = False,
    volts_per_div: float = 0.2,
    offset_v: float = 0.0,
    codes_per_div: float = 30.0,
    bits: int = 8,
    interval_s: float = 5e-8,
    delay_s: float = 0.0,
    step: int = TIME_STEPS_S.index(50e-6),
    probe: float = 1.0,
) -> bytes:
    """A descriptor with these fields at the offsets of the programming guide."""
    made = bytearray(346)
    for form, at, value in (
        ("h", 0x20, int(word)), ("f", 0x9C, volts_per_div), ("f", 0xA0, offset_v), ("f", 0xA4, codes_per_div),
        ("h", 0xAC, bits), ("f", 0xB0, interval_s), ("d", 0xB4, delay_s), ("h", 0x144, step), ("f", 0x148, probe),
    ):  # fmt: skip
        struct.pack_into("<" + form, made, at, value)
    return bytes(made)


def volts(preamble: Preamble, code: int) -> float:
    return code * preamble.scale.volts_per_code + preamble.scale.volts_at_code_zero


# Worked example of the values in the test of an independent client library (SDS1000X HD): 50 / 25 · 0.05 · 10 = 1.0 V.
def test_the_published_descriptor_gives_its_published_volts() -> None:
    made = descriptor(
        volts_per_div=0.05, probe=10.0, codes_per_div=25.0, interval_s=2e-10, step=TIME_STEPS_S.index(2e-9)
    )
    read = read_preamble(made, where="scope")
    assert volts(read, 50) == pytest.approx(1.0)
    assert read.scale.seconds_per_sample == pytest.approx(2e-10)


# A public report on an SDS2000X Plus: with 25 codes a division a signal of 506 mV came out as 604 mV; it has 30.
def test_codes_a_division_are_those_of_the_instrument_and_no_other() -> None:
    with_25 = volts(read_preamble(descriptor(codes_per_div=25.0), where="scope"), 100)
    with_30 = volts(read_preamble(descriptor(codes_per_div=30.0), where="scope"), 100)
    assert with_25 / with_30 == pytest.approx(604 / 506, rel=0.01)


# The guide: the index counts 200p, 500p, 1n, 2n, 5n … 1000 s.
def test_the_index_of_the_time_step_counts_from_200_ps_to_1000_s() -> None:
    assert TIME_STEPS_S[:5] == (200e-12, 500e-12, 1e-9, 2e-9, 5e-9)
    assert TIME_STEPS_S[-1] == 1000.0
    assert len(TIME_STEPS_S) == 39


def test_the_record_begins_half_a_screen_before_its_middle() -> None:
    assert read_preamble(descriptor(delay_s=1e-3), where="scope").scale.first_sample_s == pytest.approx(750e-6)


def test_the_probe_multiplies_offset_and_range() -> None:
    read = read_preamble(descriptor(volts_per_div=0.02, offset_v=-0.035, probe=10.0), where="scope")
    assert volts(read, 0) == pytest.approx(0.35)
    assert volts(read, 30) == pytest.approx(0.55)


@pytest.mark.parametrize(
    "spoilt",
    [
        b"", bytes(346), descriptor()[:-1], descriptor(volts_per_div=0.0), descriptor(volts_per_div=float("nan")),
        descriptor(codes_per_div=0.0), descriptor(codes_per_div=float("inf")), descriptor(bits=0), descriptor(bits=-8),
        descriptor(interval_s=0.0), descriptor(interval_s=-1e-9), descriptor(step=39), descriptor(step=-1),
        descriptor(probe=0.0), descriptor(delay_s=float("nan")), descriptor(offset_v=float("-inf")),
    ],
)  # fmt: skip
def test_a_spoilt_descriptor_is_a_typed_error(spoilt: bytes) -> None:
    with pytest.raises(ReplyError):
        read_preamble(spoilt, where="scope")


def test_words_at_the_lower_end_have_the_rails_of_their_bits() -> None:
    read = read_preamble(descriptor(word=True, bits=12, codes_per_div=480.0), where="scope")
    words = np.array([-2048, -480, 0, 480, 2047], "<i2")
    record = decoded("CH1", words.tobytes(), read, where="scope")
    assert volts_of(record)[1:4] == pytest.approx([-0.2, 0.0, 0.2])
    assert (record.codes[0], record.codes[-1]) == (record.low_rail_code, record.high_rail_code)
    assert record.code_step == 1
    assert record.full_scale_v == pytest.approx(1.6)


def test_words_at_the_upper_end_have_the_rails_of_16_bits_and_a_step_of_16() -> None:
    read = read_preamble(descriptor(word=True, bits=12, codes_per_div=7680.0), where="scope")
    words = np.array([-32768, -7680, 0, 7680, 32752], "<i2")
    record = decoded("CH1", words.tobytes(), read, where="scope")
    assert volts_of(record)[1:4] == pytest.approx([-0.2, 0.0, 0.2])
    assert (record.codes[0], record.codes[-1]) == (record.low_rail_code, record.high_rail_code)
    assert record.code_step == 16


@pytest.mark.parametrize(("codes_per_div", "word"), [(480.0, 7680), (480.0, -2049), (7680.0, 7681)])
def test_words_that_contradict_their_codes_a_division_are_refused(codes_per_div: float, word: int) -> None:
    read = read_preamble(descriptor(word=True, bits=12, codes_per_div=codes_per_div), where="scope")
    with pytest.raises(ReplyError, match="no codes of 12 bits"):
        decoded("CH1", np.array([word], "<i2").tobytes(), read, where="scope")


def test_what_a_model_can_do_follows_from_its_name() -> None:
    assert abilities_of(Identity("Siglent Technologies,SDS814X HD,SDS8P0000000,1.1.3.3")).bits == 12
    assert abilities_of(Identity("Siglent Technologies,SDS2104X Plus,SDS2P0000000,1.3.5R10")).bits == 8


FETCH: list[Step] = [(":WAV:INT 1", None), (":WAV:BYT LSB", None)]


def chunk(first: int, data: bytes, width: int = 1) -> list[Step]:
    return [(f":WAV:STAR {first}", None), (f":WAV:POIN {len(data) // width}", None), (":WAV:DATA?", data)]


def test_a_long_record_is_fetched_in_pieces_of_what_the_instrument_gives(script: Script) -> None:
    head: list[Step] = [
        (":ACQ:POIN?", "3.5E+03"),
        (":WAV:SOUR C1", None),
        (":WAV:PRE?", descriptor()),
        (":WAV:MAXP?", "2000"),
    ]
    pieces = [*chunk(0, b"\x01" * 2000), *chunk(2000, b"\xff" * 1500)]
    record = Siglent2000XPlus(script([*FETCH, *head, *pieces]), IDENTITY, Clock()).fetch(("CH1",))
    codes, counts = np.unique(record.channels[0].codes, return_counts=True)
    assert (codes.tolist(), counts.tolist()) == ([-1, 1], [1500, 2000])


def test_more_than_8_bits_are_fetched_as_words_with_a_preamble_of_their_own(script: Script) -> None:
    head: list[Step] = [
        (":ACQ:POIN?", "1000"),
        (":WAV:SOUR C1", None),
        (":WAV:PRE?", descriptor(bits=12, codes_per_div=480.0)),
        (":WAV:WIDT WORD", None),
        (":WAV:PRE?", descriptor(bits=12, codes_per_div=480.0, word=True)),
        (":WAV:MAXP?", "5000000"),
    ]
    data = np.full(1000, -480, "<i2").tobytes()
    record = Siglent2000XPlus(script([*FETCH, *head, *chunk(0, data, 2)]), IDENTITY, Clock()).fetch(("CH1",))
    assert volts_of(record.channels[0]) == pytest.approx(-0.2)


def test_a_width_that_does_not_change_is_an_error(script: Script) -> None:
    stays = descriptor(bits=12, codes_per_div=480.0)
    head: list[Step] = [(":ACQ:POIN?", "1000"), (":WAV:SOUR C1", None), (":WAV:PRE?", stays)]
    link = script([*FETCH, *head, (":WAV:WIDT WORD", None), (":WAV:PRE?", stays)])
    with pytest.raises(ReplyError, match="codes of 1 bytes where 2 were set"):
        Siglent2000XPlus(link, IDENTITY, Clock()).fetch(("CH1",))


def test_an_instrument_that_gives_next_to_nothing_at_a_time_is_not_asked_for_ever(script: Script) -> None:
    head: list[Step] = [
        (":ACQ:POIN?", "1000"),
        (":WAV:SOUR C1", None),
        (":WAV:PRE?", descriptor()),
        (":WAV:MAXP?", "1"),
    ]
    with pytest.raises(ReplyError, match="1 points a read"):
        Siglent2000XPlus(script([*FETCH, *head]), IDENTITY, Clock()).fetch(("CH1",))


def test_the_stop_of_the_capture_before_is_not_believed(script: Script) -> None:
    time = FakeTime()
    states: list[Step] = [(":TRIG:STAT?", state) for state in ("Stop", "Stop", "Arm", "Ready", "Trig'd", "Stop")]
    link = script([(":TRIG:MODE SING", None), (":TRIG:RUN", None), *states])
    assert Siglent2000XPlus(link, IDENTITY, time.clock).acquire(0.15)
    assert time.now_s < 0.1


def test_a_stop_without_another_state_is_believed_after_300_ms(script: Script) -> None:
    time = FakeTime()
    link = script([(":TRIG:MODE SING", None), (":TRIG:RUN", None), *([(":TRIG:STAT?", "Stop")] * 61)])
    assert Siglent2000XPlus(link, IDENTITY, time.clock).acquire(0.15)
    assert time.now_s == pytest.approx(0.3)


def test_without_a_trigger_the_wait_ends_and_the_capture_can_be_forced(script: Script) -> None:
    steps: list[Step] = [(":TRIG:MODE SING", None), (":TRIG:RUN", None), *([(":TRIG:STAT?", "Ready")] * 5)]
    steps += [(":TRIG:MODE FTRIG", None), (":TRIG:STAT?", "Trig'd"), (":TRIG:STAT?", "Stop")]
    driver = Siglent2000XPlus(script(steps), IDENTITY, FakeTime().clock)
    assert not driver.acquire(0.02)
    assert driver.force(0.1)


@pytest.mark.parametrize(("bits", "width"), [(8, 1), (12, 2)])
@pytest.mark.parametrize("probe", [1, 10])
def test_bytes_and_words_with_any_probe_give_the_volts_of_the_unit(bits: int, width: int, probe: int) -> None:
    scope = SimulatedScope("descriptor", "fast", "--bits", str(bits))
    link = open_link(scope.resource)
    try:
        scope.tell(front={"noise_mv_rms": 0, "CH4": {"probe_ratio": float(probe)}})
        link.write(f":CHAN4:PROB VAL,{probe}")
        _, _, driver = open_driver(link, None, Clock())
        driver.configure(LEVELS)
        assert driver.acquire(0.1)
        sync = driver.fetch(("CH4",)).channels[0]
        depth_mv = scope.tell(get="truth")["truth"]["signals"]["sync"]["sync_mv"]
    finally:
        link.close()
        scope.end()
    low_v, high_v = np.quantile(volts_of(sync), (0.02, 0.98))
    assert sync.codes.itemsize == width
    assert (high_v - low_v) * 1e3 == pytest.approx(depth_mv, abs=2e3 * abs(sync.volts_per_code))


def test_a_setting_that_stays_as_it_was_is_told(script: Script) -> None:
    from peakwhite.drivers.read_back import Setting, set_and_compare

    link = script(
        [(":CHAN1:SCAL 0.2", None), (":CHAN1:COUP DC", None), (":CHAN1:SCAL?", "2.00E-01"), (":CHAN1:COUP?", "AC")]
    )
    with pytest.raises(InstrumentRejected, match="':CHAN1:COUP DC', it stays AC"):
        set_and_compare(link, (Setting(":CHAN1:SCAL", "0.2"), Setting(":CHAN1:COUP", "DC")))
