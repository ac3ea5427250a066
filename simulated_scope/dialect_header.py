"""The `header` dialect: every channel tells its own data header, origin and increment; `*OPC` waits for the acquisition.

After the RTB2000 user manual; there is no envelope and no offset in volts. Not verified on an instrument: the words of ACQuire:STATe,
record lengths other than those of the manual's examples, and that the display has 8 by 12 divisions.
"""

from functools import partial

import numpy as np

from .adc import SCREEN_DIVISIONS, RawCodes
from .codes import encoded
from .dialect import Dialect, State
from .front_end import CHANNELS, ChannelSettings, Coupling
from .instrument import MAX_SAMPLES
from .kinds import ON_OFF, SWITCH, Arguments, numbers, words
from .scpi import Answer, ScpiError, choice, nr3, number

STATES: dict[State, str] = {"auto": "RUN", "triggered": "RUN", "armed": "RUN", "waiting": "RUN", "stopped": "COMP"}
DEPTHS = tuple(step * 10**power for power in range(4, 7) for step in (1, 2, 5)) + (MAX_SAMPLES,)
AUTOMATIC_DEPTH = 10_000
SCREEN_POINTS = 1200
COUPLINGS: dict[str, tuple[Coupling, bool]] = {
    "DCLimit": ("DC", False),
    "ACLimit": ("AC", False),
    "GND": ("GND", False),
    "DC": ("DC", True),
    "AC": ("AC", True),
}
"""Those of models whose inputs go to 50 ohm, which is what the unlimited ones mean."""
SAMPLE_BITS = {"UINT,8": 8, "UINT,16": 16, "REAL,32": 32, "ASC,0": 0}

VALUE_QUERIES = ("XORigin", "XINCrement", "YORigin", "YINCrement", "YRESolution")
"""What is asked for of a channel's data beside its header."""


