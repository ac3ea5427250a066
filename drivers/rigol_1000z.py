"""The preamble dialect with state polling: DS1000Z and MSO1000Z series, and the simulated scope's `preamble`.

Source: MSO1000Z/DS1000Z Programming Guide (:ACQuire, :CHANnel, :TIMebase, :TRIGger, :WAVeform, :SYSTem:ERRor). The guide
knows no chaining of commands, so that each is a message of its own.

Pace: after :SINGle the first replies to :TRIGger:STATus? can still be the STOP of the capture before. STOP is believed only
when another state was seen since, or 0.3 s and the record's duration have passed: about 3 captures a second. The wait is
never shortened by comparing data, which could take the channels from two triggers.

8 bits: a WORD holds no more than a BYTE here, so bytes are fetched. Codes 0 and 255 are taken as the rails.
Not verified on an instrument: the rails, and that :ACQuire:MDEPth is accepted only while running (it is set running).
The gain specification, 3 % of full scale, is from memory: no data sheet was read.
The preamble's count can stay 1200 in RAW mode: a block is checked against what :WAVeform:STARt and :STOP asked for.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .capture import ChannelRecord, GainSpec
from .errors import InstrumentRejected, ReplyError
from .family import ChannelPlan, Clock, Family, Plan, Record, channel_count, channel_number, step_up
from .links import Link
from .replies import number, short, whole_number

HORIZONTAL_DIVISIONS = 12
VERTICAL_DIVISIONS = 8
CODES_PER_DIV = 25
TIME_STEPS = (1.0, 2.0, 5.0)
DEPTHS = (12_000, 120_000, 1_200_000, 12_000_000)
"""Memory with one channel on; half of it with two, a quarter with three or four."""
CHUNK_POINTS = 250_000
"""The most bytes that one :WAVeform:DATA? gives."""
OLD_STOP_S = 0.3
POLL_S = 0.005
ERROR_QUEUE_LIMIT = 20
BLOCK_SLACK_BYTES = 64


@dataclass(frozen=True)
class Preamble:
    """One :WAVeform:PREamble?. `seconds_per_sample` is 0 where it was printed with too few digits."""

    volts_per_code: float
    volts_at_code_zero: float
    seconds_per_sample: float
    first_sample_s: float


def read_preamble(text: str, *, where: str, seconds_per_sample: float = 0.0) -> Preamble:
    """The preamble of ten fields: format, type, points, count, xinc, xorigin, xref, yinc, yorigin, yref.

    volts = (code - yorigin - yreference) yincrement, yorigin in codes; seconds = xorigin + (i - xreference) xincrement.
    `seconds_per_sample` serves where xincrement is printed as 0.000000. Raises ReplyError.
    """
    fields = text.split(",")
    if len(fields) != 10:
        raise ReplyError(
            f"a preamble of {len(fields)} fields, not 10",
            where=where,
            do="check that the right instrument family is in use",
        )
    names = (
        "format",
        "type",
        "points",
        "count",
        "xincrement",
        "xorigin",
        "xreference",
        "yincrement",
        "yorigin",
        "yreference",
    )
    value = {name: number(field, of=name, where=where) for name, field in zip(names, fields, strict=True)}
    volts, seconds = value["yincrement"], value["xincrement"] or seconds_per_sample
    if volts == 0.0 or seconds < 0.0:
        raise ReplyError(
            f"a preamble with yincrement {volts:g} and xincrement {seconds:g}", where=where, do="capture again"
        )
    return Preamble(
        volts_per_code=volts,
        volts_at_code_zero=-(value["yorigin"] + value["yreference"]) * volts,
        seconds_per_sample=seconds,
        first_sample_s=value["xorigin"] - value["xreference"] * seconds,
    )


class Rigol1000Z:
    """One instrument of the family. The guide's edge sources are the channels, digital lines and the mains: no EXT."""

    has_ext = False

    def __init__(self, link: Link, identity: str, clock: Clock) -> None:
        self._link = link
        self._clock = clock
        self._count = channel_count(identity)
        self._points = 0
        self._seconds_per_sample = 0.0

    def configure(self, plan: Plan) -> None:
        wanted = {self._number(channel.name): channel for channel in plan.channels}
        time_per_div = step_up(plan.span_s / HORIZONTAL_DIVISIONS, TIME_STEPS)
        messages = ["*CLS", ":RUN"]
        for number_ in range(1, self._count + 1):
            messages += _channel_messages(number_, wanted.get(number_))
        messages += [":TIM:MODE MAIN", f":TIM:SCAL {time_per_div:g}", ":TIM:OFFS 0"]
        messages += [":ACQ:TYPE NORM", f":ACQ:MDEP {_depth(plan.points, len(wanted))}"]
        messages += [":TRIG:MODE EDGE", f":TRIG:EDG:SOUR CHAN{self._number(plan.trigger_channel)}"]
        messages += [
            ":TRIG:EDG:SLOP NEG",
            f":TRIG:EDG:LEV {plan.trigger_level_v:.4g}",
            ":TRIG:COUP DC",
            ":TRIG:SWE NORM",
        ]
        messages += [":WAV:MODE RAW", ":WAV:FORM BYTE"]
        for message in messages:
            self._link.write(message)
        self._raise_rejections()
        rate_hz = self._ask(":ACQ:SRAT?")
        if rate_hz <= 0.0:
            raise ReplyError(
                f"a sample rate of {rate_hz:g} Hz", where=self._link.resource, do="start an acquisition by hand"
            )
        self._seconds_per_sample = 1.0 / rate_hz
        depth = self._link.query(":ACQ:MDEP?")
        automatic = depth.strip().upper().startswith("AUTO")
        self._points = (
            round(rate_hz * time_per_div * HORIZONTAL_DIVISIONS)
            if automatic
            else whole_number(depth, of=":ACQ:MDEP?", where=self._link.resource)
        )

    def acquire(self, trigger_wait_s: float) -> bool:
        started = self._clock.now()
        self._link.write(":SING")
        trusted = started + OLD_STOP_S + self._record_s
        seen_other = False
        while True:
            state = self._state()
            if state == "STOP" and (seen_other or self._clock.now() >= trusted):
                return True
            seen_other = seen_other or state != "STOP"
            if state == "WAIT" and self._clock.now() - started >= trigger_wait_s:
                return False
            if self._clock.now() >= trusted + trigger_wait_s:
                return False
            self._clock.sleep(POLL_S)

    def force(self, wait_s: float) -> bool:
        end = self._clock.now() + wait_s + self._record_s
        self._link.write(":TFOR")
        while self._state() != "STOP":
            if self._clock.now() >= end:
                return False
            self._clock.sleep(POLL_S)
        return True

    def fetch(self, channels: Sequence[str]) -> Record:
        fetched = [self._fetch_one(channel) for channel in channels]
        times = {(preamble.seconds_per_sample, preamble.first_sample_s) for _, preamble in fetched}
        if len(times) != 1:
            raise ReplyError("its channels do not share one time axis", where=self._link.resource, do="capture again")
        return Record(tuple(record for record, _ in fetched), *times.pop())

    def release(self) -> None:
        self._link.write(":TRIG:SWE AUTO")
        self._link.write(":RUN")

    @property
    def _record_s(self) -> float:
        return self._points * self._seconds_per_sample

    def _number(self, channel: str) -> int:
        return channel_number(channel, self._count, where=self._link.resource)

    def _state(self) -> str:
        return self._link.query(":TRIG:STAT?").strip().upper()

    def _ask(self, query: str) -> float:
        return number(self._link.query(query), of=query, where=self._link.resource)

    def _raise_rejections(self) -> None:
        """Read the error queue empty. Raises InstrumentRejected with the instrument's own words."""
        errors: list[str] = []
        while len(errors) < ERROR_QUEUE_LIMIT:
            reply = self._link.query(":SYST:ERR?")
            if whole_number(reply.partition(",")[0], of=":SYST:ERR?", where=self._link.resource) == 0:
                break
            errors.append(short(reply))
        if errors:
            raise InstrumentRejected(
                f"it refused a setting: {'; '.join(errors[:3])}",
                where=self._link.resource,
                do="check the hookup and the family",
            )

    def _fetch_one(self, channel: str) -> tuple[ChannelRecord, Preamble]:
        where = self._link.resource
        self._link.write(f":WAV:SOUR CHAN{self._number(channel)}")
        preamble = read_preamble(
            self._link.query(":WAV:PRE?"), where=where, seconds_per_sample=self._seconds_per_sample
        )
        chunks = [self._chunk(start) for start in range(1, self._points + 1, CHUNK_POINTS)]
        return ChannelRecord(
            name=channel,
            codes=chunks[0] if len(chunks) == 1 else np.concatenate(chunks),
            volts_per_code=preamble.volts_per_code,
            volts_at_code_zero=preamble.volts_at_code_zero,
            low_rail_code=0,
            high_rail_code=255,
            full_scale_v=abs(preamble.volts_per_code) * CODES_PER_DIV * VERTICAL_DIVISIONS,
        ), preamble

    def _chunk(self, start: int) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
        """Points from `start` (the first is 1) as far as one block reaches."""
        stop = min(start + CHUNK_POINTS - 1, self._points)
        self._link.write(f":WAV:STAR {start}")
        self._link.write(f":WAV:STOP {stop}")
        block = self._link.query_block(":WAV:DATA?", stop - start + 1 + BLOCK_SLACK_BYTES)
        if block.nbytes != stop - start + 1:
            raise ReplyError(
                f"{block.nbytes} points where {stop - start + 1} were asked for",
                where=self._link.resource,
                do="capture again",
            )
        return np.frombuffer(block, np.uint8)


def _channel_messages(number_: int, plan: ChannelPlan | None) -> list[str]:
    if plan is None:
        return [f":CHAN{number_}:DISP 0"]
    settings = ("DISP 1", "COUP DC", "INV 0", "BWL 20M", f"SCAL {plan.volts_per_div:g}", f"OFFS {-plan.centre_v:z.4g}")
    return [f":CHAN{number_}:{setting}" for setting in settings]


def _depth(points: int, channels_on: int) -> int:
    """The smallest memory that holds `points`, or the largest there is."""
    share = 1 if channels_on == 1 else 2 if channels_on == 2 else 4
    return next((depth // share for depth in DEPTHS if depth // share >= points), DEPTHS[-1] // share)


RIGOL_1000Z = Family(
    name="rigol-1000z",
    identities=(r"RIGOL TECHNOLOGIES,(DS|MSO)1\d{3}Z", r"PEAKWHITE,SIM-PREAMBLE,"),
    gain_spec=GainSpec(3.0, "full-scale", from_data_sheet=False),
    driver=Rigol1000Z,
)
