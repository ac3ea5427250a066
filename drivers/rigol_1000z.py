"""The preamble dialect with state polling: DS1000Z and MSO1000Z series, and the simulated scope's `preamble`.

Source: MSO1000Z/DS1000Z Programming Guide (:ACQuire, :CHANnel, :TIMebase, :TRIGger, :WAVeform, :SYSTem:ERRor). The guide
knows no chaining of commands, so that each is a message of its own.

Pace: after :SINGle the first replies to :TRIGger:STATus? can still be the STOP of the capture before. STOP is believed only
when another state was seen since, or 0.3 s and the record's duration have passed: about 3 captures a second. The wait is
never shortened by comparing data, which could take the channels from two triggers.

8 bits: a WORD holds no more than a BYTE here, so bytes are fetched. Codes 0 and 255 are taken as the rails.
Not verified on an instrument: the rails, and that :ACQuire:MDEPth is accepted only while running (it is set running),
and how long a record can last.
The gain specification, 3 % of full scale, is from memory: no data sheet was read.
The preamble's count can stay 1200 in RAW mode: a block is checked against what :WAVeform:STARt and :STOP asked for.
While it runs only the 1200 points of its screen can be had.
"""

import numpy as np

from .capture import ChannelRecord, GainSpec
from .error_queue import raise_rejections
from .errors import ReplyError
from .family import Abilities, ChannelPlan, Family, Plan, channel_count, step_up
from .identity import Identity
from .present_setup import ScopeSetup, SettingsTree, give_back
from .records import Scale, block_of, channel_record, pieces, record_points, scale_of
from .replies import number
from .scpi_driver import ScpiDriver
from .waiting import Progress, settles, stops_anew

SCREEN_CODES = 8 * 25
"""Eight divisions of 25 codes."""
SCREEN_POINTS = 1200
TIME_STEPS = (1.0, 2.0, 5.0)
DEPTHS = (12_000, 120_000, 1_200_000, 12_000_000)
"""Memory with one channel on; half of it with two, a quarter with three or four."""
CHUNK_POINTS = 250_000
"""The most bytes that one :WAVeform:DATA? gives."""
OLD_STOP_S = 0.3
LONGEST_RECORD_S = 1000.0
"""Of any set-up: the slowest screen lasts 600 s."""
MOST_SCREENS, FASTEST_RECORD_S = 10, 0.1
"""A record that was set up lasts about a screen, or where the rate can rise no more, the 12 or 24 ms of all memory."""
GAIN_SPEC = GainSpec(3.0, "full-scale", from_data_sheet=False)
PREAMBLE_FIELDS = (
    *("format", "type", "points", "count", "xincrement", "xorigin", "xreference"),
    *("yincrement", "yorigin", "yreference"),
)

TREE = SettingsTree(
    channel={"on": ":CHAN{n}:DISP", "probe": ":CHAN{n}:PROB", "scale": ":CHAN{n}:SCAL", "position": ":CHAN{n}:OFFS"}
    | {"coupling": ":CHAN{n}:COUP", "limiter": ":CHAN{n}:BWL", "inverted": ":CHAN{n}:INV"},
    scope={"time_mode": ":TIM:MODE", "time_scale": ":TIM:SCAL", "time_position": ":TIM:OFFS"}
    | {"acquisition": ":ACQ:TYPE", "points": ":ACQ:MDEP"}
    | {"trigger_source": ":TRIG:EDG:SOUR", "slope": ":TRIG:EDG:SLOP", "trigger_level": ":TRIG:EDG:LEV"}
    | {"trigger_coupling": ":TRIG:COUP", "trigger_type": ":TRIG:MODE", "trigger_mode": ":TRIG:SWE"},
    centre_v=lambda volts_per_div, offset_v: -offset_v,
    divisions=12,
)


def abilities_of(identity: Identity) -> Abilities:
    """Of 8 bits and 1 megohm. The guide's edge sources are the channels, digital lines and the mains: no EXT."""
    return Abilities(channel_count(identity), 8, DEPTHS, GAIN_SPEC, video_trigger=True)


def read_preamble(text: str, *, where: str, seconds_per_sample: float = 0.0) -> Scale:
    """The preamble of ten fields.

    volts = (code - yorigin - yreference) yincrement, yorigin in codes; seconds = xorigin + (i - xreference) xincrement.
    `seconds_per_sample` serves where xincrement is printed as 0.000000. Raises ReplyError.
    """
    fields = text.split(",")
    if len(fields) != len(PREAMBLE_FIELDS):
        do = "check that the right instrument family is in use"
        raise ReplyError(f"a preamble of {len(fields)} fields, not {len(PREAMBLE_FIELDS)}", where=where, do=do)
    value = {name: number(field, of=name, where=where) for name, field in zip(PREAMBLE_FIELDS, fields, strict=True)}
    volts, seconds = value["yincrement"], value["xincrement"] or seconds_per_sample
    return scale_of(
        volts,
        -(value["yorigin"] + value["yreference"]) * volts,
        seconds,
        value["xorigin"] - value["xreference"] * seconds,
        where=where,
    )


