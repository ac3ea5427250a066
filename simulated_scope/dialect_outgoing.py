"""The `outgoing` dialect: the tree of `curve` with WFMOutpre, offsets in volts, trigger A, and a trigger placed in per cent.

After the programmer manuals of the MDO4000B (appendix D) and TDS5000B series; beyond them any record length and time base can
be set. Inputs are of 1 megohm or 50 ohm, what is nearer.
"""

from .dialect import channel_names
from .dialect_curve import CurveFace
from .front_end import FIFTY_OHM, SCOPE_INPUT_OHM
from .instrument import MAX_SAMPLES, MIN_SAMPLES, Horizontal
from .kinds import ON_OFF, SWITCH, Arguments, Kind, integers, words
from .scpi import choice, nr3, number, only

LIMITER_HZ, FULL_HZ = 20e6, 500e6
THRESHOLD_OHM = 1e4
CHANNELS = channel_names("CH{n}")


def _band(arguments: Arguments) -> bool:
    """Whether TWEnty, FULl or so many hertz limit the band."""
    word = only(arguments).upper()
    if word in ("TWE", "TWENTY"):
        return True
    return word not in ("FUL", "FULL") and number(arguments, 1.0, 1e12) <= LIMITER_HZ


BAND = Kind(lambda limited: nr3(LIMITER_HZ if limited else FULL_HZ), _band)
"""Answered in hertz."""
GAIN = Kind(lambda ratio: nr3(1 / ratio), lambda arguments: 1 / number(arguments, 1e-3, 10))
"""Of a probe: the reciprocal of its ratio."""
TERMINATION = Kind(
    lambda fifty_ohm: nr3(FIFTY_OHM if fifty_ohm else SCOPE_INPUT_OHM),
    lambda arguments: number(arguments, FIFTY_OHM, SCOPE_INPUT_OHM) < THRESHOLD_OHM,
)
"""Answered in ohms."""


