"""The DATA:HEADer dialect: RTB, RTM and HMO series, and the simulated scope's `header`.

Source: RTB2000 user manual 1333.1611.02 (ACQuire, CHANnel, TIMebase, TRIGger:A, FORMat, CHANnel:DATA, A.3.6 on blocks).

Completion: `*OPC` after SINGle sets bit 0 of the event status, which `*ESR?` is polled for, since `*OPC?` would leave an
answer owing where no trigger comes; it counts once ACQuire:STATe? does not say RUN any more. There is no word for
forcing a trigger in these pages: a capture is forced by a single one in AUTO mode.

Codes are fetched as 16 bits, where fewer leave low bits empty; how many do is seen from the codes. A record whose byte
order is not as set, or that holds pairs of extremes, is refused. Data of a channel that is off are not asked for.
Not verified on an instrument: ACQuire:STATe? and its words (seen in secondary texts only), record lengths (1, 2, 5
times a power of ten are tried and read back), twelve divisions (what the screen lasts is read back), the rails, the
sign of POSition where a trace is moved (up for positive ones, and the middle of the screen below 0 V then), the bits of the converter and all of HMO. The manual's pages name no source for an external trigger, so that there is none.
The gain specification, 2 % of full scale, is from memory: no data sheet was read. Nothing here locks the front panel.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from .capture import ChannelRecord, GainSpec
from .channel_counts import channel_count, told_count
from .error_queue import raise_rejections, rejected
from .errors import NoRecord, ReplyError
from .family import Abilities, ChannelPlan, Family, Plan, step_up
from .identity import Identity
from .present_setup import ScopeSetup, SettingsTree, give_back
from .records import Scale, block_of, channel_record, code_step, codes_in, record_points, scale_of
from .replies import number, short
from .rohde_schwarz_header import read_header
from .scpi_driver import ScpiDriver
from .waiting import settles

STEPS = (1.0, 2.0, 5.0)
SHORTEST_RECORD = 10_000
LONGEST_SPAN_S = 6000.0
COMPLETE_BIT, ERROR_BITS = 1, 0b0011_1100
"""Of the event status (IEEE 488.2): operation complete; query, device, execution and command error."""
MOST_POINTS = 1_000_000
"""That are fetched of a user's record, as there is no way to have a part of it: two megabytes a channel."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.0005, 0.01
THIRD = ":CHAN3:STAT?"
GAIN_SPEC = GainSpec(2.0, "full-scale", from_data_sheet=False)

TREE = SettingsTree(
    channel={
        "on": ":CHAN{n}:STAT",
        "probe": ":PROB{n}:SET:ATT:MAN",
        "scale": ":CHAN{n}:SCAL",
        "offset": ":CHAN{n}:OFFS",
    }
    | {"position": ":CHAN{n}:POS", "coupling": ":CHAN{n}:COUP", "limiter": ":CHAN{n}:BAND", "inverted": ":CHAN{n}:POL"}
    | {"acquisition": ":CHAN{n}:TYPE", "level": ":TRIG:A:LEV{n}"},
    scope={"time_scale": ":TIM:SCAL", "time_position": ":TIM:POS", "points": ":ACQ:POIN", "automatic": ":ACQ:POIN:AUT"}
    | {"singles": ":ACQ:NSIN:COUN", "trigger_type": ":TRIG:A:TYPE", "trigger_source": ":TRIG:A:SOUR"}
    | {"slope": ":TRIG:A:EDGE:SLOP", "trigger_coupling": ":TRIG:A:EDGE:COUP", "trigger_mode": ":TRIG:A:MODE"},
    centre_v=lambda volts_per_div, position_div: -position_div * volts_per_div,
    divisions=12,
    fifty_ohm_couplings=("DC", "AC"),
)


def abilities_of(identity: Identity) -> Abilities:
    """Of 10 bits (RTB, RTM3000) or 8, RTM with 50 ohm; record lengths are tried, since no list was read."""
    model = identity.model.upper()
    fifty_ohm = identity.is_simulated or model.startswith("RTM")
    bits = 10 if model.startswith(("RTB", "RTM3")) else 8
    return Abilities(channel_count(identity, THIRD), bits, (), GAIN_SPEC, video_trigger=True, fifty_ohm_input=fifty_ohm)


