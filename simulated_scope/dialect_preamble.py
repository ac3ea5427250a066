"""The `preamble` dialect: ASCII preamble of ten fields, offset-binary bytes, state polling, blocks of limited length.

After the MSO1000Z/DS1000Z programming guide; beyond it any record length can be set. Not verified on an instrument:
that `*OPC?` does not wait for the trigger, and how long the state lags behind arming.
"""

from functools import partial

import numpy as np

from .codes import encoded
from .dialect import Dialect, State, channel_names
from .front_end import ChannelSettings
from .instrument import MAX_SAMPLES, MIN_SAMPLES
from .kinds import SWITCH, Arguments, integers, numbers, words
from .scpi import Answer, Block, ScpiError, choice, nr3, number

FORMATS = ("BYTE", "WORD")
MODES = ("NORMal", "MAXimum", "RAW")
STATES: dict[State, str] = {"auto": "AUTO", "triggered": "TD", "armed": "RUN", "waiting": "WAIT", "stopped": "STOP"}

BYTES_PER_READ = 250_000
LEVEL_DIVISIONS = 5
HEADER_DIGITS = 9

FIELD_QUERIES = ("XINCrement", "XORigin", "XREFerence", "YINCrement", "YORigin", "YREFerence")
"""The preamble's fields from the fifth on that can be asked for alone."""


