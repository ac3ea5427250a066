"""The older of two dialects: SDS1000X-E and SDS1000CML series, a twin of theirs under another name, and the simulated
scope's `sparsed`.

Source: programming guide of the SDS1000 series (CHDR, VDIV, OFST, TDIV, TRSE, TRMD, INR, WFSU, WF). It knows no error queue:
what was set is asked for again and compared, and each command is a message of its own.

Pace: messages follow one another after 20 ms, since these scopes lock up or stay silent where they come faster: a second
for the set-up, half of one for a capture of four channels. A capture is over when INR?, whose bit 0 tells of a new
acquisition, was read clear before arming and has it now, and SAST? says Stop, which alone may be that of the capture before.
There is no preamble: volts and seconds come from VDIV, OFST, TDIV, TRDL and SARA, asked for with every record. Numbers are
printed with three digits, so that offsets and levels are set with no more. What mode a stopped scope was in is not told.

Not verified on an instrument: the sign of TRDL, which `configure` sets to 0 (times of a set-up with another are relative
only); that codes -128 and 127 are the rails; the most that one WF? gives; that SP,0 sends every point (a block of another
length is an error); that SANU? counts what WF? sends while it runs; which memory goes with which channels (the count that
SANU? tells is taken). The twin takes trigger levels as they are at the input, not at the probe tip (from an independent
client of it). No command is known that locks the front panel.
The gain specification, 3 % of full scale, is from memory: no data sheet was read.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from .capture import ChannelRecord, GainSpec
from .channel_counts import channel_count, told_count
from .family import Abilities, Family, Plan, step_up
from .identity import Identity
from .links import Link
from .paced_link import PacedLink
from .present_setup import ScopeSetup, SettingsTree, give_back
from .quantities import quantity
from .read_back import STEP_DIV, Setting, compare, set_and_compare
from .records import Record, Scale, block_of, channel_record, codes_in, pieces, record_points, sample_interval, scale_of
from .replies import whole_number
from .scpi_driver import ScpiDriver
from .siglent_memory import DEPTHS, depth_for
from .waiting import Clock, settles

PAUSE_S, CODES_PER_DIV = 0.02, 25
TIME_STEPS = (1.0, 2.0, 5.0)
CHUNK_POINTS = 250_000
MOST_SCREENS, FASTEST_RECORD_S = 2, 0.1
"""A record lasts about a screen, or where the rate can rise no more, the few ms of all memory."""
GAIN_SPEC = GainSpec(3.0, "full-scale", from_data_sheet=False)
NEW_ACQUISITION = 1
THIRD = "C3:TRA?"
WHOLE_RECORD = "WFSU SP,0,NP,0,FP,0"

TREE = SettingsTree(
    channel={"on": "C{n}:TRA", "probe": "C{n}:ATTN", "scale": "C{n}:VDIV", "position": "C{n}:OFST"}
    | {"coupling": "C{n}:CPL", "limiter": "C{n}:BWL", "inverted": "C{n}:INVS"}
    | {"level": "C{n}:TRLV", "slope": "C{n}:TRSL", "trigger_coupling": "C{n}:TRCP"},
    scope={"time_scale": "TDIV", "time_position": "TRDL", "acquisition": "ACQW", "points": "MSIZ"}
    | {"trigger_source": "TRSE", "trigger_mode": "TRMD"},
    centre_v=lambda volts_per_div, offset_v: -offset_v,
    divisions=14,
    read_number=quantity,
    fifty_ohm_couplings=("D50", "A50"),
)


def abilities_of(identity: Identity) -> Abilities:
    """Of 8 bits and 1 megohm (D50 is read where a model has it); edges of the channels alone are used."""
    return Abilities(channel_count(identity, THIRD), 8, tuple(DEPTHS.values()), GAIN_SPEC, video_trigger=True)


def scale_from(volts_per_div: float, offset_v: float, step_s: float, first_sample_s: float, *, where: str) -> Scale:
    """volts = code volts_per_div / 25 - offset_v, of signed codes. Raises ReplyError for a scale that cannot be."""
    return scale_of(volts_per_div / CODES_PER_DIV, -offset_v, step_s, first_sample_s, where=where)


class Siglent1000XE(ScpiDriver):
    """One instrument of the family."""

    tree = TREE
    transfer = ("WFSU", "CHDR")
    abilities_of = staticmethod(abilities_of)
    _is_new = False
    _axis = (0, 0.0, 0.0)
    _window: tuple[int, int] | None = None

    def __init__(self, link: Link, identity: Identity, clock: Clock) -> None:
        super().__init__(PacedLink(link, clock, PAUSE_S), identity, clock)
        self._is_twin = identity.model.upper().startswith("T3DSO")

    def read_setup(self) -> ScopeSetup:
        self._link.write("CHDR OFF")
        setup = self._present(not self.is_stopped())
        selected = setup.reply("TRSE").upper()
        source = re.search(r"SR,\s*C([1-9])\b", selected)
        if source is None or (number := int(source[1])) > self.abilities.channels:
            return replace(setup, trigger_source=selected)
        level_v = quantity(setup.reply(f"C{number}:TRLV"), of="TRLV?", where=self._where) * self._level_ratio(number)
        falling = setup.reply(f"C{number}:TRSL").upper().startswith("NEG")
        return replace(setup, trigger_source=f"CH{number}", trigger_level_v=level_v, falling=falling)

    def configure(self, plan: Plan) -> None:
        self._points = 0
        source = self._number(plan.trigger_channel)
        time_per_div = step_up(plan.span_s / TREE.divisions, TIME_STEPS)
        self._link.write("CHDR OFF")
        level_v = plan.trigger_level_v / self._level_ratio(source)
        set_and_compare(self._link, [*self._settings(plan, source, time_per_div, level_v)], quantity)
        fewest = plan.fewest_points(TREE.divisions * time_per_div)
        self._link.write(f"MSIZ {depth_for(fewest, {self._number(channel.name) for channel in plan.channels})}")
        self._points, self._seconds_per_sample, _ = self._read_axis(source, time_per_div)

    def acquire(self, trigger_wait_s: float) -> bool:
        self._link.write("STOP")
        self._link.query("INR?")
        self._is_new = False
        self._link.write("TRMD SINGLE")
        return settles(self._is_complete, self._clock, wait_s=trigger_wait_s + self._record_s)

    def force(self, wait_s: float) -> bool:
        self._link.write("FRTR")
        return settles(self._is_complete, self._clock, wait_s=wait_s + self._record_s)

    def fetch(self, channels: Sequence[str], most_points: int | None = None) -> Record:
        self._window = None
        self._axis = self._read_axis(self._number(channels[0]), self._ask("TDIV?"))
        return super().fetch(channels, most_points)

    def is_stopped(self) -> bool:
        return self._link.query("SAST?").strip().upper() == "STOP"

    def restore(self, setup: ScopeSetup) -> None:
        self._write_all(("CHDR OFF", WHOLE_RECORD))
        give_back(self._link, TREE, setup)
        if not setup.running:
            self._link.write("STOP")
        compare(self._link, [Setting(*one) for one in setup.kept], quantity)

    def release(self) -> None:
        self._write_all((WHOLE_RECORD, "TRMD AUTO"))

    def _settings(self, plan: Plan, source: int, time_per_div: float, level_v: float) -> Iterator[Setting]:
        yield Setting("TRMD", "NORM")
        wanted = {self._number(channel.name): channel for channel in plan.channels}
        for number in range(1, self.abilities.channels + 1):
            channel, plan_of = f"C{number}", wanted.get(number)
            yield Setting(f"{channel}:TRA", "ON" if plan_of else "OFF")
            if plan_of:
                yield from (Setting(f"{channel}:CPL", "D1M"), Setting(f"{channel}:INVS", "OFF"))
                yield Setting(f"{channel}:BWL", "ON" if plan.limiter else "OFF")
                yield Setting(f"{channel}:VDIV", f"{plan_of.volts_per_div:.2E}V")
                yield Setting(f"{channel}:OFST", f"{-plan_of.centre_v:z.2E}V", STEP_DIV * plan_of.volts_per_div)
        yield from (Setting("ACQW", "SAMPLING"), Setting("TDIV", f"{time_per_div:.2E}S"), Setting("TRDL", "0.00E+00S"))
        yield from (Setting("TRSE", f"EDGE,SR,C{source},HT,OFF"), Setting(f"C{source}:TRCP", "DC"))
        step_v = STEP_DIV * max((channel.volts_per_div for channel in plan.channels), default=1.0)
        yield from (Setting(f"C{source}:TRSL", "NEG"), Setting(f"C{source}:TRLV", f"{level_v:z.2E}V", step_v))

    def _ask(self, query: str) -> float:
        return quantity(self._link.query(query), of=query, where=self._where)

    def _is_complete(self) -> bool:
        changes = whole_number(self._link.query("INR?"), of="INR?", where=self._where)
        self._is_new = self._is_new or bool(changes & NEW_ACQUISITION)
        return self._is_new and self.is_stopped()

    def _level_ratio(self, channel: int) -> float:
        """Volts at the probe tip for a volt of TRLV."""
        return abs(self._ask(f"C{channel}:ATTN?")) or 1.0 if self._is_twin else 1.0

    def _read_axis(self, channel: int, time_per_div: float) -> tuple[int, float, float]:
        """How many samples the record has, seconds from one to the next, and the time of the first."""
        span_s = time_per_div * TREE.divisions
        points = record_points(f"{self._ask(f'SANU? C{channel}'):.0f}", of="SANU?", where=self._where)
        most_s = MOST_SCREENS * span_s + FASTEST_RECORD_S
        seconds_per_sample = sample_interval(points, self._ask("SARA?"), most_s=most_s, where=self._where)
        return points, seconds_per_sample, self._ask("TRDL?") - span_s / 2

    def _fetch_one(self, channel: str) -> tuple[ChannelRecord, Scale]:
        number, (points, *axis) = self._number(channel), self._axis
        scale = scale_from(self._ask(f"C{number}:VDIV?"), self._ask(f"C{number}:OFST?"), *axis, where=self._where)
        chunks = [self._chunk(number, first, last) for first, last in pieces(self._part(points), CHUNK_POINTS)]
        codes = codes_in(chunks[0] if len(chunks) == 1 else memoryview(b"".join(chunks)), "i1")
        return channel_record(channel, codes, scale, (-128, 127), screen_codes=8 * CODES_PER_DIV), scale

    def _chunk(self, number: int, first: int, last: int) -> memoryview:
        """Samples from `first` to `last`; the record's first is 0."""
        if self._window != (first, last):
            self._link.write(f"WFSU SP,0,NP,{last - first + 1},FP,{first}")
            self._window = first, last
        return block_of(self._link, f"C{number}:WF? DAT2", last - first + 1)


SIGLENT_1000XE = Family(
    name="siglent-1000xe",
    series="SDS1000X-E, SDS1000CML and T3DSO1000 series",
    identities=(r"SIGLENT[^,]*,\s*SDS1\d{3}(X-E|CML)", r"[^,]*,\s*T3DSO1\d{3}", r"PEAKWHITE,SIM-SPARSED(-1002)?,"),
    ways=("USBTMC", "VXI-11", "raw socket"),
    abilities=abilities_of,
    driver=Siglent1000XE,
    unsure_of=lambda identity: () if told_count(identity) else (THIRD,),
)