class RohdeSchwarzRtb(ScpiDriver):
    """One instrument of the family."""

    tree = TREE
    transfer = (":FORM", ":FORM:BORD")
    abilities_of = staticmethod(abilities_of)
    _extent, _shortest_s, _completed, _code_step = "MAX", 0.0, False, 256

    def read_setup(self) -> ScopeSetup:
        setup = self._present(self._busy())
        source = setup.trigger_source
        if setup.channel(source) is not None:
            told = setup.reply(f":TRIG:A:LEV{self._number(source)}")
            setup = replace(setup, trigger_level_v=number(told, of="its trigger level", where=self._where))
        self._have_words_sent()
        self._expect(record_points(setup.reply(":ACQ:POIN"), of=":ACQ:POIN?", where=self._where), setup.span_s)
        self._extent = "DEF" if setup.running else "MAX"
        return setup

    def configure(self, plan: Plan) -> None:
        self._points = 0
        wanted = {self._number(channel.name): channel for channel in plan.channels}
        source = self._number(plan.trigger_channel)
        messages = ["*CLS", ":STOP"]
        for channel in range(1, self.abilities.channels + 1):
            messages += _channel_messages(channel, wanted.get(channel), plan.limiter)
        messages += [f":TIM:SCAL {step_up(plan.span_s / TREE.divisions, STEPS):g}", ":TIM:POS 0", ":ACQ:NSIN:COUN 1"]
        messages += [f":ACQ:POIN {step_up(max(plan.points, SHORTEST_RECORD), STEPS):.0f}"]
        messages += [":TRIG:A:TYPE EDGE", f":TRIG:A:SOUR CH{source}", f":TRIG:A:LEV{source} {plan.trigger_level_v:.4g}"]
        messages += [":TRIG:A:EDGE:SLOP NEG", ":TRIG:A:EDGE:COUP DC", ":TRIG:A:MODE NORM"]
        self._write_all(messages)
        raise_rejections(self._link)
        self._have_words_sent()
        screens_v = {number: self._ask_positive(f":CHAN{number}:RANG?") for number in wanted}
        self._expect(self._ask_points(":ACQ:POIN?"), self._ask_positive(":TIM:ACQT?"))
        self._extent, self._shortest_s, self._screens_v = "MAX", 0.98 * plan.span_s, screens_v

    def acquire(self, trigger_wait_s: float) -> bool:
        self._link.write(":STOP")
        self._ask_whole("*ESR?")
        self._completed = False
        self._link.write(":SING;*OPC")
        pauses = {"pause_s": FIRST_PAUSE_S, "longest_s": LONGEST_PAUSE_S}
        return settles(self._complete, self._clock, wait_s=trigger_wait_s + self._record_s, **pauses)

    def force(self, wait_s: float) -> bool:
        self._link.write(":TRIG:A:MODE AUTO")
        complete = self.acquire(wait_s)
        self._link.write(":TRIG:A:MODE NORM")
        return complete

    def restore(self, setup: ScopeSetup) -> None:
        self._link.write("*CLS")
        give_back(self._link, TREE, setup)
        self._link.write(":RUN" if setup.running else ":STOP")
        raise_rejections(self._link)

    def release(self) -> None:
        self._write_all((":TRIG:A:MODE AUTO", ":RUN"))

    def _transfer_messages(self, kept: Mapping[str, str]) -> Sequence[str]:
        """How much of a record is sent is not told, only how many samples that makes: it is left at what the manual resets to."""
        channels = range(1, self.abilities.channels + 1)
        return [*super()._transfer_messages(kept), *(f":CHAN{channel}:DATA:POIN DEF" for channel in channels)]

    def _busy(self) -> bool:
        return self._link.query(":ACQ:STAT?").strip().upper().startswith(("RUN", "STOP"))

    def _complete(self) -> bool:
        status = self._ask_whole("*ESR?")
        if status & ERROR_BITS:
            raise_rejections(self._link)
        self._completed = self._completed or status & COMPLETE_BIT != 0
        return self._completed and not self._busy()

    def _have_words_sent(self) -> None:
        """Codes of 16 bits, low byte first, which a record cannot tell. Raises InstrumentRejected."""
        self._code_step = 256
        self._write_all((":FORM UINT,16", ":FORM:BORD LSBF"))
        order = self._link.query(":FORM:BORD?")
        if not order.strip().upper().startswith("LSB"):
            raise rejected(f"its byte order stays '{short(order)}'", where=self._where)

    def _expect(self, points: int, span_s: float) -> None:
        """A record is to be so long. Raises ReplyError if it would last longer than any."""
        if not 0.0 < span_s <= LONGEST_SPAN_S:
            what = f"a screen of {span_s:g} s, where {LONGEST_SPAN_S:g} s is the most"
            raise ReplyError(what, where=self._where, do="check its time base")
        self._points, self._seconds_per_sample, self._shortest_s = points, span_s / points, 0.0
        self._screens_v = {}

    def _fetch_one(self, channel: str) -> tuple[ChannelRecord, Scale]:
        wanted, data = self._points_to_fetch, f":CHAN{self._number(channel)}:DATA"
        self._must_be_on(channel, f":CHAN{self._number(channel)}:STAT?")
        self._link.write(f"{data}:POIN {self._extent}")
        points = read_header(self._link.query(f"{data}:HEAD?"), where=self._where)
        if self._most_points is not None and points > max(self._most_points, MOST_POINTS):
            what = f"{channel} holds {points} samples, of which no part can be fetched, and {MOST_POINTS} are the most"
            raise NoRecord(what, where=self._where, do="make its record shorter, then press Single")
        origin_s, step_s, origin_v, step_v = (self._ask(f"{data}:{of}?") for of in ("XOR", "XINC", "YOR", "YINC"))
        scale = scale_of(step_v, origin_v, step_s, origin_s, where=self._where, points=points, bytes_per_code=2)
        if points * step_s < self._shortest_s:
            what = f"{points} samples over {points * step_s:g} s where {wanted} over {self._record_s:g} s were set"
            raise ReplyError(what, where=self._where, do="capture again")
        screen_v = self._screen_v(self._number(channel), f":CHAN{self._number(channel)}:RANG?")
        codes = codes_in(block_of(self._link, f"{data}?", 2 * points), "<u2")
        self._code_step = min(self._code_step, code_step([codes], (256, 64, 16, 4, 1)))
        form: dict[str, int] = {"screen_codes": round(screen_v / abs(step_v)), "code_step": self._code_step}
        return channel_record(channel, codes, scale, (0, 65_536 - self._code_step), **form), scale


def _channel_messages(channel: int, plan: ChannelPlan | None, limiter: bool) -> list[str]:
    if plan is None:
        return [f":CHAN{channel}:STAT OFF"]
    settings = ["STAT ON", "COUP DCL", "POL NORM", f"BAND {'B20' if limiter else 'FULL'}", "TYPE SAMP"]
    settings += [f"SCAL {plan.volts_per_div:g}", "OFFS 0", f"POS {-plan.centre_v / plan.volts_per_div:z.4g}"]
    return [f":CHAN{channel}:{setting}" for setting in settings]


ROHDE_SCHWARZ_RTB = Family(
    name="rohde-schwarz-rtb",
    series="RTB, RTM and HMO series",
    identities=(r"(ROHDE ?& ?SCHWARZ|HAMEG),(RTB|RTM|HMO)\d", r"PEAKWHITE,SIM-HEADER(-1002)?,"),
    ways=("USBTMC", "VXI-11", "raw socket"),
    abilities=abilities_of,
    driver=RohdeSchwarzRtb,
    has_options=True,
    unsure_of=lambda identity: () if told_count(identity) else (THIRD,),
)