class PreambleFace(Dialect):
    """The dialect's commands over the instrument."""

    default_identity = "PEAKWHITE,SIM-PREAMBLE,SIM000001,1.0"
    divisions = 12
    state_lag_s = 0.2
    screen_points = 1200
    auto_points = 12_000
    """Of the memory that it chooses by itself."""
    zero = "0"
    """How xreference is printed."""

    def reset(self) -> None:
        """`*RST`."""
        super().reset()
        self._factory()

    def _factory(self) -> None:
        self.instrument.set_horizontal(samples=self.auto_points, seconds_per_div=1e-6, position_s=0.0)
        self._source = 1
        self._mode = "NORMal"
        self._format = "BYTE"
        self._start = 1
        self._stop = self.screen_points
        self._depth_is_auto = True

    # ------------------------------------------------------------------ the tree

    def add_commands(self) -> None:
        """Enters the tree."""
        self._factory()
        self.add_error_queue()
        self._add_run_control()
        self._add_channels()
        self._add_time()
        self._add_trigger()
        self._add_waveform()

    def _add_run_control(self) -> None:
        scope = self.instrument
        self.act("RUN", scope.run)
        self.act("STOP", scope.stop)
        self.act("SINGle", self.arm)
        self.act("TFORce", scope.force)
        self.table.add("TRIGger:STATus", lambda i, a: STATES[self.lagging_state()])

    def _add_channels(self) -> None:
        self.channel("CHANnel<n>:DISPlay", "on", SWITCH)
        self.channel_scale("CHANnel<n>:SCALe", keeps_offset=True)
        self.channel_offset("CHANnel<n>:OFFSet")
        self.channel("CHANnel<n>:COUPling", "coupling", words({"DC": "DC", "AC": "AC", "GND": "GND"}))
        self.channel("CHANnel<n>:BWLimit", "bandwidth_limited", words({"20M": True, "OFF": False}))
        self.channel("CHANnel<n>:PROBe", "probe", numbers(0.01, 1000))
        self.channel("CHANnel<n>:INVert", "inverted", SWITCH)

    def _add_time(self) -> None:
        scope, add = self.instrument, self.table.add
        self.horizontal("TIMebase[:MAIN]:SCALe", "seconds_per_div", numbers(1e-9, 10))
        self.horizontal("TIMebase[:MAIN]:OFFSet", "position_s", numbers(-100, 100))
        self.fixed("TIMebase:MODE", "MAIN")
        add(
            "ACQuire:MDEPth",
            lambda i, a: "AUTO" if self._depth_is_auto else self.said_depth(scope.horizontal.samples),
            self._set_depth,
        )
        add("ACQuire:SRATe", lambda i, a: nr3(1 / scope.horizontal.step_s))
        self.fixed("ACQuire:TYPE", "NORMal")

    def _add_trigger(self) -> None:
        self.fixed("TRIGger:MODE", "EDGE")
        self.table.add("TRIGger:SWEep", lambda i, a: self._sweep(), self._set_sweep)
        self.fixed("TRIGger:COUPling", "DC")
        self.trigger_source("TRIGger:EDGe:SOURce", "CHANnel{n}")
        self.trigger("TRIGger:EDGe:SLOPe", "rising", words({"POSitive": True, "NEGative": False}))
        self.trigger_level("TRIGger:EDGe:LEVel", LEVEL_DIVISIONS)

    def _add_waveform(self) -> None:
        add = self.table.add
        self.own("WAVeform:SOURce", "_source", words(channel_names("CHANnel{n}")))
        self.own("WAVeform:MODE", "_mode", words({mode: mode for mode in MODES}))
        self.own("WAVeform:FORMat", "_format", words({form: form for form in FORMATS}))
        self.own("WAVeform:STARt", "_start", integers(1, MAX_SAMPLES))
        self.own("WAVeform:STOP", "_stop", integers(1, MAX_SAMPLES))
        add("WAVeform:PREamble", lambda i, a: self._preamble())
        add("WAVeform:DATA", lambda i, a: self.data())
        for field, name in enumerate(FIELD_QUERIES, start=4):
            add(f"WAVeform:{name}", partial(self._field, field))

    # ------------------------------------------------------------------ settings

    def _sweep(self) -> str:
        if self.instrument.armed:
            return "SING"
        return "AUTO" if self.instrument.trigger.mode == "AUTO" else "NORM"

    def _set_sweep(self, index: int, arguments: Arguments) -> None:
        wanted = choice(arguments, "AUTO", "NORMal", "SINGle")
        if wanted == "SINGle":
            self.arm()
        else:
            self.instrument.set_trigger(mode=wanted.upper())

    def _set_depth(self, index: int, arguments: Arguments) -> None:
        """Only while it runs."""
        if self.state() == "stopped":
            raise ScpiError(-221, "Settings conflict; memory depth is set while running")
        self._depth_is_auto = [argument.upper() for argument in arguments] == ["AUTO"]
        samples = self.auto_points if self._depth_is_auto else self.depth(arguments)
        self.instrument.set_horizontal(samples=samples)

    def depth(self, arguments: Arguments) -> int:
        """The memory that arguments of :ACQuire:MDEPth other than AUTO mean."""
        return int(number(arguments, MIN_SAMPLES, MAX_SAMPLES))

    def said_depth(self, samples: int) -> str:
        """How memory is answered."""
        return str(samples)

    # ------------------------------------------------------------------ waveforms

    def _raw(self) -> bool:
        """Whether the memory is read, not the screen."""
        return self._mode == "RAW" or (self._mode == "MAXimum" and not self.instrument.running)

    def _preamble(self) -> str:
        return ",".join(self.faults.preamble(self._fields()))

    def _field(self, field: int, index: int, arguments: tuple[str, ...]) -> Answer:
        return self._fields()[field]

    def _fields(self) -> list[str]:
        acquired, horizontal = self.held()
        settings = self.shown(self._source, acquired, self._conflict())
        points = horizontal.samples if self._raw() else min(self.screen_points, horizontal.samples)
        volts, reference = self._scale(settings)
        offset = self.offset_codes(settings) * self._code_step()
        return [
            str(FORMATS.index(self._format)),
            str(MODES.index(self._mode)),
            str(self.faults.points(points)),
            "1",
            self.faults.time_step(self.said(horizontal.length_s / points)),
            self.said(horizontal.first_s),
            self.zero,
            self.said(self.faults.volts_per_code(volts)),
            f"{offset:.10g}",
            str(reference),
        ]

    def said(self, value: float) -> str:
        """A number of the preamble."""
        return nr3(value)

    def _conflict(self) -> ScpiError:
        return ScpiError(-221, f"Settings conflict; channel {self._source} is off")

    def _code_step(self) -> float:
        """Codes sent for one code of the converter: 12 bits go left-justified into 16, or lose four into 8."""
        if self.instrument.adc.bits == 8:
            return 1.0
        return 16.0 if self._format == "WORD" else 1 / 16

    def _scale(self, settings: ChannelSettings) -> tuple[float, int]:
        """Volts per code sent, and the code of the middle of the screen."""
        adc, step = self.instrument.adc, self._code_step()
        return settings.volts_per_div / adc.codes_per_div / step, round(adc.middle * step)

    def data(self) -> Block | None:
        """The block of the window; None where it stays silent."""
        acquired = self.instrument.latest()
        if acquired is None:
            raise ScpiError(-230, "Data corrupt or stale; nothing was acquired")
        self.shown(self._source, acquired, self._conflict())
        codes = acquired.codes[self._source]
        if not self._raw() and codes.size > self.screen_points:
            codes = codes[np.arange(self.screen_points) * codes.size // self.screen_points]
        first, last = self._start - 1, min(self._stop, codes.size)
        width = 1 if self._format == "BYTE" else 2
        if last <= first or (last - first) * width > BYTES_PER_READ:
            raise ScpiError(-222, f"Data out of range; {BYTES_PER_READ} bytes a read at most")
        return self.faults.block(encoded(codes[first:last], width=width, justified=False), HEADER_DIGITS)
