"""The `register` dialect: state as bits of a condition register, preamble of ten fields with its origin in volts.

After the InfiniiVision 1000X to 4000X programmer's guides. The memory is as long as the sample rate fills it; fewer
points of it can be asked for, at the nearest step. Not verified on an instrument: that those points are spread evenly
over the whole record, and how long the condition lags behind arming.
"""

import math
from functools import partial

import numpy as np

from .adc import SCREEN_DIVISIONS, RawCodes
from .codes import encoded
from .dialect import Dialect, channel_names, said_channel
from .front_end import ChannelSettings
from .instrument import Acquisition
from .kinds import IMPEDANCE, SWITCH, Arguments, numbers, short_form, words
from .scpi import Answer, Block, ScpiError, nr3, number

FORMATS = {"BYTE": 0, "WORD": 1, "ASCii": 4}
"""Words of WAVeform:FORMat and the number that the preamble has for them; ASCii is scaled like WORD."""
POINT_STEPS = (100, 250, 500, *(step * 10**power for power in range(3, 7) for step in (1, 2, 5)), 62_500, 8_000_000)
SCREEN_POINTS = 1000
"""The most while it runs."""
MOST_NORMAL_POINTS = 62_500
FASTEST_HZ = 2e8
DEEPEST = 1_000_000
RUNNING_BIT, WAITING_BIT = 8, 32
HEADER_DIGITS = 8
HOLE, CLIPPED_LOW = 0, 1
"""Codes that are none: no sample, and the lower rail; the highest code is the upper rail."""

FIELD_QUERIES = ("XINCrement", "XORigin", "XREFerence", "YINCrement", "YORigin", "YREFerence")
"""The preamble's fields from the fifth on that can be asked for alone."""


