"""What the Tektronix families share: the DATa/CURVe dialect, its preamble by name, its status registers, its completion.

Source: programmer manuals 071-1075, 077-0444 and those of the MDO4000B and TDS5000B series (command groups Acquisition,
Horizontal, Trigger, Vertical, Waveform, Miscellaneous for UNLock).

Resolution is found out from the instrument itself, since neither the identity nor BIT_NR (8 times the width asked for)
tells it: the first capture after a configuration is fetched as 16-bit words, where an 8-bit converter leaves the low
byte empty (manual: "the least significant byte is zero") and a 12-bit one the low four bits. Only if the low byte
stayed empty on every channel, of which one moved, are later captures fetched as bytes; either way the volts are right.

After a burst of commands the first question can stay unanswered: a message that sets is sent once more then, over a cleared
link. Over USB, where a scope that timed out is left alone, the time-out is told instead, and the scope tried again later.

Not verified on an instrument: that ACQuire:STATE? is 0 only when CURVe? already gives the new record, and the time that
TRIGger FORCe takes. HORizontal:RECOrdlength is tried and read back, as some models have a fixed one and refuse it.
"""

from collections.abc import Sequence
from typing import ClassVar

import numpy as np

from .capture import ChannelRecord, Codes
from .error_queue import rejected
from .errors import NoRecord, ReplyError
from .family import ChannelPlan, Plan
from .kept import Kept, ask_chained
from .present_setup import ScopeSetup, give_back
from .records import Record, Scale, block_of, channel_record, code_step, codes_in, one_trigger, record_points
from .replies import short, whole_number
from .scpi_driver import ScpiDriver
from .tektronix_preamble import read_preamble
from .waiting import settles