class Rigol1000Z(ScpiDriver):
    """One instrument of the family."""

    tree = TREE
    abilities_of = staticmethod(abilities_of)

    def read_setup(self) -> ScopeSetup:
        setup = self._present(self._progress() != "stopped")
        self._write_all((f":WAV:MODE {'NORM' if setup.running else 'RAW'}", ":WAV:FORM BYTE"))
        if setup.running:
            self._expect(SCREEN_POINTS, setup.span_s / SCREEN_POINTS, LONGEST_RECORD_S)
        else:
            self._read_memory(setup.span_s, setup.reply(":ACQ:MDEP"), LONGEST_RECORD_S)
        return setup

    def configure(self, plan: Plan) -> None:
        self._points = 0
        wanted = {self._number(channel.name): channel for channel in plan.channels}
        time_per_div = step_up(plan.span_s / TREE.divisions, TIME_STEPS)
        messages = ["*CLS", ":RUN"]
        for channel in range(1, self.abilities.channels + 1):
            messages += _channel_messages(channel, wanted.get(channel), plan.limiter)
        messages += [":TIM:MODE MAIN", f":TIM:SCAL {time_per_div:g}", ":TIM:OFFS 0"]
        messages += [":ACQ:TYPE NORM", f":ACQ:MDEP {_depth(plan.points, len(wanted))}"]
        messages += [
            ":TRIG:MODE EDGE",
            f":TRIG:EDG:SOUR CHAN{self._number(plan.trigger_channel)}",
            ":TRIG:EDG:SLOP NEG",
        ]
        messages += [f":TRIG:EDG:LEV {plan.trigger_level_v:.4g}", ":TRIG:COUP DC", ":TRIG:SWE NORM"]
        messages += [":WAV:MODE RAW", ":WAV:FORM BYTE"]
        self._write_all(messages)
        raise_rejections(self._link)
        span_s = time_per_div * TREE.divisions
        self._read_memory(span_s, self._link.query(":ACQ:MDEP?"), MOST_SCREENS * span_s + FASTEST_RECORD_S)

    def acquire(self, trigger_wait_s: float) -> bool:
        self._link.write(":SING")
        times = {"old_stop_s": OLD_STOP_S, "record_s": self._record_s, "trigger_wait_s": trigger_wait_s}
        return stops_anew(self._progress, self._clock, **times)

    def force(self, wait_s: float) -> bool:
        self._link.write(":TFOR")
        return settles(lambda: self._progress() == "stopped", self._clock, wait_s=wait_s + self._record_s)

    def restore(self, setup: ScopeSetup) -> None:
        self._link.write(":RUN")
        give_back(self._link, TREE, setup)
        self._link.write(":RUN" if setup.running else ":STOP")

    def release(self) -> None:
        self._write_all((":TRIG:SWE AUTO", ":RUN"))

    def _progress(self) -> Progress:
        state = self._link.query(":TRIG:STAT?").strip().upper()
        return "stopped" if state == "STOP" else "waiting" if state == "WAIT" else "busy"

    def _read_memory(self, span_s: float, depth: str, longest_s: float) -> None:
        """Rate and length of the record; AUTO memory is as long as the screen lasts."""
        rate_hz = self._ask(":ACQ:SRAT?")
        if rate_hz <= 0.0:
            raise ReplyError(f"a sample rate of {rate_hz:g} Hz", where=self._where, do="start an acquisition by hand")
        automatic = depth.strip().upper().startswith("AUTO")
        told = f"{rate_hz * span_s:.0f}" if automatic else depth
        self._expect(record_points(told, of=":ACQ:MDEP?", where=self._where), 1.0 / rate_hz, longest_s)

    def _expect(self, points: int, seconds_per_sample: float, longest_s: float) -> None:
        """Take these as the record's. Raises ReplyError if it would last longer than that: `acquire` waits so long."""
        lasts_s = points * seconds_per_sample
        if not 0.0 < lasts_s <= longest_s:
            what = f"a record of {points} points that lasts {lasts_s:g} s, where {longest_s:g} s is the most"
            raise ReplyError(what, where=self._where, do="start an acquisition by hand")
        self._points, self._seconds_per_sample = points, seconds_per_sample

    def _fetch_one(self, channel: str) -> tuple[ChannelRecord, Scale]:
        self._link.write(f":WAV:SOUR CHAN{self._number(channel)}")
        told = self._link.query(":WAV:PRE?")
        scale = read_preamble(told, where=self._where, seconds_per_sample=self._seconds_per_sample)
        chunks = [self._chunk(first + 1, last + 1) for first, last in pieces(self._points_to_fetch, CHUNK_POINTS)]
        codes = chunks[0] if len(chunks) == 1 else np.concatenate(chunks)
        return channel_record(channel, codes, scale, (0, 255), screen_codes=SCREEN_CODES), scale

    def _chunk(self, start: int, stop: int) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
        """Points from `start` to `stop`; the first is 1."""
        self._write_all((f":WAV:STAR {start}", f":WAV:STOP {stop}"))
        return np.frombuffer(block_of(self._link, ":WAV:DATA?", stop - start + 1), np.uint8)


def _channel_messages(channel: int, plan: ChannelPlan | None, limiter: bool) -> list[str]:
    if plan is None:
        return [f":CHAN{channel}:DISP 0"]
    settings = ["DISP 1", "COUP DC", "INV 0", f"BWL {'20M' if limiter else 'OFF'}"]
    settings += [f"SCAL {plan.volts_per_div:g}", f"OFFS {-plan.centre_v:z.4g}"]
    return [f":CHAN{channel}:{setting}" for setting in settings]


def _depth(points: int, channels_on: int) -> int:
    """The smallest memory that holds `points`, or the largest there is."""
    share = 1 if channels_on == 1 else 2 if channels_on == 2 else 4
    return next((depth // share for depth in DEPTHS if depth // share >= points), DEPTHS[-1] // share)


RIGOL_1000Z = Family(
    name="rigol-1000z",
    series="DS1000Z and MSO1000Z series",
    identities=(r"RIGOL TECHNOLOGIES,(DS|MSO)1\d{3}Z", r"PEAKWHITE,SIM-PREAMBLE,"),
    ways=("USBTMC", "VXI-11", "raw socket"),
    abilities=abilities_of,
    driver=Rigol1000Z,
)
