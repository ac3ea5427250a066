"""The operation-condition dialect: InfiniiVision 1000X to 4000X series, and the simulated scope's `register`.

Source: programmer's guides of the 1000X, 2000X, 3000X and 4000X series (:CHANnel, :TIMebase, :TRIGger, :WAVeform,
:OPERegister:CONDition, :TER). Memory depth is the instrument's own choice; points of it are asked for.

Completion: after :SINGle the run bit of the operation condition is polled. A cleared bit may still be that of the
acquisition before: it is believed once it was seen set, or once :TER?, which latches, tells of a trigger and the
record's duration has passed since. :DIGitize is never sent: without a trigger only a device clear ends it.

8 bits, fetched as bytes; high resolution and averages, found in a user's set-up, as words. Code 0 is a hole (a record that
has one is refused), 1 the lower rail, the highest code the upper one. A query about the data of a channel that is not
displayed stays unanswered, so that is asked first. While it runs only 1000 points of its screen can be had.
Not verified on an instrument: that points asked for spread over the whole record (a shorter one is refused), and how
long the condition lags. From memory: that *OPT? is answered, and the gain specification, 3 % of full scale.
The front panel stays with its user: nothing locks it.
"""

import re

import numpy as np

from .capture import EXT, ChannelRecord, GainSpec
from .channel_counts import channel_count, told_count
from .error_queue import raise_rejections
from .errors import ReplyError
from .family import Abilities, ChannelPlan, Family, Plan, step_up
from .identity import Identity
from .keysight_preamble import read_preamble
from .links import Link
from .present_setup import ScopeSetup, SettingsTree, give_back
from .records import Scale, block_of, channel_record, codes_in
from .scpi_driver import ScpiDriver
from .waiting import ArmedRun, Clock, settles

SCREEN_POINTS, MOST_POINTS = 1000, 1_000_000
TIME_STEPS = (1.0, 2.0, 5.0)
FINEST_STEP_S = 25e-9
"""Of a user's stopped record: finer than the 20 MHz limiter lets through; of a long one MOST_POINTS are fetched."""
COARSEST_STEP_S = 100e-9
"""Where no more points are to be fetched than so many: they spread over the whole record, of which no part can be had."""
LONGEST_SPAN_S = 600.0
THIRD = ":CHAN3:DISP?"
RUNNING, WAITING = 8, 32
"""Bits of the operation condition."""
PROCESSING_S, FIRST_PAUSE_S, LONGEST_PAUSE_S = 1.0, 0.0005, 0.01
"""How long an acquisition that no longer waits for its trigger may stay busy, and pauses between questions."""
HOLE, CLIPPED_LOW = 0, 1
FINER_TYPES = ("HRES", "AVER")
GAIN_SPEC = GainSpec(3.0, "full-scale", from_data_sheet=False)

TREE = SettingsTree(
    channel={"on": ":CHAN{n}:DISP", "impedance": ":CHAN{n}:IMP", "probe": ":CHAN{n}:PROB", "scale": ":CHAN{n}:SCAL"}
    | {"position": ":CHAN{n}:OFFS", "coupling": ":CHAN{n}:COUP", "limiter": ":CHAN{n}:BWL", "inverted": ":CHAN{n}:INV"},
    scope={"time_mode": ":TIM:MODE", "time_reference": ":TIM:REF", "time_scale": ":TIM:SCAL"}
    | {"time_position": ":TIM:POS", "acquisition": ":ACQ:TYPE"}
    | {"trigger_type": ":TRIG:MODE", "trigger_source": ":TRIG:EDGE:SOUR"}
    | {"slope": ":TRIG:EDGE:SLOP", "trigger_level": ":TRIG:EDGE:LEV", "trigger_coupling": ":TRIG:EDGE:COUP"}
    | {"trigger_reject": ":TRIG:EDGE:REJ", "trigger_mode": ":TRIG:SWE"},
    centre_v=lambda volts_per_div, offset_v: offset_v,
    divisions=10,
)


