"""The `descriptor` dialect: a binary descriptor of 346 bytes for a preamble, signed bytes or words, state polling, blocks of
limited length.

After the "Digital Oscilloscopes SDS Series" programming guide, of which there is no error queue: what is refused stays as it
was. Beyond the guide a record fills its memory at any time per division. Not verified on an instrument: the sign of the
delay, that a word is the code as it is (memory has it left-justified), and how long the state lags behind arming.
"""

import struct
from itertools import pairwise

import numpy as np

from .codes import encoded
from .dialect import Dialect, State, channel_names
from .instrument import MAX_SAMPLES
from .kinds import IMPEDANCE, ON_OFF, Arguments, integers, numbers, words
from .scpi import Answer, Block, ScpiError, choice, nr3, number, only

STATES: dict[State, str] = {
    "auto": "Auto",
    "triggered": "Trig'd",
    "armed": "Arm",
    "waiting": "Ready",
    "stopped": "Stop",
}
MEMORY = {"10k": 10_000, "100k": 100_000, "1M": 1_000_000, "10M": 10_000_000}
TIME_STEPS_S = tuple(float(f"{mantissa}e{decade}") for decade in range(-10, 4) for mantissa in (1, 2, 5))[1:-2]
"""From 200 ps to 1000 s a division; the descriptor holds a step's index."""
BYTES_PER_READ = 250_000
LEVEL_DIVISIONS = 4.1
DIGITS = 9
SIZE = 346
"""Of the descriptor, in bytes."""
DELAY, TIME_STEP, PROBE = 0xB4, 0x144, 0x148
"""Where the fields begin that a fault leaves out."""


