"""What the Rigol families share: one tree of commands, state polling, a preamble of ten fields, blocks of limited length.

Source: MSO1000Z/DS1000Z and DHO800/DHO900 Programming Guides (:ACQuire, :CHANnel, :TIMebase, :TRIGger, :WAVeform,
:SYSTem:ERRor). The guides know no chaining of commands, so that each is a message of its own.

Pace: after :SINGle the first replies to :TRIGger:STATus? can still be the STOP of the capture before. STOP is believed only
when another state was seen since, or 0.3 s and the record's duration have passed: about 3 captures a second. The wait is
never shortened by comparing data, which could take the channels from two triggers.
Several large pieces of a record in a row can stall over the network: a piece that does not come is asked for once more.
The gain specification, 3 % of full scale, is from memory: no data sheet was read.
"""

from collections.abc import Mapping, Sequence
from functools import partial
from typing import ClassVar, Literal, cast

import numpy as np

from .capture import ChannelRecord, Codes, GainSpec
from .error_queue import raise_rejections
from .errors import ReplyError
from .family import ChannelPlan, Plan, step_up
from .present_setup import ScopeSetup, give_back
from .records import Scale, block_of, channel_record, code_step, codes_in, pieces, record_points
from .rigol_preamble import read_preamble
from .scpi_driver import ScpiDriver
from .waiting import Progress, settles, stops_anew

GAIN_SPEC = GainSpec(3.0, "full-scale", from_data_sheet=False)
TIME_STEPS = (1.0, 2.0, 5.0)
CHUNK_BYTES = 250_000
"""The most that one :WAVeform:DATA? gives (DS1000Z guide; the others state no limit)."""
WORD_STEP = 16
"""Distance of neighbouring codes where 12 bits are left-justified in 16."""
OLD_STOP_S = 0.3
LONGEST_RECORD_S = 1000.0
"""Of any set-up: the slowest screen of the DS1000Z lasts 600 s."""
MOST_SCREENS, FASTEST_RECORD_S = 10, 0.1
"""A record that was set up lasts about a screen, or where the rate can rise no more, the few ms of all memory."""