def abilities_of(identity: Identity) -> Abilities:
    """Of 8 bits, with EXT and a video trigger; from the 3000X series on with 50 ohm."""
    fifty_ohm = identity.is_simulated or bool(re.search(r"[34]\d{3}", identity.model))
    also = {"video_trigger": True, "ext_input": True, "fifty_ohm_input": fifty_ohm}
    return Abilities(channel_count(identity, THIRD), 8, (), GAIN_SPEC, **also)


class KeysightInfiniiVision(ScpiDriver):
    """One instrument of the family."""

    tree = TREE
    transfer = (":WAV:SOUR", ":WAV:FORM", ":WAV:BYT", ":WAV:UNS", ":WAV:POIN:MODE", ":WAV:POIN")
    loose = (":WAV:POIN",)
    abilities_of = staticmethod(abilities_of)
    _width, _shortest_s, _condition = 1, 0.0, 0

    def __init__(self, link: Link, identity: Identity, clock: Clock) -> None:
        super().__init__(link, identity, clock)
        self._armed = ArmedRun(self._running, self._triggered, clock)

    def read_setup(self) -> ScopeSetup:
        setup = self._present(self._running())
        points = max(min(setup.span_s / FINEST_STEP_S, MOST_POINTS), SCREEN_POINTS)
        points, mode = (SCREEN_POINTS, "NORM") if setup.running else (round(step_up(points, TIME_STEPS)), "RAW")
        width = 2 if setup.reply(":ACQ:TYPE").upper().startswith(FINER_TYPES) else 1
        self._write_all(_form(points, width, mode))
        self._expect(points, setup.span_s, width)
        return setup

    def configure(self, plan: Plan) -> None:
        self._points = 0
        wanted = {self._number(channel.name): channel for channel in plan.channels}
        time_per_div = step_up(plan.span_s / TREE.divisions, TIME_STEPS)
        source = EXT if plan.trigger_channel == EXT else f"CHAN{self._number(plan.trigger_channel)}"
        messages = ["*CLS", ":STOP"]
        for channel in range(1, self.abilities.channels + 1):
            messages += _channel_messages(channel, wanted.get(channel), plan.limiter)
        messages += [":TIM:MODE MAIN", ":TIM:REF CENT", f":TIM:SCAL {time_per_div:g}", ":TIM:POS 0", ":ACQ:TYPE NORM"]
        messages += [":TRIG:MODE EDGE", f":TRIG:EDGE:SOUR {source}", ":TRIG:EDGE:SLOP NEG"]
        messages += [f":TRIG:EDGE:LEV {plan.trigger_level_v:.4g}", ":TRIG:EDGE:COUP DC", ":TRIG:EDGE:REJ OFF"]
        points = round(step_up(plan.points, TIME_STEPS))
        self._write_all([*messages, ":TRIG:SWE NORM", *_form(points, 1, "RAW")])
        raise_rejections(self._link)
        screens_v = {number: self._ask_positive(f":CHAN{number}:RANG?") for number in wanted}
        self._expect(points, time_per_div * TREE.divisions, 1)
        self._shortest_s, self._screens_v = 0.98 * plan.span_s, screens_v

    def acquire(self, trigger_wait_s: float) -> bool:
        self._link.write(":STOP")
        self._triggered()
        self._armed.arm(self._record_s)
        self._link.write(":SING")
        return self._completes(trigger_wait_s)

    def force(self, wait_s: float) -> bool:
        self._link.write(":TRIG:FORC")
        return self._completes(wait_s)

    def restore(self, setup: ScopeSetup) -> None:
        self._link.write("*CLS")
        give_back(self._link, TREE, setup)
        self._link.write(":RUN" if setup.running else ":STOP")
        raise_rejections(self._link)

    def release(self) -> None:
        self._write_all((":TRIG:SWE AUTO", ":RUN"))

    def _running(self) -> bool:
        self._condition = self._ask_whole(":OPER:COND?")
        return self._condition & RUNNING != 0

    def _triggered(self) -> bool:
        return self._ask(":TER?") != 0

    def _completes(self, wait_s: float) -> bool:
        pauses = {"pause_s": FIRST_PAUSE_S, "longest_s": LONGEST_PAUSE_S}
        if settles(self._armed.complete, self._clock, wait_s=wait_s + self._record_s, **pauses):
            return True
        busy = self._condition & (RUNNING | WAITING) == RUNNING
        return busy and settles(self._armed.complete, self._clock, wait_s=PROCESSING_S, **pauses)

    def _expect(self, points: int, span_s: float, width: int) -> None:
        """Records of that screen are to come. Raises ReplyError if one would last longer than any."""
        if not 0.0 < span_s <= LONGEST_SPAN_S:
            what = f"a screen of {span_s:g} s, where {LONGEST_SPAN_S:g} s is the most"
            raise ReplyError(what, where=self._where, do="check its time base")
        self._points, self._seconds_per_sample, self._width, self._shortest_s = points, span_s / points, width, 0.0
        self._screens_v = {}

    def _fetch_one(self, channel: str) -> tuple[ChannelRecord, Scale]:
        number, asked = self._number(channel), self._points_to_fetch
        self._must_be_on(channel, f":CHAN{number}:DISP?")
        screen_v = self._screen_v(number, f":CHAN{number}:RANG?")
        self._link.write(f":WAV:SOUR CHAN{number}")
        if self._most_points is not None:
            fewest = self._record_s / COARSEST_STEP_S
            asked = min(asked, round(step_up(max(self._part(asked), fewest), TIME_STEPS)))
            self._link.write(f":WAV:POIN {asked}")
        scale = read_preamble(self._link.query(":WAV:PRE?"), where=self._where)
        lasts_s = scale.points * scale.seconds_per_sample
        if scale.bytes_per_code != self._width or lasts_s < self._shortest_s:
            what = f"{scale.points} points of {scale.bytes_per_code} bytes over {lasts_s:g} s where {asked} were wanted"
            raise ReplyError(what, where=self._where, do="capture again")
        block = block_of(self._link, ":WAV:DATA?", scale.points * self._width)
        codes = codes_in(block, "u1" if self._width == 1 else "<u2")
        if holes := int(np.count_nonzero(codes == HOLE)):
            raise ReplyError(f"a record with {holes} holes", where=self._where, do="choose a slower time base")
        rails = (CLIPPED_LOW, int(np.iinfo(codes.dtype).max))
        screen_codes = round(screen_v / abs(scale.volts_per_code))
        return channel_record(channel, codes, scale, rails, screen_codes=screen_codes), scale