class OutgoingFace(CurveFace):
    """The dialect's commands over the instrument."""

    default_identity = "PEAKWHITE,SIM-OUTGOING,SIM000001,1.0"
    bits = 12
    options = "SIM1:first of two,SIM2:second of two"
    preamble_header = "WFMOutpre"
    preamble_order = (
        *("BYT_Nr", "BIT_Nr", "ENCdg", "BN_Fmt", "BYT_Or", "WFId", "NR_Pt", "PT_Fmt"),
        *("XUNit", "XINcr", "XZEro", "PT_Off", "YUNit", "YMUlt", "YOFf", "YZEro"),
    )
    factory_samples = 10_000

    def _factory(self) -> None:
        super()._factory()
        self._offsets_v = dict.fromkeys(CHANNELS.values(), 0.0)
        self._levels_v = dict.fromkeys(CHANNELS.values(), 0.0)

    # ------------------------------------------------------------------ the tree

    def add_time_and_trigger(self) -> None:
        """Enters the headers of time base and trigger."""
        add, scope = self.table.add, self.instrument
        add("HORizontal:SCAle", lambda i, a: nr3(scope.horizontal.seconds_per_div), self._set_time)
        add("HORizontal:POSition", lambda i, a: nr3(self._trigger_pct()), self._set_trigger_pct)
        self.horizontal("HORizontal:RECOrdlength", "samples", integers(MIN_SAMPLES, MAX_SAMPLES))
        self.fixed("TRIGger:A:TYPe", "EDGE")
        self.trigger("TRIGger:A:MODe", "mode", words({"AUTO": "AUTO", "NORMal": "NORMAL"}, short=False))
        add("TRIGger:A:EDGE:SOUrce", lambda i, a: f"CH{scope.trigger.channel}", self._set_source)
        self.trigger("TRIGger:A:EDGE:SLOpe", "rising", words({"RISe": True, "FALL": False}, short=False))
        self.fixed("TRIGger:A:EDGE:COUPling", "DC")
        add("TRIGger:A:LEVel:CH<n>", lambda n, a: nr3(self._levels_v[n]), self._set_level)

    def add_channels(self) -> None:
        """Enters the headers of the channels."""
        self.channel("SELect:CH<n>", "on", SWITCH)
        self.table.add("CH<n>:SCAle", lambda n, a: nr3(self.instrument.channels[n].volts_per_div), self._set_scale)
        self.table.add("CH<n>:OFFSet", lambda n, a: nr3(self._offsets_v[n]), self._set_offset)
        self.table.add("CH<n>:POSition", lambda n, a: nr3(self._position_div(n)), self._set_position)
        self.channel("CH<n>:COUPling", "coupling", words({"DC": "DC", "AC": "AC"}))
        self.channel("CH<n>:BANdwidth", "bandwidth_limited", BAND)
        self.channel("CH<n>:PRObe:GAIN", "probe", GAIN)
        self.channel("CH<n>:TERmination", "fifty_ohm", TERMINATION)
        self.channel("CH<n>:INVert", "inverted", ON_OFF)

    # ------------------------------------------------------------------ offset and position

    def _position_div(self, channel: int) -> float:
        """Where the offset's volts are drawn, above the middle of the screen."""
        settings = self.instrument.channels[channel]
        return round(settings.position_div + self._offsets_v[channel] / settings.volts_per_div, 9) + 0.0

    def _move(self, channel: int, position_div: float, offset_v: float, volts_per_div: float) -> None:
        self._offsets_v[channel] = offset_v
        zero_div = position_div - offset_v / volts_per_div
        self.instrument.set_channel(channel, volts_per_div=volts_per_div, position_div=zero_div)

    def _set_scale(self, channel: int, arguments: Arguments) -> None:
        probe = self.instrument.channels[channel].probe
        volts_per_div = number(arguments, 1e-3 * probe, 10 * probe)
        self._move(channel, self._position_div(channel), self._offsets_v[channel], volts_per_div)

    def _set_offset(self, channel: int, arguments: Arguments) -> None:
        volts_per_div = self.instrument.channels[channel].volts_per_div
        self._move(channel, self._position_div(channel), number(arguments, -100, 100), volts_per_div)

    def _set_position(self, channel: int, arguments: Arguments) -> None:
        volts_per_div = self.instrument.channels[channel].volts_per_div
        self._move(channel, number(arguments, -8, 8), self._offsets_v[channel], volts_per_div)

    # ------------------------------------------------------------------ time and trigger

    def _trigger_pct(self) -> float:
        horizontal = self.instrument.horizontal
        return round(50.0 - 100.0 * horizontal.position_s / horizontal.length_s, 9)

    def _place(self, seconds_per_div: float, trigger_pct: float) -> None:
        position_s = (0.5 - trigger_pct / 100) * seconds_per_div * self.divisions
        self.instrument.set_horizontal(seconds_per_div=seconds_per_div, position_s=position_s)

    def _set_time(self, index: int, arguments: Arguments) -> None:
        self._place(number(arguments, 1e-9, 10), self._trigger_pct())

    def _set_trigger_pct(self, index: int, arguments: Arguments) -> None:
        self._place(self.instrument.horizontal.seconds_per_div, number(arguments, 0, 100))

    def _set_source(self, index: int, arguments: Arguments) -> None:
        channel = CHANNELS[choice(arguments, *CHANNELS)]
        self.instrument.set_trigger(external=False, channel=channel, level_v=self._levels_v[channel])

    def _set_level(self, channel: int, arguments: Arguments) -> None:
        self._levels_v[channel] = number(arguments, -1000, 1000)
        if channel == self.instrument.trigger.channel:
            self.instrument.set_trigger(level_v=self._levels_v[channel])

    # ------------------------------------------------------------------ the preamble

    def zero_v(self) -> float:
        """YZEro: the channel's offset."""
        return self._offsets_v[self._source]

    def placed(self, horizontal: Horizontal, first: int) -> tuple[int, float]:
        """PT_Off is the sample next to the trigger, XZEro what is left to its instant."""
        trigger = round(-horizontal.first_s / horizontal.step_s)
        return trigger - first, horizontal.first_s + trigger * horizontal.step_s
