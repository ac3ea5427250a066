"""The DATa/CURVe dialect: TDS200/1000/2000, TPS2000 and TBS1000 series, and the simulated scope's `curve`.

Source: programmer manuals 071-1075 and 077-0444 (command groups Acquisition, Horizontal, Trigger, Vertical, Waveform).
Preamble fields differ in order between models: they are read by name, with the header switched on for that query.

Resolution is found out from the instrument itself, since neither the identity nor BIT_NR (8 times the width asked for)
tells it: the first capture after a configuration is fetched as 16-bit words, where an 8-bit converter leaves the low
byte empty (manual: "the least significant byte is zero") and a 12-bit one the low four bits. Only if the low byte
stayed empty on every channel are later captures fetched as bytes; either way the volts are right.

Not verified on an instrument: that ACQuire:STATE? is 0 only when CURVe? already gives the new record, and the time that
TRIGger FORCe takes. HORizontal:RECOrdlength is tried and read back, as most models have 2500 points and refuse it.
The gain specification, 3 % of the reading, is from memory: no data sheet was read.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np

from .capture import EXT, ChannelRecord, Codes, GainSpec
from .errors import InstrumentRejected, ReplyError
from .family import ChannelPlan, Clock, Family, Plan, Record, channel_count, channel_number, step_up
from .links import Link
from .replies import named_fields, named_number, number, short, whole_number

HORIZONTAL_DIVISIONS = 10
VERTICAL_DIVISIONS = 8
CODES_PER_DIV = 25
"""Of an 8-bit code; 16-bit words hold it times 256 (6400)."""
TIME_STEPS = (1.0, 2.5, 5.0)
ESR_ERRORS = 0b0011_1100
"""Query, device, execution and command error in the standard event status register (IEEE 488.2)."""
POLL_S = 0.0005
BLOCK_SLACK_BYTES = 64


@dataclass(frozen=True)
class Preamble:
    """One WFMPre: how bytes become codes, and codes volts."""

    bytes_per_code: int
    points: int
    volts_per_code: float
    volts_at_code_zero: float
    seconds_per_sample: float
    first_sample_s: float


def read_preamble(text: str, *, where: str) -> Preamble:
    """The preamble from a reply with headers on. volts = (code - YOFF) YMULT + YZERO; seconds = XZERO + XINCR (i - PT_OFF).

    Raises ReplyError if a field is missing or no number, or if the record is one of extremes (peak detect).
    """
    named = named_fields(text)

    def value(*names: str) -> float:
        return named_number(named, names, where=where)

    if named.get("PT_FMT", "Y").upper() != "Y":
        raise ReplyError("its record holds pairs of extremes", where=where, do="switch peak detect off")
    volts, seconds = value("YMULT", "YMU"), value("XINCR", "XIN")
    if volts == 0.0 or seconds <= 0.0:
        raise ReplyError(
            f"a preamble with YMULT {volts:g} and XINCR {seconds:g}", where=where, do="start an acquisition by hand"
        )
    return Preamble(
        bytes_per_code=int(value("BYT_NR")),
        points=int(value("NR_PT")),
        volts_per_code=volts,
        volts_at_code_zero=value("YZERO", "YZE") - value("YOFF", "YOF") * volts,
        seconds_per_sample=seconds,
        first_sample_s=value("XZERO", "XZE") - value("PT_OFF") * seconds,
    )


class TektronixTds:
    """One instrument of the family."""

    has_ext = True

    def __init__(self, link: Link, identity: str, clock: Clock) -> None:
        self._link = link
        self._clock = clock
        self._count = channel_count(identity)
        self._width = 2
        self._points = 0

    def configure(self, plan: Plan) -> None:
        self._link.write("*CLS;:HEAD OFF;:VERB ON;:ACQ:STATE STOP;MODE SAM")
        self._points = self._record_length(plan.points)
        self._width = 2
        wanted = {self._number(channel.name): channel for channel in plan.channels}
        messages = [self._channel_message(number, wanted.get(number)) for number in range(1, self._count + 1)]
        messages.append(f":HOR:MAI:SCA {step_up(plan.span_s / HORIZONTAL_DIVISIONS, TIME_STEPS):g};POS 0")
        messages.append(
            f":TRIG:MAI:TYP EDGE;MOD NORM;:TRIG:MAI:EDGE:SOU {self._trigger_source(plan.trigger_channel)};SLO FALL;COUP DC"
            f";:TRIG:MAI:LEV {plan.trigger_level_v:.4g}"
        )
        messages.append(f":DAT:STAR 1;STOP {self._points};{self._encoding()}")
        self._checked("*CLS")
        for message in messages:
            self._checked(message)

    def acquire(self, trigger_wait_s: float) -> bool:
        return self._complete(":ACQ:STOPA SEQ;STATE RUN;STATE?", trigger_wait_s)

    def force(self, wait_s: float) -> bool:
        return self._complete(":TRIG FORC;:ACQ:STATE?", wait_s)

    def fetch(self, channels: Sequence[str]) -> Record:
        fetched = [self._fetch_one(channel) for channel in channels]
        step = self._code_step([codes for _, codes in fetched])
        times = {(preamble.seconds_per_sample, preamble.first_sample_s) for preamble, _ in fetched}
        if len(times) != 1:
            raise ReplyError("its channels do not share one time axis", where=self._link.resource, do="capture again")
        records = tuple(
            _record(name, codes, preamble, step) for name, (preamble, codes) in zip(channels, fetched, strict=True)
        )
        if self._width == 2 and step == 256:
            self._width = 1
            self._checked(self._encoding())
        return Record(records, *times.pop())

    def release(self) -> None:
        self._link.write(":HEAD OFF;:TRIG:MAI:MOD AUTO;:ACQ:STOPA RUNST;STATE RUN")

    def _number(self, channel: str) -> int:
        return channel_number(channel, self._count, where=self._link.resource)

    def _trigger_source(self, channel: str) -> str:
        return channel if channel == EXT else f"CH{self._number(channel)}"

    def _channel_message(self, number: int, plan: ChannelPlan | None) -> str:
        if plan is None:
            return f":SEL:CH{number} OFF"
        position_div = -plan.centre_v / plan.volts_per_div
        return (
            f":SEL:CH{number} ON;:CH{number}:COUP DC;INV OFF;BAN ON;SCA {plan.volts_per_div:g};POS {position_div:z.4g}"
        )

    def _encoding(self) -> str:
        """Signed bytes, or unsigned words with the low byte first."""
        return ":DAT:ENC RIB;WID 1" if self._width == 1 else ":DAT:ENC SRP;WID 2"

    def _record_length(self, wanted: int) -> int:
        self._link.write(f":HOR:RECO {wanted}")
        return whole_number(self._link.query(":HOR:RECO?"), of="HOR:RECO?", where=self._link.resource)

    def _checked(self, message: str) -> None:
        """Send a message and read the event status. Raises InstrumentRejected with the instrument's own words."""
        status = whole_number(self._link.query(f"{message};*ESR?"), of="*ESR?", where=self._link.resource)
        if status & ESR_ERRORS:
            words = short(self._link.query("ALLEV?"), 120)
            raise InstrumentRejected(
                f"it refused '{message}': {words}", where=self._link.resource, do="check the hookup and the family"
            )

    def _complete(self, first: str, wait_s: float) -> bool:
        """Poll until the acquisition has stopped by itself. Polling leaves no answer owing where `*OPC?` would."""
        end = self._clock.now() + wait_s
        state = self._link.query(first)
        pause_s = POLL_S
        while number(state, of="ACQ:STATE?", where=self._link.resource) != 0:
            if self._clock.now() >= end:
                return False
            self._clock.sleep(pause_s)
            pause_s = min(2 * pause_s, 0.01)
            state = self._link.query(":ACQ:STATE?")
        return True

    def _fetch_one(self, channel: str) -> tuple[Preamble, Codes]:
        where = self._link.resource
        preamble = read_preamble(self._link.query(f":DAT:SOU CH{self._number(channel)};:HEAD ON;:WFMP?"), where=where)
        if preamble.bytes_per_code != self._width:
            raise ReplyError(
                f"{preamble.bytes_per_code} bytes a code where {self._width} were set", where=where, do="capture again"
            )
        block = self._link.query_block(":HEAD OFF;:CURV?", self._points * self._width + BLOCK_SLACK_BYTES)
        if block.nbytes != preamble.points * self._width:
            raise ReplyError(
                f"{block.nbytes} bytes of {channel} where its preamble says {preamble.points} points",
                where=where,
                do="capture again",
            )
        if self._width == 1:
            return preamble, np.frombuffer(block, np.int8)
        return preamble, np.require(np.frombuffer(block, "<u2"), np.uint16, "A")  # a block may begin at an odd address

    def _code_step(self, records: list[Codes]) -> int:
        """Distance of neighbouring converter states, from the bits that any code of any channel has set."""
        if self._width == 1:
            return 1
        used = reduce(int.__or__, (int(np.bitwise_or.reduce(codes)) for codes in records))
        return next(step for step in (256, 64, 16, 4, 1) if used % step == 0)


def _record(name: str, codes: Codes, preamble: Preamble, step: int) -> ChannelRecord:
    wide = codes.dtype == np.uint16
    screen_codes = VERTICAL_DIVISIONS * CODES_PER_DIV * (256 if wide else 1)
    return ChannelRecord(
        name=name,
        codes=codes,
        volts_per_code=preamble.volts_per_code,
        volts_at_code_zero=preamble.volts_at_code_zero,
        low_rail_code=0 if wide else -128,
        high_rail_code=65536 - step if wide else 127,
        code_step=step,
        full_scale_v=abs(preamble.volts_per_code) * screen_codes,
    )


TEKTRONIX_TDS = Family(
    name="tektronix-tds",
    identities=(r"TEKTRONIX,(TDS|TPS|TBS) ?(2\d\d|[12]\d{3})", r"PEAKWHITE,SIM-CURVE,"),
    gain_spec=GainSpec(3.0, "reading", from_data_sheet=False),
    driver=TektronixTds,
)