def _form(points: int, width: int, mode: str) -> list[str]:
    """Have so many points sent in codes of so many bytes, low byte first."""
    form = [f":WAV:FORM {'BYTE' if width == 1 else 'WORD'}", ":WAV:BYT LSBF", ":WAV:UNS 1"]
    return [*form, f":WAV:POIN:MODE {mode}", f":WAV:POIN {points}"]


def _channel_messages(channel: int, plan: ChannelPlan | None, limiter: bool) -> list[str]:
    if plan is None:
        return [f":CHAN{channel}:DISP 0"]
    settings = ["DISP 1", "IMP ONEM", "COUP DC", "INV 0", f"BWL {int(limiter)}"]
    settings += [f"SCAL {plan.volts_per_div:g}", f"OFFS {plan.centre_v:z.4g}"]
    return [f":CHAN{channel}:{setting}" for setting in settings]


KEYSIGHT_INFINIIVISION = Family(
    name="keysight-infiniivision",
    series="InfiniiVision 1000X to 4000X series",
    identities=(r"(AGILENT|KEYSIGHT) TECHNOLOGIES,[DME]..-?X ?[1-4]\d{3}", r"PEAKWHITE,SIM-REGISTER(-1002)?,"),
    ways=("USBTMC", "VXI-11", "raw socket"),
    abilities=abilities_of,
    driver=KeysightInfiniiVision,
    has_options=True,
    unsure_of=lambda identity: () if told_count(identity) else (THIRD,),
)