class RegisterFace(Dialect):
    """The dialect's commands over the instrument."""

    default_identity = "PEAKWHITE,SIM-REGISTER,SIM000001,1.0"
    divisions = 10
    state_lag_s = 0.05
    replies_are_interrupted = True
    options = "SIM1,SIM2"

    def reset(self) -> None:
        """`*RST`."""
        super().reset()
        self._factory()

    def _factory(self) -> None:
        self._set_time(100e-6)
        self.instrument.set_horizontal(position_s=0.0)
        self._source = 1
        self._mode = "NORMal"
        self._format = "BYTE"
        self._points = SCREEN_POINTS
        self._big_endian = True
        self._unsigned = True
        self._triggers_seen = self.instrument.acquisitions

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
        scope, add = self.instrument, self.table.add
        self.act("RUN", scope.run)
        self.act("STOP", scope.stop)
        self.act("SINGle", self.arm)
        self.act("TRIGger:FORCe", scope.force)
        add("OPERegister:CONDition", lambda i, a: str(self._condition()))
        add("TER", lambda i, a: str(int(self._triggered())))

    def _add_channels(self) -> None:
        scope = self.instrument
        self.channel("CHANnel<n>:DISPlay", "on", SWITCH)
        self.channel_scale("CHANnel<n>:SCALe", keeps_offset=True)
        self.channel_scale("CHANnel<n>:RANGe", keeps_offset=True, divisions=SCREEN_DIVISIONS)
        self.channel_offset("CHANnel<n>:OFFSet", -1.0)
        self.channel("CHANnel<n>:COUPling", "coupling", words({"DC": "DC", "AC": "AC"}))
        self.channel("CHANnel<n>:BWLimit", "bandwidth_limited", SWITCH)
        self.channel("CHANnel<n>:PROBe", "probe", numbers(0.1, 10_000))
        self.channel("CHANnel<n>:INVert", "inverted", SWITCH)
        self.channel("CHANnel<n>:IMPedance", "fifty_ohm", IMPEDANCE)
        self.fixed("CHANnel<n>:UNITs", "VOLT")
        self.table.add("CHANnel<n>", lambda n, a: _described(n, scope.channels[n]))

    def _add_time(self) -> None:
        scope, add = self.instrument, self.table.add
        add("TIMebase", lambda i, a: self._time_described())
        self.fixed("TIMebase:MODE", "MAIN")
        self.fixed("TIMebase:REFerence", "CENTer")
        self.horizontal("TIMebase[:MAIN]:POSition", "position_s", numbers(-100, 100))
        add(
            "TIMebase[:MAIN]:SCALe",
            lambda i, a: nr3(scope.horizontal.seconds_per_div),
            lambda i, a: self._set_time(number(a, 1e-9, 50)),
        )
        add(
            "TIMebase[:MAIN]:RANGe",
            lambda i, a: nr3(scope.horizontal.length_s),
            lambda i, a: self._set_time(number(a, 1e-8, 500) / self.divisions),
        )
        self.fixed("ACQuire:TYPE", "NORMal")
        self.fixed("ACQuire:MODE", "RTIMe")
        add("ACQuire:POINts", lambda i, a: str(self.held()[1].samples))
        add("ACQuire:SRATe", lambda i, a: nr3(1 / self.held()[1].step_s))

    def _add_trigger(self) -> None:
        self.fixed("TRIGger:MODE", "EDGE")
        self.trigger("TRIGger:SWEep", "mode", words({"AUTO": "AUTO", "NORMal": "NORMAL"}))
        self.trigger_source("TRIGger[:EDGE]:SOURce", "CHANnel{n}", "EXTernal")
        self.trigger("TRIGger[:EDGE]:SLOPe", "rising", words({"POSitive": True, "NEGative": False}))
        self.trigger("TRIGger[:EDGE]:LEVel", "level_v", numbers(-1000, 1000))
        self.fixed("TRIGger[:EDGE]:COUPling", "DC")
        self.fixed("TRIGger[:EDGE]:REJect", "OFF")

    def _add_waveform(self) -> None:
        add = self.table.add
        add("WAVeform", lambda i, a: self._waveform_described())
        self.own("WAVeform:SOURce", "_source", words(channel_names("CHANnel{n}")))
        self.own("WAVeform:FORMat", "_format", words({form: form for form in FORMATS}))
        self.own("WAVeform:BYTeorder", "_big_endian", words({"MSBFirst": True, "LSBFirst": False}))
        self.own("WAVeform:UNSigned", "_unsigned", SWITCH)
        self.own("WAVeform:POINts:MODE", "_mode", words({mode: mode for mode in ("NORMal", "MAXimum", "RAW")}))
        self.fixed("WAVeform:VIEW", "MAIN")
        add("WAVeform:POINts", lambda i, a: f"{self._points_given():+d}", self._set_points)
        add("WAVeform:PREamble", lambda i, a: ",".join(self.faults.preamble(self._fields())))
        add("WAVeform:DATA", lambda i, a: self._data())
        for field, name in enumerate(FIELD_QUERIES, start=4):
            add(f"WAVeform:{name}", partial(self._field, field))

    # ------------------------------------------------------------------ states and settings

    def _condition(self) -> int:
        state = self.lagging_state()
        return (RUNNING_BIT if state != "stopped" else 0) | (WAITING_BIT if state == "waiting" else 0)

    def _triggered(self) -> bool:
        """Whether an acquisition has been made since this was last asked."""
        self.instrument.latest()
        seen, self._triggers_seen = self._triggers_seen, self.instrument.acquisitions
        return seen != self._triggers_seen

    def _set_time(self, seconds_per_div: float) -> None:
        samples = min(max(round(seconds_per_div * self.divisions * FASTEST_HZ), SCREEN_POINTS), DEEPEST)
        self.instrument.set_horizontal(seconds_per_div=seconds_per_div, samples=samples)

    def _set_points(self, index: int, arguments: Arguments) -> None:
        """The nearest step, without a word about it."""
        if [argument.upper() for argument in arguments] in (["MAX"], ["MAXIMUM"]):
            self._points = max(POINT_STEPS)
        else:
            wanted = number(arguments, 1, 1e9)
            self._points = min(POINT_STEPS, key=lambda step: abs(step - wanted))

    def _points_given(self) -> int:
        """How many of the record's points are sent."""
        if self.instrument.running:
            return min(self._points, SCREEN_POINTS)
        most = MOST_NORMAL_POINTS if self._mode == "NORMal" else max(POINT_STEPS)
        return min(self._points, most, self.held()[1].samples)

    # ------------------------------------------------------------------ composite answers

    def _time_described(self) -> str:
        horizontal = self.instrument.horizontal
        return f":TIM:MODE MAIN;REF CENT;MAIN:RANG {_nr3(horizontal.length_s)};POS {_nr3(horizontal.position_s)}"

    def _waveform_described(self) -> str:
        return (
            f":WAV:UNS {int(self._unsigned)};VIEW MAIN;BYT {'MSBF' if self._big_endian else 'LSBF'}"
            f";FORM {short_form(self._format)};POIN {self._points_given():+d}"
            f";SOUR {said_channel('CHANnel{n}', self._source)};SOUR:SUBS NONE"
        )

    # ------------------------------------------------------------------ waveforms

    def _conflict(self) -> ScpiError:
        return ScpiError(-221, f"Settings conflict; channel {self._source} is not displayed")

    def _field(self, field: int, index: int, arguments: Arguments) -> Answer:
        return self._fields()[field]

    def _scale(self, settings: ChannelSettings, width: int) -> tuple[float, float, int]:
        """Volts per code sent, volts in the middle of the screen, and the code there."""
        per_div = self.instrument.adc.codes_per_div_of_8_bits * 256 ** (width - 1)
        centre_div = -self.offset_codes(settings) / self.instrument.adc.codes_per_div
        middle = (128 << 8 * (width - 1)) if self._unsigned else 0
        return settings.volts_per_div / per_div, centre_div * settings.volts_per_div, middle

    def _fields(self) -> list[str]:
        acquired, horizontal = self.held()
        settings = self.shown(self._source, acquired, self._conflict())
        points = self._points_given()
        volts, centre_v, middle = self._scale(settings, 1 if self._format == "BYTE" else 2)
        return [
            str(FORMATS[self._format]),
            "0",
            str(self.faults.points(points)),
            "1",
            self.faults.time_step(_nr3(horizontal.length_s / points)),
            _nr3(horizontal.first_s),
            "0",
            _nr3(self.faults.volts_per_code(volts)),
            _nr3(centre_v),
            str(middle),
        ]

    def _data(self) -> Block:
        acquired = self.instrument.latest()
        if acquired is None:
            raise ScpiError(-230, "Data corrupt or stale; nothing was acquired")
        settings = self.shown(self._source, acquired, self._conflict())
        codes, points = acquired.codes[self._source], self._points_given()
        codes = codes[np.arange(points) * codes.size // points]
        if self._format == "ASCii":
            return self.faults.block(self._printed(codes, settings), HEADER_DIGITS)
        width = 1 if self._format == "BYTE" else 2
        return self.faults.block(self._sent(codes, acquired, width), HEADER_DIGITS)

    def _sent(self, codes: RawCodes, acquired: Acquisition, width: int) -> bytes:
        """Codes with the rails as their special codes."""
        middle = 0 if self._unsigned else 128 << 8 * (width - 1)
        sent = np.frombuffer(encoded(codes, width=width), f"<u{width}").copy()
        sent[sent == HOLE] = CLIPPED_LOW
        sent[codes == acquired.adc.top] = np.iinfo(sent.dtype).max
        return (sent ^ middle).astype(f"{'>' if self._big_endian else '<'}u{width}").tobytes()

    def _printed(self, codes: RawCodes, settings: ChannelSettings) -> bytes:
        """Volts as text, six digits each."""
        volts, centre_v, middle = self._scale(settings, 2)
        sent = np.frombuffer(encoded(codes, width=2, signed=not self._unsigned), "<u2" if self._unsigned else "<i2")
        return ",".join(f"{value:+.5E}" for value in (sent - float(middle)) * volts + centre_v).encode()


def _described(number: int, settings: ChannelSettings) -> str:
    """The answer to CHANnel<n>?."""
    return (
        f":CHAN{number}:RANG {_nr3(SCREEN_DIVISIONS * settings.volts_per_div)}"
        f";OFFS {_nr3(-settings.position_div * settings.volts_per_div + 0.0)};COUP {settings.coupling};IMP {IMPEDANCE.say(settings.fifty_ohm)}"
        f";DISP {int(settings.on)};BWL {int(settings.bandwidth_limited)};INV {int(settings.inverted)}"
        f';LAB "{number}";UNIT VOLT;PROB {_nr3(settings.probe)};PROB:SKEW +0.00E+00;STYP SING'
    )


def _nr3(value: float) -> str:
    """A number with its sign, as this dialect prints it in composite answers and preambles: +4.00000000E-03."""
    return f"{value:+.8E}" if math.isfinite(value) else "NAN"