SCREEN_CODES = 8 * 25
"""Eight divisions of 25 codes of 8 bits; 16-bit words hold a code times 256."""
MOVING_STATES = 8
"""So many states of 8 bits that are all multiples of 256 are no chance: of 12 bits one of 16 is."""
ESR_ERRORS = 0b0011_1100
"""Query, device, execution and command error in the standard event status register (IEEE 488.2)."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.0005, 0.01


class TektronixDriver(ScpiDriver):
    """One instrument. A family gives, besides `tree` and `abilities_of`, the messages that differ.

    Attributes:
        preamble_query: what asks for the preamble.
        trigger: the header of the main trigger.
    """

    preamble_query: ClassVar[str]
    trigger: ClassVar[str]
    ask_headers = staticmethod(ask_chained)
    transfer = (":DAT:ENC", ":DAT:WID", ":DAT:SOU", ":DAT:STAR", ":DAT:STOP")
    also_watched = (":ACQ:STATE",)
    _width, _step, _window_points = 2, 256, 0

    def _record_length(self, points: int) -> int:
        """The record length to try for at least so many points."""
        return points

    def _channel_message(self, number: int, plan: ChannelPlan, limiter: bool) -> str:
        """What sets a channel that is switched on."""
        raise NotImplementedError

    def _time_message(self, span_s: float) -> str:
        """What sets the time base, the trigger in the middle."""
        raise NotImplementedError

    def _trigger_message(self, plan: Plan) -> str:
        """What sets source, slope, coupling and level of the edge trigger."""
        raise NotImplementedError

    def _understood(self, setup: ScopeSetup) -> ScopeSetup:
        """The set-up with all that the table alone does not tell."""
        return setup

    def read_transfer(self) -> Kept:
        header = self._link.query(":HEAD?").rpartition(" ")[2]
        verbose = self._link.query(":HEAD OFF;:VERB?")
        self._link.write(":VERB ON")
        kept = super().read_transfer()
        return (*kept, (":VERB", verbose), (":HEAD", header))

    def read_setup(self) -> ScopeSetup:
        self._link.write(":HEAD OFF;:VERB ON")
        setup = self._understood(self._present(self._ask(":ACQ:STATE?") != 0, ask_chained))
        self._expect(record_points(setup.reply(":HOR:RECO"), of=":HOR:RECO?", where=self._where))
        self._link.write(self._window())
        return setup

    def configure(self, plan: Plan) -> None:
        self._points = 0
        self._link.write("*CLS;:HEAD OFF;:VERB ON;:ACQ:STATE STOP;MODE SAM")
        self._link.write(f":HOR:RECO {self._record_length(plan.points)}")
        self._expect(self._ask_points(":HOR:RECO?"))
        wanted = {self._number(channel.name): channel for channel in plan.channels}
        messages = ["*CLS"]
        for number in range(1, self.abilities.channels + 1):
            channel = wanted.get(number)
            if channel is None:
                messages.append(f":SEL:CH{number} OFF")
            else:
                messages.append(f":SEL:CH{number} ON;{self._channel_message(number, channel, plan.limiter)}")
        messages += [
            self._time_message(plan.span_s),
            f":{self.trigger}:TYP EDGE;MOD NORM;{self._trigger_message(plan)}",
        ]
        for message in (*messages, self._window()):
            self._checked(message)

    def acquire(self, trigger_wait_s: float) -> bool:
        return self._complete(":ACQ:STOPA SEQ;STATE RUN;STATE?", trigger_wait_s)

    def force(self, wait_s: float) -> bool:
        return self._complete(":TRIG FORC;:ACQ:STATE?", wait_s)

    def fetch(self, channels: Sequence[str], most_points: int | None = None) -> Record:
        self._most_points = most_points
        part = self._part(self._points_to_fetch)
        if part != self._window_points:
            self._window_points = part
            self._checked(self._window())
        fetched = [self._fetch_codes(channel) for channel in channels]
        if self._width == 2:
            self._step = min(self._step, code_step([codes for codes, _ in fetched], (256, 64, 16, 4, 1)))
        named = zip(channels, fetched, strict=True)
        record = one_trigger(
            [(_record(name, codes, scale, self._step), scale) for name, (codes, scale) in named], where=self._where
        )
        if self._width == 2 and self._step == 256 and any(_moves(codes) for codes, _ in fetched):
            self._width = 1
            self._checked(self._window())
        return record

    def restore(self, setup: ScopeSetup) -> None:
        self._link.write("*CLS;:HEAD OFF;:VERB ON;:ACQ:STATE STOP")
        give_back(self._link, self.tree, setup)
        self._checked(f":ACQ:STATE {'RUN' if setup.running else 'STOP'};:UNL ALL")

    def restore_transfer(self, kept: Kept) -> None:
        self._link.write("*CLS;:HEAD OFF;:VERB ON")
        messages = [f"{header} {reply}" for header, reply in kept]
        self._write_all(messages[:-1])
        self._checked(messages[-1])

    def release(self) -> None:
        self._link.write(f":HEAD OFF;:{self.trigger}:MOD AUTO;:ACQ:STOPA RUNST;STATE RUN;:UNL ALL")

    def _window(self) -> str:
        """The whole record, as signed bytes, or as unsigned words with the low byte first."""
        encoding = "RIB;WID 1" if self._width == 1 else "SRP;WID 2"
        return f":DAT:STAR 1;STOP {self._window_points};ENC {encoding}"

    def _expect(self, points: int) -> None:
        """Records of that length are to come, of which the resolution is not known."""
        self._points = self._window_points = points
        self._width, self._step = 2, 256

    def _checked(self, message: str) -> None:
        """Send a message and read the event status. Raises InstrumentRejected with the instrument's own words."""
        told = self._once_more(lambda: self._link.query(f"{message};*ESR?"))
        if whole_number(told, of="*ESR?", where=self._where) & ESR_ERRORS:
            raise rejected(f"'{message}', {short(self._link.query('ALLEV?'), 120)}", where=self._where)

    def _complete(self, first: str, wait_s: float) -> bool:
        """Poll until the acquisition has stopped by itself. Polling leaves no answer owing where `*OPC?` would."""
        messages = iter((first,))
        pauses = {"pause_s": FIRST_PAUSE_S, "longest_s": LONGEST_PAUSE_S}
        return settles(lambda: self._ask(next(messages, ":ACQ:STATE?")) == 0, self._clock, wait_s=wait_s, **pauses)

    def _fetch_codes(self, channel: str) -> tuple[Codes, Scale]:
        told, _, status = self._link.query(
            f":DAT:SOU CH{self._number(channel)};:HEAD ON;:{self.preamble_query}?;*ESR?"
        ).rpartition(";")
        if whole_number(status, of="*ESR?", where=self._where) & ESR_ERRORS and not told:
            what = f"{channel} holds no record: it is off, or was switched on after Stop"
            raise NoRecord(what, where=self._where, do="switch it on and press Run, then Stop or Single")
        scale, points = read_preamble(told, where=self._where), self._window_points
        if (scale.bytes_per_code, scale.points) != (self._width, points):
            what = f"{scale.points} points of {scale.bytes_per_code} bytes where {points} of {self._width} were set"
            raise ReplyError(what, where=self._where, do="capture again")
        block = block_of(self._link, ":HEAD OFF;:CURV?", points * self._width)
        return codes_in(block, "i1" if self._width == 1 else "<u2"), scale


def _moves(codes: Codes) -> bool:
    """Whether words show so many states that an empty low byte tells of 8 bits."""
    return int(np.count_nonzero(np.bincount(codes >> 8, minlength=256))) >= MOVING_STATES


def _record(name: str, codes: Codes, scale: Scale, step: int) -> ChannelRecord:
    if codes.itemsize == 1:
        return channel_record(name, codes, scale, (-128, 127), screen_codes=SCREEN_CODES)
    return channel_record(name, codes, scale, (0, 65536 - step), screen_codes=256 * SCREEN_CODES, code_step=step)