class RigolDriver(ScpiDriver):
    """One instrument. A family gives, besides `tree` and `abilities_of`:

    Attributes:
        screen_points: that can be had while it runs.
        depths: the lengths of memory that it has, by the words that set them; or `_depth_for` of its own.
        form: in which codes are fetched; WORD: 12 bits, left-justified, low byte first.
        screen_codes: from bottom to top of the screen.
        settling_s: what it needs between the state STOP and the first question for its record.
        forgets_form: mode and form have to be sent before every read.
    """

    screen_points: ClassVar[int]
    depths: ClassVar[Mapping[str, int]]
    form: ClassVar[Literal["BYTE", "WORD"]] = "BYTE"
    screen_codes: ClassVar[int]
    settling_s: ClassVar[float] = 0.0
    forgets_form: ClassVar[bool] = False

    transfer = (":WAV:MODE", ":WAV:FORM", ":WAV:SOUR", ":WAV:STOP", ":WAV:STAR")
    _mode = "RAW"

    def read_setup(self) -> ScopeSetup:
        setup = self._present(self._progress() != "stopped")
        self._mode = "NORM" if setup.running else "RAW"
        self._write_all(self._form_messages())
        if setup.running:
            self._expect(self.screen_points, setup.span_s / self.screen_points, LONGEST_RECORD_S)
        else:
            self._read_memory(setup.span_s, setup.reply(":ACQ:MDEP"), LONGEST_RECORD_S)
        return setup

    def configure(self, plan: Plan) -> None:
        self._points, self._mode = 0, "RAW"
        wanted = {self._number(channel.name): channel for channel in plan.channels}
        time_per_div = step_up(plan.span_s / self.tree.divisions, TIME_STEPS)
        messages = ["*CLS", ":RUN"]
        for channel in range(1, self.abilities.channels + 1):
            messages += _channel_messages(channel, wanted.get(channel), plan.limiter)
        messages += [":TIM:MODE MAIN", f":TIM:SCAL {time_per_div:g}", ":TIM:OFFS 0", ":ACQ:TYPE NORM"]
        span_s = time_per_div * self.tree.divisions
        messages.append(f":ACQ:MDEP {self._depth_for(plan.fewest_points(span_s), len(wanted))}")
        source = f"CHAN{self._number(plan.trigger_channel)}"
        messages += [":TRIG:MODE EDGE", f":TRIG:EDG:SOUR {source}", ":TRIG:EDG:SLOP NEG"]
        messages += [f":TRIG:EDG:LEV {plan.trigger_level_v:.4g}", ":TRIG:COUP DC", ":TRIG:SWE NORM"]
        self._write_all((*messages, *self._form_messages()))
        raise_rejections(self._link)
        self._read_memory(span_s, self._link.query(":ACQ:MDEP?"), MOST_SCREENS * span_s + FASTEST_RECORD_S)

    def acquire(self, trigger_wait_s: float) -> bool:
        self._link.write(":SING")
        times = {"old_stop_s": OLD_STOP_S, "record_s": self._record_s, "trigger_wait_s": trigger_wait_s}
        return self._settled(stops_anew(self._progress, self._clock, **times))

    def force(self, wait_s: float) -> bool:
        self._link.write(":TFOR")
        wait_s += self._record_s
        return self._settled(settles(lambda: self._progress() == "stopped", self._clock, wait_s=wait_s))

    def is_stopped(self) -> bool:
        return self._progress() == "stopped"

    def restore(self, setup: ScopeSetup) -> None:
        self._write_all(("*CLS", ":RUN"))
        give_back(self._link, self.tree, setup)
        self._link.write(":RUN" if setup.running else ":STOP")
        raise_rejections(self._link)

    def release(self) -> None:
        self._write_all((":TRIG:SWE AUTO", ":RUN"))

    def _transfer_messages(self, kept: Mapping[str, str]) -> Sequence[str]:
        """No window ends before it begins, on the way either."""
        *before, stop, start = super()._transfer_messages(kept)
        return [*before, ":WAV:STAR 1", stop, start]

    def _progress(self) -> Progress:
        state = self._link.query(":TRIG:STAT?").strip().upper()
        return "stopped" if state == "STOP" else "waiting" if state == "WAIT" else "busy"

    def _settled(self, stopped: bool) -> bool:
        if stopped and self.settling_s:
            self._clock.sleep(self.settling_s)
        return stopped

    def _form_messages(self) -> tuple[str, ...]:
        """Screen or memory, and the form of codes."""
        return (f":WAV:MODE {self._mode}", f":WAV:FORM {self.form}")

    def _depth_for(self, points: int, channels_on: int) -> str:
        """The smallest memory that holds `points`, or the largest there is."""
        return next((word for word, depth in self.depths.items() if depth >= points), list(self.depths)[-1])

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
        reminders = self._form_messages() if self.forgets_form else ()
        self._write_all((f":WAV:SOUR CHAN{self._number(channel)}", *reminders))
        told = self._link.query(":WAV:PRE?")
        scale = read_preamble(told, where=self._where, seconds_per_sample=self._seconds_per_sample)
        width = 1 if self.form == "BYTE" else 2
        if scale.bytes_per_code != width:
            what = f"a preamble for codes of {scale.bytes_per_code} bytes where {self.form} was set"
            raise ReplyError(what, where=self._where, do="capture again")
        chunks = [
            self._once_more(partial(self._chunk, first + 1, last + 1, reminders))
            for first, last in pieces(self._part(self._points_to_fetch), CHUNK_BYTES // width)
        ]
        codes = chunks[0] if len(chunks) == 1 else cast(Codes, np.concatenate(chunks))
        rails, step = (0, 0xFF), 1
        if self.form == "WORD":
            rails, step = (0, 0x10000 - WORD_STEP), code_step([codes], (WORD_STEP, 4, 1))
        return channel_record(channel, codes, scale, rails, screen_codes=self.screen_codes, code_step=step), scale

    def _chunk(self, start: int, stop: int, reminders: tuple[str, ...]) -> Codes:
        """Points from `start` to `stop`; the first is 1."""
        self._write_all((*reminders, f":WAV:STAR {start}", f":WAV:STOP {stop}"))
        width, kind = (1, "u1") if self.form == "BYTE" else (2, "<u2")
        return codes_in(block_of(self._link, ":WAV:DATA?", (stop - start + 1) * width), kind)


def _channel_messages(channel: int, plan: ChannelPlan | None, limiter: bool) -> list[str]:
    if plan is None:
        return [f":CHAN{channel}:DISP 0"]
    settings = ["DISP 1", "COUP DC", "INV 0", f"BWL {'20M' if limiter else 'OFF'}"]
    settings += [f"SCAL {plan.volts_per_div:g}", f"OFFS {-plan.centre_v:z.4g}"]
    return [f":CHAN{channel}:{setting}" for setting in settings]
