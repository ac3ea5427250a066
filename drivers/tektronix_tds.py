"""The DATa/CURVe dialect: TDS200/1000/2000, TPS2000 and TBS1000 series, and the simulated scope's `curve`.

Source: programmer manuals 071-1075 and 077-0444 (command groups Acquisition, Horizontal, Trigger, Vertical, Waveform,
Miscellaneous for UNLock). Preamble fields differ in order between models: they are read by name, with the header
switched on for that query.

Resolution is found out from the instrument itself, since neither the identity nor BIT_NR (8 times the width asked for)
tells it: the first capture after a configuration is fetched as 16-bit words, where an 8-bit converter leaves the low
byte empty (manual: "the least significant byte is zero") and a 12-bit one the low four bits. Only if the low byte
stayed empty on every channel are later captures fetched as bytes; either way the volts are right.

Not verified on an instrument: that ACQuire:STATE? is 0 only when CURVe? already gives the new record, and the time that
TRIGger FORCe takes. HORizontal:RECOrdlength is tried and read back, as most models have 2500 points and refuse it.
The gain specification, 3 % of the reading, is from memory: no data sheet was read.
"""

from collections.abc import Sequence
from functools import reduce

import numpy as np

from .capture import EXT, ChannelRecord, Codes, GainSpec
from .error_queue import rejected
from .errors import ReplyError
from .family import Abilities, ChannelPlan, Family, Plan, channel_count, step_up
from .identity import Identity
from .present_setup import ScopeSetup, SettingsTree, ask_chained, give_back
from .records import Record, Scale, block_of, channel_record, one_trigger, record_points, scale_of
from .replies import named_fields, named_number, short, whole_number
from .scpi_driver import ScpiDriver
from .waiting import settles

VERTICAL_DIVISIONS = 8
CODES_PER_DIV = 25
"""Of an 8-bit code; 16-bit words hold it times 256 (6400)."""
TIME_STEPS = (1.0, 2.5, 5.0)
ESR_ERRORS = 0b0011_1100
"""Query, device, execution and command error in the standard event status register (IEEE 488.2)."""
GAIN_SPEC = GainSpec(3.0, "reading", from_data_sheet=False)
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.0005, 0.01

TREE = SettingsTree(
    channel={"on": ":SEL:CH{n}", "probe": ":CH{n}:PRO", "scale": ":CH{n}:SCA", "position": ":CH{n}:POS"}
    | {"coupling": ":CH{n}:COUP", "limiter": ":CH{n}:BAN", "inverted": ":CH{n}:INV"},
    scope={"time_scale": ":HOR:MAI:SCA", "time_position": ":HOR:MAI:POS", "points": ":HOR:RECO"}
    | {"acquisition": ":ACQ:MODE", "stop_after": ":ACQ:STOPA"}
    | {"trigger_source": ":TRIG:MAI:EDGE:SOU", "slope": ":TRIG:MAI:EDGE:SLO", "trigger_level": ":TRIG:MAI:LEV"}
    | {"trigger_coupling": ":TRIG:MAI:EDGE:COUP", "trigger_mode": ":TRIG:MAI:MOD", "trigger_type": ":TRIG:MAI:TYP"},
    centre_v=lambda volts_per_div, position_div: -position_div * volts_per_div,
    divisions=10,
)


def abilities_of(identity: Identity) -> Abilities:
    """Of 8 bits, 2500 points fixed, 1 megohm; EXT and a video trigger are in every model of the manuals."""
    return Abilities(channel_count(identity), 8, (2500,), GAIN_SPEC, video_trigger=True, ext_input=True)


def read_preamble(text: str, *, where: str) -> Scale:
    """The preamble from a reply with headers on. volts = (code - YOFF) YMULT + YZERO; seconds = XZERO + XINCR (i - PT_OFF).

    Raises ReplyError if a field is missing or no number, or if the record is one of extremes (peak detect).
    """
    named = named_fields(text)

    def value(*names: str) -> float:
        return named_number(named, names, where=where)

    if named.get("PT_FMT", "Y").upper() != "Y":
        raise ReplyError("its record holds pairs of extremes", where=where, do="switch peak detect off")
    volts, seconds = value("YMULT", "YMU"), value("XINCR", "XIN")
    zero_v = value("YZERO", "YZE") - value("YOFF", "YOF") * volts
    first_s = value("XZERO", "XZE") - value("PT_OFF") * seconds
    points, width = int(value("NR_PT")), int(value("BYT_NR"))
    return scale_of(volts, zero_v, seconds, first_s, where=where, points=points, bytes_per_code=width)


