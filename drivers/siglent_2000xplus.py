"""The newer of two dialects: SDS2000X Plus, SDS800X HD, SDS1000X HD, SDS5000X and SDS6000A series, and the simulated
scope's `descriptor`.

Source: "Digital Oscilloscopes SDS Series" programming guide, EN11C and EN11D (:ACQuire, :CHANnel, :TIMebase, :TRIGger,
:WAVeform). It knows no error queue: what was set is asked for again and compared, each command a message of its own.

Pace: after arming the first replies to :TRIGger:STATus? can still be the Stop of the capture before. Stop is believed only
when another state was seen since, or 0.3 s and the record's duration have passed: about 3 captures a second.

The preamble is binary (`siglent_descriptor.py`), read with every record, and again after the width was changed: what has
more than 8 bits is fetched as words.

Not verified on an instrument: the sign of the delay, which `configure` sets to 0 (times of a set-up with another are
relative only); the rails, taken as the ends of the converter's codes; that *every* model has EX as a trigger source (what is
refused is told); how long a record can last; which models go to 50 ohm (SDS2000X Plus, SDS5000X and SDS6000A are taken to,
of the others the first channel's impedance is asked, and what stays silent is taken for 1 megohm); the shape of identities
beyond those of the guide's examples. Firmware that has the older tree besides goes by its identity: :WAVeform:MAXPoint? is
not asked to tell them apart, so that one whose identity misleads stays silent, and has to be named with --family. No command is known that locks the front panel.
The gain specification, 3 % of full scale, is from memory and wide for 12 bits: no data sheet was read.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from .capture import EXT, ChannelRecord, GainSpec
from .channel_counts import channel_count, told_count
from .errors import ReplyError
from .family import Abilities, Family, Plan, step_up
from .identity import Identity
from .links import Link
from .present_setup import ScopeSetup, SettingsTree, give_back
from .read_back import STEP_DIV, Setting, compare, set_and_compare
from .records import Record, Scale, block_of, pieces, sample_interval
from .scpi_driver import ScpiDriver
from .siglent_descriptor import PREAMBLE_LIMIT_BYTES, Preamble, decoded, read_preamble
from .waiting import Clock, Progress, settles, stops_anew

DIVISIONS = 10
TIME_STEPS = (1.0, 2.0, 5.0)
DEPTHS = {"10k": 10_000, "100k": 100_000, "1M": 1_000_000, "10M": 10_000_000}
FEWEST_A_READ = 1000
"""An instrument that gives fewer points at a time would be asked for ever."""
OLD_STOP_S = 0.3
MOST_SCREENS, FASTEST_RECORD_S = 2, 0.1
"""A record lasts about a screen, or where the rate can rise no more, the few ms of all memory."""
THIRD, IMPEDANCE = ":CHAN3:SWIT?", ":CHAN1:IMP?"
LARGER = re.compile(r"SDS[256]\d{3}", re.IGNORECASE)
"""Models that are known to go to 50 ohm."""
GAIN_SPEC = GainSpec(3.0, "full-scale", from_data_sheet=False)

TREE = SettingsTree(
    channel={"on": ":CHAN{n}:SWIT", "impedance": ":CHAN{n}:IMP", "probe": ":CHAN{n}:PROB", "scale": ":CHAN{n}:SCAL"}
    | {"position": ":CHAN{n}:OFFS", "coupling": ":CHAN{n}:COUP", "limiter": ":CHAN{n}:BWL", "inverted": ":CHAN{n}:INV"},
    scope={"time_scale": ":TIM:SCAL", "time_position": ":TIM:DEL", "acquisition": ":ACQ:TYPE", "points": ":ACQ:MDEP"}
    | {"trigger_type": ":TRIG:TYPE", "trigger_source": ":TRIG:EDGE:SOUR", "slope": ":TRIG:EDGE:SLOP"}
    | {"trigger_coupling": ":TRIG:EDGE:COUP", "trigger_level": ":TRIG:EDGE:LEV", "trigger_mode": ":TRIG:MODE"},
    centre_v=lambda volts_per_div, offset_v: -offset_v,
    divisions=DIVISIONS,
    arguments={":CHAN{n}:PROB": "VAL,{}"},
)
WITHOUT_IMPEDANCE = replace(TREE, channel={of: header for of, header in TREE.channel.items() if of != "impedance"})


def abilities_of(identity: Identity) -> Abilities:
    """Of 12 bits where the model says HD, of 8 else. Whether the small HD ones go to 50 ohm is asked."""
    bits, depths = 12 if " HD" in identity.model.upper() else 8, tuple(DEPTHS.values())
    also = {"video_trigger": True, "ext_input": True, "fifty_ohm_input": _has_impedance(identity)}
    return Abilities(channel_count(identity, THIRD), bits, depths, GAIN_SPEC, **also)


def unsure_of(identity: Identity) -> tuple[str, ...]:
    """Whether there is a third channel, and an impedance, where the model does not tell."""
    third = () if told_count(identity) else (THIRD,)
    return third if _has_impedance(identity) else (*third, IMPEDANCE)


def _has_impedance(identity: Identity) -> bool:
    return identity.is_simulated or bool(LARGER.search(identity.model)) or IMPEDANCE in identity.answered


class Siglent2000XPlus(ScpiDriver):
    """One instrument of the family."""

    tree = TREE
    transfer = (":WAV:SOUR", ":WAV:STAR", ":WAV:POIN", ":WAV:INT", ":WAV:WIDT", ":WAV:BYT")
    abilities_of = staticmethod(abilities_of)
    _to_fetch = 0

    def __init__(self, link: Link, identity: Identity, clock: Clock) -> None:
        super().__init__(link, identity, clock)
        self.tree = TREE if self.abilities.fifty_ohm_input else WITHOUT_IMPEDANCE

    def read_setup(self) -> ScopeSetup:
        setup = self._present(not self.is_stopped())
        normal_mode = setup.reply(":TRIG:MODE").upper().startswith(("NORM", "SING"))
        source = EXT if setup.trigger_source == "EX" else setup.trigger_source
        return replace(setup, normal_mode=normal_mode, trigger_source=source)

    def configure(self, plan: Plan) -> None:
        self._points = 0
        source = "EX" if plan.trigger_channel == EXT else f"C{self._number(plan.trigger_channel)}"
        time_per_div = step_up(plan.span_s / DIVISIONS, TIME_STEPS)
        fewest = plan.fewest_points(DIVISIONS * time_per_div)
        depth = next((word for word, points in DEPTHS.items() if points >= fewest), list(DEPTHS)[-1])
        set_and_compare(self._link, [*self._settings(plan, source, time_per_div)])
        self._link.write(f":ACQ:MDEP {depth}")
        points, rate_hz = self._ask_points(":ACQ:POIN?"), self._ask(":ACQ:SRAT?")
        most_s = MOST_SCREENS * DIVISIONS * time_per_div + FASTEST_RECORD_S
        self._seconds_per_sample = sample_interval(points, rate_hz, most_s=most_s, where=self._where)
        self._points = points

    def acquire(self, trigger_wait_s: float) -> bool:
        self._write_all((":TRIG:MODE SING", ":TRIG:RUN"))
        times = {"old_stop_s": OLD_STOP_S, "record_s": self._record_s, "trigger_wait_s": trigger_wait_s}
        return stops_anew(self._progress, self._clock, **times)

    def force(self, wait_s: float) -> bool:
        self._link.write(":TRIG:MODE FTRIG")
        return settles(self.is_stopped, self._clock, wait_s=wait_s + self._record_s)

    def fetch(self, channels: Sequence[str], most_points: int | None = None) -> Record:
        self._write_all((":WAV:INT 1", ":WAV:BYT LSB"))
        self._to_fetch = self._ask_points(":ACQ:POIN?")
        return super().fetch(channels, most_points)

    def is_stopped(self) -> bool:
        return self._progress() == "stopped"

    def restore(self, setup: ScopeSetup) -> None:
        give_back(self._link, self.tree, setup)
        self._link.write(":TRIG:RUN" if setup.running else ":TRIG:STOP")
        compare(self._link, [Setting(*one) for one in setup.kept])

    def release(self) -> None:
        self._write_all((":TRIG:MODE AUTO", ":TRIG:RUN"))

    def _settings(self, plan: Plan, source: str, time_per_div: float) -> Iterator[Setting]:
        yield Setting(":TRIG:MODE", "NORM")
        wanted = {self._number(channel.name): channel for channel in plan.channels}
        for number in range(1, self.abilities.channels + 1):
            channel, plan_of = f":CHAN{number}", wanted.get(number)
            yield Setting(f"{channel}:SWIT", "ON" if plan_of else "OFF")
            if plan_of:
                if self.abilities.fifty_ohm_input:
                    yield Setting(f"{channel}:IMP", "ONEM")
                yield from (Setting(f"{channel}:COUP", "DC"), Setting(f"{channel}:INV", "OFF"))
                yield Setting(f"{channel}:BWL", "20M" if plan.limiter else "FULL")
                yield Setting(f"{channel}:SCAL", f"{plan_of.volts_per_div:g}")
                yield Setting(f"{channel}:OFFS", f"{-plan_of.centre_v:z.4g}", STEP_DIV * plan_of.volts_per_div)
        yield from (Setting(":TIM:SCAL", f"{time_per_div:g}"), Setting(":TIM:DEL", "0"), Setting(":ACQ:TYPE", "NORM"))
        yield from (Setting(":TRIG:TYPE", "EDGE"), Setting(":TRIG:EDGE:SOUR", source))
        yield from (Setting(":TRIG:EDGE:SLOP", "FALL"), Setting(":TRIG:EDGE:COUP", "DC"))
        step_v = STEP_DIV * max((channel.volts_per_div for channel in plan.channels), default=1.0)
        yield Setting(":TRIG:EDGE:LEV", f"{plan.trigger_level_v:.4g}", step_v)

    def _progress(self) -> Progress:
        state = self._link.query(":TRIG:STAT?").strip().upper()
        return "stopped" if state == "STOP" else "waiting" if state == "READY" else "busy"

    def _fetch_one(self, channel: str) -> tuple[ChannelRecord, Scale]:
        self._link.write(f":WAV:SOUR C{self._number(channel)}")
        preamble = self._preamble()
        width = 1 if preamble.bits == 8 else 2
        if preamble.scale.bytes_per_code != width:
            self._link.write(f":WAV:WIDT {'BYTE' if width == 1 else 'WORD'}")
            preamble = self._preamble()
        if preamble.scale.bytes_per_code != width:
            what = f"codes of {preamble.scale.bytes_per_code} bytes where {width} were set"
            raise ReplyError(what, where=self._where, do="capture again")
        most = self._ask_points(":WAV:MAXP?")
        if most < FEWEST_A_READ:
            raise ReplyError(
                f"{most} points a read at most", where=self._where, do="switch it off and on, then try again"
            )
        blocks = [
            self._chunk(first, last - first + 1, width) for first, last in pieces(self._part(self._to_fetch), most)
        ]
        data = blocks[0] if len(blocks) == 1 else b"".join(blocks)
        return decoded(channel, data, preamble, where=self._where), preamble.scale

    def _preamble(self) -> Preamble:
        return read_preamble(self._link.query_block(":WAV:PRE?", PREAMBLE_LIMIT_BYTES), where=self._where)

    def _chunk(self, first: int, points: int, width: int) -> memoryview:
        self._write_all((f":WAV:STAR {first}", f":WAV:POIN {points}"))
        return block_of(self._link, ":WAV:DATA?", points * width)


SIGLENT_2000XPLUS = Family(
    name="siglent-2000xplus",
    series="SDS2000X Plus, SDS800X HD, SDS1000X HD, SDS5000X and SDS6000A series",
    identities=(r"SIGLENT[^,]*,\s*SDS(\d{3,4}X[ -]?(PLUS|HD)|5\d{3}X|6\d{3}A)", r"PEAKWHITE,SIM-DESCRIPTOR(-1002)?,"),
    ways=("USBTMC", "VXI-11", "raw socket"),
    abilities=abilities_of,
    driver=Siglent2000XPlus,
    unsure_of=unsure_of,
)