class HeaderFace(Dialect):
    """The dialect's commands over the instrument."""

    default_identity = "PEAKWHITE,SIM-HEADER,SIM000001,1.0"
    divisions = 12
    completion_waits = True
    options = "0,SIM1,0,SIM2"

    def reset(self) -> None:
        """`*RST`."""
        super().reset()
        self._factory()

    def _factory(self) -> None:
        self.instrument.set_horizontal(samples=AUTOMATIC_DEPTH, seconds_per_div=100e-6, position_s=0.0)
        self._form = "ASC,0"
        self._big_endian = False
        self._depth_is_automatic = True
        self._points = dict.fromkeys(CHANNELS, "DEFault")
        self._levels_v = dict.fromkeys(CHANNELS, 0.0)
        self._singles = 1.0

    # ------------------------------------------------------------------ the tree

    def add_commands(self) -> None:
        """Enters the tree."""
        self._factory()
        self.add_error_queue()
        self._add_run_control()
        self._add_channels()
        self._add_time()
        self._add_trigger()
        self._add_data()

    def _add_run_control(self) -> None:
        scope = self.instrument
        for running in ("RUN", "RUNContinous"):
            self.act(running, scope.run)
        for single in ("SINGle", "RUNSingle"):
            self.act(single, self.arm)
        self.act("STOP", scope.stop)
        self.own("ACQuire:NSINgle:COUNt", "_singles", numbers(1, 1000))
        self.table.add("ACQuire:STATe", lambda i, a: STATES[self.state()], self._set_state)

    def _add_channels(self) -> None:
        self.channel("CHANnel<n>:STATe", "on", ON_OFF)
        self.channel_scale("CHANnel<n>:SCALe", keeps_offset=False)
        self.channel_scale("CHANnel<n>:RANGe", keeps_offset=False, divisions=SCREEN_DIVISIONS)
        self.channel("CHANnel<n>:POSition", "position_div", numbers(-10, 10))
        self.table.add("CHANnel<n>:OFFSet", lambda n, a: nr3(0.0), lambda n, a: self._set_offset(a))
        self.channel_coupling("CHANnel<n>:COUPling", COUPLINGS)
        self.channel("CHANnel<n>:BANDwidth", "bandwidth_limited", words({"FULL": False, "B20": True}, short=False))
        self.channel("CHANnel<n>:POLarity", "inverted", words({"NORMal": False, "INVerted": True}))
        self.channel("PROBe<n>:SETup:ATTenuation:MANual", "probe", numbers(0.001, 10_000))
        self.fixed("CHANnel<n>:TYPE", "SAMPle")

    def _add_time(self) -> None:
        scope, add = self.instrument, self.table.add
        self.horizontal("TIMebase:SCALe", "seconds_per_div", numbers(1e-9, 50))
        self.horizontal("TIMebase:POSition", "position_s", numbers(-500, 500))
        add(
            "TIMebase:ACQTime",
            lambda i, a: nr3(scope.horizontal.length_s),
            lambda i, a: scope.set_horizontal(seconds_per_div=number(a, 1e-8, 600) / self.divisions),
        )
        add("ACQuire:POINts[:VALue]", lambda i, a: str(scope.horizontal.samples), self._set_depth)
        add("ACQuire:POINts:AUTomatic", lambda i, a: str(int(self._depth_is_automatic)), self._set_automatic_depth)
        add("ACQuire:SRATe", lambda i, a: nr3(1 / scope.horizontal.step_s))

    def _add_trigger(self) -> None:
        self.trigger("TRIGger:A:MODE", "mode", words({"AUTO": "AUTO", "NORMal": "NORMAL"}))
        self.fixed("TRIGger:A:TYPE", "EDGE")
        self.table.add("TRIGger:A:SOURce", lambda i, a: f"CH{self.instrument.trigger.channel}", self._set_source)
        self.table.add("TRIGger:A:LEVel<n>[:VALue]", lambda n, a: nr3(self._levels_v[n]), self._set_level)
        self.trigger("TRIGger:A:EDGE:SLOPe", "rising", words({"POSitive": True, "NEGative": False}))
        self.fixed("TRIGger:A:EDGE:COUPling", "DC")

    def _add_data(self) -> None:
        add = self.table.add
        add("FORMat[:DATA]", lambda i, a: self._form, self._set_form)
        self.own("FORMat:BORDer", "_big_endian", words({"LSBFirst": False, "MSBFirst": True}))
        add("CHANnel<n>:DATA", lambda n, a: self._data(n))
        add("CHANnel<n>:DATA:HEADer", lambda n, a: self._header(n))
        add("CHANnel<n>:DATA:POINts", lambda n, a: str(self._points_given(n)), self._set_points)
        for field, name in enumerate(VALUE_QUERIES):
            add(f"CHANnel<n>:DATA:{name}", partial(self._value, field))

    # ------------------------------------------------------------------ settings

    def _set_state(self, index: int, arguments: Arguments) -> None:
        if choice(arguments, "RUN", "STOP") == "RUN":
            self.instrument.run()
        else:
            self.instrument.stop()

    def _set_offset(self, arguments: Arguments) -> None:
        number(arguments, 0.0, 0.0)

    def _set_depth(self, index: int, arguments: Arguments) -> None:
        wanted = number(arguments, DEPTHS[0], DEPTHS[-1])
        self._depth_is_automatic = False
        self.instrument.set_horizontal(samples=next(depth for depth in DEPTHS if depth >= wanted))

    def _set_automatic_depth(self, index: int, arguments: Arguments) -> None:
        self._depth_is_automatic = bool(SWITCH.take(arguments))
        if self._depth_is_automatic:
            self.instrument.set_horizontal(samples=AUTOMATIC_DEPTH)

    def _set_source(self, index: int, arguments: Arguments) -> None:
        channel = int(choice(arguments, *(f"CH{n}" for n in CHANNELS)).removeprefix("CH"))
        self.instrument.set_trigger(channel=channel, level_v=self._levels_v[channel])

    def _set_level(self, channel: int, arguments: Arguments) -> None:
        """Every source has a level of its own."""
        self._levels_v[channel] = number(arguments, -1000, 1000)
        if channel == self.instrument.trigger.channel:
            self.instrument.set_trigger(level_v=self._levels_v[channel])

    def _set_form(self, index: int, arguments: Arguments) -> None:
        wanted = ",".join(arguments).upper()
        known = {"ASC": "ASC,0", "ASCII": "ASC,0", "REAL": "REAL,32", **{form: form for form in SAMPLE_BITS}}
        if wanted not in known:
            raise ScpiError(-224, f"Illegal parameter value; {wanted}")
        self._form = known[wanted]

    def _set_points(self, channel: int, arguments: Arguments) -> None:
        self._points[channel] = choice(arguments, "DEFault", "MAXimum", "DMAXimum")

    # ------------------------------------------------------------------ waveforms

    def _points_given(self, channel: int) -> int:
        """How many samples are sent: the screen's while it runs, whatever was asked for."""
        samples = self.held()[1].samples
        shown_only = self.instrument.running or self._points[channel] == "DEFault"
        return min(samples, SCREEN_POINTS) if shown_only else samples

    def _settings(self, channel: int) -> ChannelSettings:
        conflict = ScpiError(-221, f"Settings conflict; channel {channel} is off")
        return self.shown(channel, self.held()[0], conflict)

    def _header(self, channel: int) -> str:
        self._settings(channel)
        horizontal, points = self.held()[1], self._points_given(channel)
        last_s = horizontal.first_s + horizontal.length_s * (points - 1) / points
        ends = (f"{end:.3E}" for end in (horizontal.first_s, last_s))
        return ",".join(self.faults.preamble([*ends, str(self.faults.points(points)), "1"]))

    def _value(self, field: int, channel: int, arguments: Arguments) -> Answer:
        settings, horizontal = self._settings(channel), self.held()[1]
        volts, origin_v = self._scale(settings)
        points = self._points_given(channel)
        return (
            nr3(horizontal.first_s),
            self.faults.time_step(nr3(horizontal.length_s / points)),
            nr3(origin_v),
            nr3(self.faults.volts_per_code(volts)),
            str(self.instrument.adc.bits),
        )[field]

    def _scale(self, settings: ChannelSettings) -> tuple[float, float]:
        """Volts per code sent, and the volts of code 0."""
        adc = self.instrument.adc
        wide = SAMPLE_BITS[self._form] != 8
        volts = settings.volts_per_div / (adc.codes_per_div_of_8_bits * (256 if wide else 1))
        offset_v = self.offset_codes(settings) * settings.volts_per_div / adc.codes_per_div
        return volts, -(1 << (15 if wide else 7)) * volts - offset_v

    def _data(self, channel: int) -> Answer:
        acquired = self.instrument.latest()
        if acquired is None:
            raise ScpiError(-230, "Data corrupt or stale; nothing was acquired")
        settings = self._settings(channel)
        codes, points = acquired.codes[channel], self._points_given(channel)
        codes = codes[np.arange(points) * codes.size // points]
        bits = SAMPLE_BITS[self._form]
        if bits in (8, 16):
            return self.faults.block(encoded(codes, width=bits // 8, big_endian=self._big_endian))
        volts = self._volts(codes, settings)
        if bits == 32:
            return self.faults.block(volts.astype(">f4" if self._big_endian else "<f4").tobytes())
        return ",".join(f"{value:.5E}" for value in volts)

    def _volts(self, codes: RawCodes, settings: ChannelSettings) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        per_code, origin_v = self._scale(settings)
        return np.frombuffer(encoded(codes, width=2), "<u2") * per_code + origin_v