class TektronixTds(ScpiDriver):
    """One instrument of the family."""

    tree = TREE
    abilities_of = staticmethod(abilities_of)
    _width = 2

    def read_setup(self) -> ScopeSetup:
        self._link.write(":HEAD OFF;:VERB ON")
        setup = self._present(self._ask(":ACQ:STATE?") != 0, ask_chained)
        self._width, self._points = 2, record_points(setup.reply(":HOR:RECO"), of=":HOR:RECO?", where=self._where)
        self._link.write(self._window())
        return setup

    def configure(self, plan: Plan) -> None:
        self._points = 0
        self._link.write("*CLS;:HEAD OFF;:VERB ON;:ACQ:STATE STOP;MODE SAM")
        self._link.write(f":HOR:RECO {plan.points}")
        self._width, self._points = 2, self._ask_points(":HOR:RECO?")
        wanted = {self._number(channel.name): channel for channel in plan.channels}
        numbers = range(1, self.abilities.channels + 1)
        messages = [_channel_message(number, wanted.get(number), plan.limiter) for number in numbers]
        messages.append(f":HOR:MAI:SCA {step_up(plan.span_s / TREE.divisions, TIME_STEPS):g};POS 0")
        messages.append(
            f":TRIG:MAI:TYP EDGE;MOD NORM;:TRIG:MAI:EDGE:SOU {self._trigger_source(plan.trigger_channel)};SLO FALL;COUP DC"
            f";:TRIG:MAI:LEV {plan.trigger_level_v:.4g}"
        )
        messages.append(self._window())
        self._checked("*CLS")
        for message in messages:
            self._checked(message)

    def acquire(self, trigger_wait_s: float) -> bool:
        return self._complete(":ACQ:STOPA SEQ;STATE RUN;STATE?", trigger_wait_s)

    def force(self, wait_s: float) -> bool:
        return self._complete(":TRIG FORC;:ACQ:STATE?", wait_s)

    def fetch(self, channels: Sequence[str]) -> Record:
        fetched = [self._fetch_codes(channel) for channel in channels]
        step = self._code_step([codes for codes, _ in fetched])
        named = zip(channels, fetched, strict=True)
        record = one_trigger(
            [(_record(name, codes, scale, step), scale) for name, (codes, scale) in named], where=self._where
        )
        if self._width == 2 and step == 256:
            self._width = 1
            self._checked(self._window())
        return record

    def restore(self, setup: ScopeSetup) -> None:
        self._link.write(":HEAD OFF;:VERB ON;:ACQ:STATE STOP")
        give_back(self._link, TREE, setup)
        self._link.write(f":ACQ:STATE {'RUN' if setup.running else 'STOP'};:UNL ALL")

    def release(self) -> None:
        self._link.write(":HEAD OFF;:TRIG:MAI:MOD AUTO;:ACQ:STOPA RUNST;STATE RUN;:UNL ALL")

    def _trigger_source(self, channel: str) -> str:
        return channel if channel == EXT else f"CH{self._number(channel)}"

    def _window(self) -> str:
        """The whole record, as signed bytes, or as unsigned words with the low byte first."""
        encoding = "RIB;WID 1" if self._width == 1 else "SRP;WID 2"
        return f":DAT:STAR 1;STOP {self._points};ENC {encoding}"

    def _checked(self, message: str) -> None:
        """Send a message and read the event status. Raises InstrumentRejected with the instrument's own words."""
        status = whole_number(self._link.query(f"{message};*ESR?"), of="*ESR?", where=self._where)
        if status & ESR_ERRORS:
            raise rejected(f"'{message}', {short(self._link.query('ALLEV?'), 120)}", where=self._where)

    def _complete(self, first: str, wait_s: float) -> bool:
        """Poll until the acquisition has stopped by itself. Polling leaves no answer owing where `*OPC?` would."""
        messages = iter((first,))
        pauses = {"pause_s": FIRST_PAUSE_S, "longest_s": LONGEST_PAUSE_S}
        return settles(lambda: self._ask(next(messages, ":ACQ:STATE?")) == 0, self._clock, wait_s=wait_s, **pauses)

    def _fetch_codes(self, channel: str) -> tuple[Codes, Scale]:
        told = self._link.query(f":DAT:SOU CH{self._number(channel)};:HEAD ON;:WFMP?")
        scale, points = read_preamble(told, where=self._where), self._points_to_fetch
        if (scale.bytes_per_code, scale.points) != (self._width, points):
            what = f"{scale.points} points of {scale.bytes_per_code} bytes where {points} of {self._width} were set"
            raise ReplyError(what, where=self._where, do="capture again")
        block = block_of(self._link, ":HEAD OFF;:CURV?", points * self._width)
        if self._width == 1:
            return np.frombuffer(block, np.int8), scale
        return np.require(np.frombuffer(block, "<u2"), np.uint16, "A"), scale  # a block may begin at an odd address

    def _code_step(self, records: list[Codes]) -> int:
        """Distance of neighbouring converter states, from the bits that any code of any channel has set."""
        if self._width == 1:
            return 1
        used = reduce(int.__or__, (int(np.bitwise_or.reduce(codes)) for codes in records))
        return next(step for step in (256, 64, 16, 4, 1) if used % step == 0)


def _channel_message(number: int, plan: ChannelPlan | None, limiter: bool) -> str:
    if plan is None:
        return f":SEL:CH{number} OFF"
    position_div = -plan.centre_v / plan.volts_per_div
    return (
        f":SEL:CH{number} ON;:CH{number}:COUP DC;INV OFF;BAN {'ON' if limiter else 'OFF'}"
        f";SCA {plan.volts_per_div:g};POS {position_div:z.4g}"
    )


def _record(name: str, codes: Codes, scale: Scale, step: int) -> ChannelRecord:
    screen_codes = VERTICAL_DIVISIONS * CODES_PER_DIV
    if codes.dtype == np.int8:
        return channel_record(name, codes, scale, (-128, 127), screen_codes=screen_codes)
    return channel_record(name, codes, scale, (0, 65536 - step), screen_codes=256 * screen_codes, code_step=step)


TEKTRONIX_TDS = Family(
    name="tektronix-tds",
    series="TDS, TPS and TBS series",
    identities=(r"TEKTRONIX,(TDS|TPS|TBS) ?(2\d\d|[12]\d{3})", r"PEAKWHITE,SIM-CURVE,"),
    ways=("USBTMC", "raw socket"),
    abilities=abilities_of,
    driver=TektronixTds,
)