class DescriptorFace(Dialect):
    """The dialect's commands over the instrument."""

    default_identity = "PEAKWHITE,SIM-DESCRIPTOR,SIM000001,1.0"
    divisions = 10
    codes_per_div = 30
    state_lag_s = 0.2

    def reset(self) -> None:
        """`*RST`."""
        super().reset()
        self._factory()

    def _factory(self) -> None:
        self.instrument.set_horizontal(samples=10_000, seconds_per_div=1e-6, position_s=0.0)
        self._is_single = False
        self._source = 1
        self._width = 1
        self._order = "LSB"
        self._start = self._points = 0
        self._interval = 1

    def operation_complete(self) -> Answer:
        """At once: it does not wait for the trigger."""
        return "1"

    def note_operation_complete(self) -> None:
        """At once."""
        self.status.event_status |= 1

    # ------------------------------------------------------------------ the tree

    def add_commands(self) -> None:
        """Enters the tree."""
        self._factory()
        self._add_channels()
        self._add_time()
        self._add_trigger()
        self._add_waveform()

    def _add_channels(self) -> None:
        scope = self.instrument
        self.channel("CHANnel<n>:SWITch", "on", ON_OFF)
        self.channel_scale("CHANnel<n>:SCALe", keeps_offset=True)
        self.channel_offset("CHANnel<n>:OFFSet")
        self.channel("CHANnel<n>:COUPling", "coupling", words({"DC": "DC", "AC": "AC", "GND": "GND"}))
        self.channel("CHANnel<n>:BWLimit", "bandwidth_limited", words({"20M": True, "FULL": False}, short=False))
        self.channel("CHANnel<n>:INVert", "inverted", ON_OFF)
        self.channel("CHANnel<n>:IMPedance", "fifty_ohm", IMPEDANCE)
        self.fixed("CHANnel<n>:UNIT", "V")
        self.table.add("CHANnel<n>:PROBe", lambda n, a: nr3(scope.channels[n].probe), self._set_probe)

    def _add_time(self) -> None:
        scope, add = self.instrument, self.table.add
        add("TIMebase:SCALe", lambda i, a: nr3(scope.horizontal.seconds_per_div), self._set_time_step)
        self.horizontal("TIMebase:DELay", "position_s", numbers(-100, 100))
        self.horizontal("ACQuire:MDEPth", "samples", words(MEMORY, short=False))
        add("ACQuire:POINts", lambda i, a: nr3(self.held()[1].samples))
        add("ACQuire:SRATe", lambda i, a: nr3(1 / self.held()[1].step_s))
        add("ACQuire:NUMAcq", lambda i, a: str(scope.acquisitions))
        self.fixed("ACQuire:TYPE", "NORMal", short=False)

    def _add_trigger(self) -> None:
        self.act("TRIGger:RUN", self._run)
        self.act("TRIGger:STOP", self.halt)
        self.act("TRIGger:FORce", self.instrument.force)
        self.table.add("TRIGger:STATus", lambda i, a: STATES[self.lagging_state()])
        self.table.add("TRIGger:MODE", lambda i, a: self._mode(), self._set_mode)
        self.fixed("TRIGger:TYPE", "EDGE")
        self.trigger_source("TRIGger:EDGE:SOURce", "C{n}", "EX")
        self.trigger_level("TRIGger:EDGE:LEVel", LEVEL_DIVISIONS)
        self.trigger("TRIGger:EDGE:SLOPe", "rising", words({"RISing": True, "FALLing": False}, short=False))
        self.fixed("TRIGger:EDGE:COUPling", "DC")

    def _add_waveform(self) -> None:
        add = self.table.add
        self.own("WAVeform:SOURce", "_source", words(channel_names("C{n}")))
        self.own("WAVeform:STARt", "_start", integers(0, MAX_SAMPLES))
        self.own("WAVeform:POINt", "_points", integers(0, MAX_SAMPLES))
        self.own("WAVeform:INTerval", "_interval", integers(1, MAX_SAMPLES))
        self.own("WAVeform:WIDTh", "_width", words({"BYTE": 1, "WORD": 2}))
        self.own("WAVeform:BYTeorder", "_order", words({"LSB": "LSB", "MSB": "MSB"}))
        add("WAVeform:MAXPoint", lambda i, a: str(BYTES_PER_READ // self._width))
        add("WAVeform:PREamble", lambda i, a: self._preamble())
        add("WAVeform:DATA", lambda i, a: self._data())

    # ------------------------------------------------------------------ settings

    def _set_probe(self, channel: int, arguments: Arguments) -> None:
        """`VALue,10`, `DEFault`, or the number alone."""
        if len(arguments) == 2:
            choice(arguments[:1], "VALue")
            arguments = arguments[1:]
        is_default = only(arguments).upper() in ("DEF", "DEFAULT")
        self.instrument.set_channel(channel, probe=1.0 if is_default else number(arguments, 1e-6, 1e6))

    def _set_time_step(self, index: int, arguments: Arguments) -> None:
        """The step asked for, or the next longer one."""
        wanted_s = number(arguments, TIME_STEPS_S[0], TIME_STEPS_S[-1])
        step_s = next(step for step in TIME_STEPS_S if step >= wanted_s * (1 - 1e-6))
        self.instrument.set_horizontal(seconds_per_div=step_s)

    def _mode(self) -> str:
        if self._is_single:
            return "SINGLE"
        return "AUTO" if self.instrument.trigger.mode == "AUTO" else "NORMAL"

    def _set_mode(self, index: int, arguments: Arguments) -> None:
        wanted = choice(arguments, "AUTO", "NORMal", "SINGle", "FTRIG")
        if wanted == "FTRIG":
            self.instrument.force()
            return
        self._is_single = wanted == "SINGle"
        self.instrument.set_trigger(mode="AUTO" if wanted == "AUTO" else "NORMAL")
        self._run()

    def _run(self) -> None:
        if self._is_single:
            self.arm()
        else:
            self.go()

    # ------------------------------------------------------------------ waveforms

    def _preamble(self) -> Block:
        acquired, horizontal = self.held()
        settings = self.shown(self._source, acquired, self._conflict())
        adc = self.instrument.adc
        volts_per_div = self.faults.volts_per_code(settings.volts_per_div / settings.probe)
        step_s = float(self.faults.time_step(nr3(horizontal.step_s)))
        made = bytearray(SIZE)
        made[:8] = b"WAVEDESC"
        for form, offset, value in (
            ("h", 0x20, self._width - 1),
            ("h", 0x22, int(self._order == "MSB")),
            ("i", 0x24, SIZE),
            ("i", 0x3C, self.faults.points(horizontal.samples) * self._width),
            ("i", 0x74, self.faults.points(horizontal.samples)),
            ("f", 0x9C, volts_per_div),
            ("f", 0xA0, settings.position_div * settings.volts_per_div / settings.probe),
            ("f", 0xA4, adc.codes_per_div),
            ("h", 0xAC, adc.bits),
            ("f", 0xB0, step_s),
            ("d", DELAY, horizontal.position_s),
            ("h", TIME_STEP, TIME_STEPS_S.index(horizontal.seconds_per_div)),
            ("f", PROBE, settings.probe),
        ):
            struct.pack_into(f"<{form}", made, offset, value)
        cuts = (0, DELAY, TIME_STEP, PROBE, SIZE)
        fields = [made[begin:end].hex() for begin, end in pairwise(cuts)]
        return Block(self.faults.block(bytes.fromhex("".join(self.faults.preamble(fields))), DIGITS) + b"\n")

    def _conflict(self) -> ScpiError:
        return ScpiError(-221, f"Settings conflict; channel {self._source} is off")

    def _data(self) -> Block:
        acquired = self.instrument.latest()
        if acquired is None:
            raise ScpiError(-230, "Data corrupt or stale; nothing was acquired")
        self.shown(self._source, acquired, self._conflict())
        codes = acquired.codes[self._source][self._start :: self._interval]
        codes = codes[: self._points or codes.size]
        if codes.size == 0 or codes.size * self._width > BYTES_PER_READ:
            raise ScpiError(-222, f"Data out of range; {BYTES_PER_READ} bytes a read at most")
        if self._width == 1:
            data = encoded(codes, width=1, signed=True)
        else:
            signed = codes.astype(np.int16) - np.int16(acquired.adc.middle)
            data = signed.astype("<i2" if self._order == "LSB" else ">i2").tobytes()
        return Block(self.faults.block(data, DIGITS) + b"\n")
