"""The `preamble` dialect: ASCII preamble of ten fields, offset-binary bytes, state polling, blocks of limited length.

After the MSO1000Z/DS1000Z programming guide; beyond it any record length can be set. Not verified on an instrument:
that `*OPC?` does not wait for the trigger, and how long the state lags behind arming.
"""

from functools import partial

import numpy as np

from .adc import RawCodes
from .face import Face
from .front_end import CHANNELS, ChannelSettings
from .instrument import MAX_SAMPLES, MIN_SAMPLES, Acquisition
from .scpi import Answer, Block, ScpiError, choice, flag, nr3, number

STATE_LAG_S = 0.2
"""How long the trigger state is still the old one after arming; by the fast clock: for one query."""

BYTES_PER_READ = 250_000
SCREEN_POINTS = 1200
HEADER_DIGITS = 9

FIELD_QUERIES = ("XINCrement", "XORigin", "XREFerence", "YINCrement", "YORigin", "YREFerence")
"""The preamble's fields from the fifth on that can be asked for alone."""


class PreambleFace(Face):
    """The dialect's commands over the instrument."""

    default_identity = "PEAKWHITE,SIM-PREAMBLE,SIM000001,1.0"
    divisions = 12

    def reset(self) -> None:
        """`*RST`."""
        super().reset()
        self._factory()

    def _factory(self) -> None:
        self.instrument.set_horizontal(samples=12_000, seconds_per_div=1e-6, position_s=0.0)
        self._source = 1
        self._mode = "NORMal"
        self._format = "BYTE"
        self._start = 1
        self._stop = SCREEN_POINTS
        self._lagging = False
        self._state_before = "STOP"
        self._depth_is_auto = True

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
        self.table.add("SYSTem:ERRor[:NEXT]", lambda i, a: self._next_error())
        self._add_run_control()
        self._add_channels()
        self._add_time()
        self._add_trigger()
        self._add_waveform()

    def _add_run_control(self) -> None:
        scope, add = self.instrument, self.table.add
        add("RUN", write=lambda i, a: scope.run())
        add("STOP", write=lambda i, a: scope.stop())
        add("SINGle", write=lambda i, a: self._single())
        add("TFORce", write=lambda i, a: scope.force())
        add("TRIGger:STATus", lambda i, a: self._state())

    def _add_channels(self) -> None:
        scope, add = self.instrument, self.table.add
        add(
            "CHANnel<n>:DISPlay",
            lambda n, a: str(int(scope.channels[n].on)),
            lambda n, a: scope.set_channel(n, on=flag(a)),
        )
        add("CHANnel<n>:SCALe", lambda n, a: nr3(scope.channels[n].volts_per_div), self._set_scale)
        add(
            "CHANnel<n>:OFFSet",
            lambda n, a: nr3(scope.channels[n].position_div * scope.channels[n].volts_per_div),
            lambda n, a: scope.set_channel(n, position_div=number(a, -100, 100) / scope.channels[n].volts_per_div),
        )
        add(
            "CHANnel<n>:COUPling",
            lambda n, a: scope.channels[n].coupling,
            lambda n, a: scope.set_channel(n, coupling=choice(a, "DC", "AC", "GND")),
        )
        add(
            "CHANnel<n>:BWLimit",
            lambda n, a: "20M" if scope.channels[n].bandwidth_limited else "OFF",
            lambda n, a: scope.set_channel(n, bandwidth_limited=choice(a, "20M", "OFF") == "20M"),
        )
        add(
            "CHANnel<n>:PROBe",
            lambda n, a: nr3(scope.channels[n].probe),
            lambda n, a: scope.set_channel(n, probe=number(a, 0.01, 1000)),
        )
        add(
            "CHANnel<n>:INVert",
            lambda n, a: str(int(scope.channels[n].inverted)),
            lambda n, a: scope.set_channel(n, inverted=flag(a)),
        )

    def _add_time(self) -> None:
        scope, add = self.instrument, self.table.add
        add(
            "TIMebase[:MAIN]:SCALe",
            lambda i, a: nr3(scope.horizontal.seconds_per_div),
            lambda i, a: scope.set_horizontal(seconds_per_div=number(a, 1e-9, 10)),
        )
        add(
            "TIMebase[:MAIN]:OFFSet",
            lambda i, a: nr3(scope.horizontal.position_s),
            lambda i, a: scope.set_horizontal(position_s=number(a, -100, 100)),
        )
        add("TIMebase:MODE", lambda i, a: "MAIN", lambda i, a: _ignore(choice(a, "MAIN")))
        add(
            "ACQuire:MDEPth",
            lambda i, a: "AUTO" if self._depth_is_auto else str(scope.horizontal.samples),
            self._set_depth,
        )
        add("ACQuire:SRATe", lambda i, a: nr3(1 / scope.horizontal.step_s))
        add("ACQuire:TYPE", lambda i, a: "NORM", lambda i, a: _ignore(choice(a, "NORMal")))

    def _add_trigger(self) -> None:
        scope, add = self.instrument, self.table.add
        add("TRIGger:MODE", lambda i, a: "EDGE", lambda i, a: _ignore(choice(a, "EDGE")))
        add("TRIGger:SWEep", lambda i, a: self._sweep(), self._set_sweep)
        add("TRIGger:COUPling", lambda i, a: "DC", lambda i, a: _ignore(choice(a, "DC")))
        add(
            "TRIGger:EDGe:SOURce",
            lambda i, a: f"CHAN{scope.trigger.channel}",
            lambda i, a: scope.set_trigger(channel=_channel(a)),
        )
        add(
            "TRIGger:EDGe:SLOPe",
            lambda i, a: "POS" if scope.trigger.rising else "NEG",
            lambda i, a: scope.set_trigger(rising=choice(a, "POSitive", "NEGative") == "POSitive"),
        )
        add(
            "TRIGger:EDGe:LEVel",
            lambda i, a: nr3(scope.trigger.level_v),
            lambda i, a: scope.set_trigger(level_v=number(a, -1000, 1000)),
        )

    def _add_waveform(self) -> None:
        add = self.table.add
        add("WAVeform:SOURce", lambda i, a: f"CHAN{self._source}", self._set_source)
        add("WAVeform:MODE", lambda i, a: _short(self._mode), self._set_mode)
        add("WAVeform:FORMat", lambda i, a: self._format, self._set_format)
        add("WAVeform:STARt", lambda i, a: str(self._start), self._set_start)
        add("WAVeform:STOP", lambda i, a: str(self._stop), self._set_stop)
        add("WAVeform:PREamble", lambda i, a: self._preamble())
        add("WAVeform:DATA", lambda i, a: self._data())
        for field, name in enumerate(FIELD_QUERIES, start=4):
            add(f"WAVeform:{name}", partial(self._field, field))

    # ------------------------------------------------------------------ run control

    def _next_error(self) -> str:
        if not self.status.errors:
            return '0,"No error"'
        code, text = self.status.errors.pop(0)
        return f'{code},"{text}"'

    def _single(self) -> None:
        self._state_before = self._true_state()
        self._lagging = True
        self.instrument.single()

    def _state(self) -> str:
        """The trigger state; for a while after arming the one before."""
        scope = self.instrument
        if self._lagging:
            self._lagging = scope.clock.waits and scope.clock.now_s() < scope.armed_at_s + STATE_LAG_S
            if self._lagging or not scope.clock.waits:
                return self._state_before
        return self._true_state()

    def _true_state(self) -> str:
        scope = self.instrument
        if scope.armed:
            return "WAIT" if scope.waiting else "RUN"
        if not scope.running:
            return "STOP"
        return "AUTO" if scope.trigger.mode == "AUTO" else "TD"

    def _sweep(self) -> str:
        if self.instrument.armed:
            return "SING"
        return "AUTO" if self.instrument.trigger.mode == "AUTO" else "NORM"

    def _set_sweep(self, index: int, arguments: tuple[str, ...]) -> None:
        wanted = choice(arguments, "AUTO", "NORMal", "SINGle")
        if wanted == "SINGle":
            self._single()
        else:
            self.instrument.set_trigger(mode=wanted.upper())

    # ------------------------------------------------------------------ settings

    def _set_scale(self, channel: int, arguments: tuple[str, ...]) -> None:
        """Another range keeps the offset in volts."""
        before = self.instrument.channels[channel]
        scale = number(arguments, 1e-3 * before.probe, 10 * before.probe)
        position_div = before.position_div * before.volts_per_div / scale
        self.instrument.set_channel(channel, volts_per_div=scale, position_div=position_div)

    def _set_depth(self, index: int, arguments: tuple[str, ...]) -> None:
        self._depth_is_auto = [argument.upper() for argument in arguments] == ["AUTO"]
        samples = 12_000 if self._depth_is_auto else int(number(arguments, MIN_SAMPLES, MAX_SAMPLES))
        self.instrument.set_horizontal(samples=samples)

    def _set_source(self, index: int, arguments: tuple[str, ...]) -> None:
        self._source = _channel(arguments)

    def _set_mode(self, index: int, arguments: tuple[str, ...]) -> None:
        self._mode = choice(arguments, "NORMal", "MAXimum", "RAW")

    def _set_format(self, index: int, arguments: tuple[str, ...]) -> None:
        self._format = choice(arguments, "BYTE", "WORD")

    def _set_start(self, index: int, arguments: tuple[str, ...]) -> None:
        self._start = int(number(arguments, 1, MAX_SAMPLES))

    def _set_stop(self, index: int, arguments: tuple[str, ...]) -> None:
        self._stop = int(number(arguments, 1, MAX_SAMPLES))

    # ------------------------------------------------------------------ waveforms

    def _raw(self) -> bool:
        """Whether the memory is read, not the screen."""
        return self._mode == "RAW" or (self._mode == "MAXimum" and not self.instrument.running)

    def _preamble(self) -> str:
        return ",".join(self.faults.preamble(self._fields()))

    def _field(self, field: int, index: int, arguments: tuple[str, ...]) -> Answer:
        return self._fields()[field]

    def _fields(self) -> list[str]:
        scope = self.instrument
        acquired = scope.memory if not scope.running else None
        horizontal = acquired.horizontal if acquired else scope.horizontal
        settings = self._settings(acquired)
        points = horizontal.samples if self._raw() else min(SCREEN_POINTS, horizontal.samples)
        volts, reference = self._scale(settings)
        offset = round(settings.position_div * scope.adc.codes_per_div) * self._code_step()
        return [
            str(("BYTE", "WORD").index(self._format)),
            str(("NORMal", "MAXimum", "RAW").index(self._mode)),
            str(self.faults.points(points)),
            "1",
            self.faults.time_step(nr3(horizontal.length_s / points)),
            nr3(horizontal.first_s),
            "0",
            nr3(self.faults.volts_per_code(volts)),
            f"{offset:.10g}",
            str(reference),
        ]

    def _settings(self, acquired: Acquisition | None) -> ChannelSettings:
        channels = self.instrument.channels if acquired is None else acquired.channels
        settings = channels.get(self._source)
        if settings is None or not settings.on:
            raise ScpiError(-221, f"Settings conflict; channel {self._source} is off")
        return settings

    def _code_step(self) -> float:
        """Codes sent for one code of the converter: 12 bits go left-justified into 16, or lose four into 8."""
        if self.instrument.adc.bits == 8:
            return 1.0
        return 16.0 if self._format == "WORD" else 1 / 16

    def _scale(self, settings: ChannelSettings) -> tuple[float, int]:
        """Volts per code sent, and the code of the middle of the screen."""
        adc, step = self.instrument.adc, self._code_step()
        return settings.volts_per_div / adc.codes_per_div / step, round(adc.middle * step)

    def _data(self) -> Block:
        acquired = self.instrument.latest()
        if acquired is None:
            raise ScpiError(-230, "Data corrupt or stale; nothing was acquired")
        self._settings(acquired)
        codes = acquired.codes[self._source]
        if not self._raw() and codes.size > SCREEN_POINTS:
            codes = codes[np.arange(SCREEN_POINTS) * codes.size // SCREEN_POINTS]
        first, last = self._start - 1, min(self._stop, codes.size)
        width = 1 if self._format == "BYTE" else 2
        if last <= first or (last - first) * width > BYTES_PER_READ:
            raise ScpiError(-222, f"Data out of range; {BYTES_PER_READ} bytes a read at most")
        return self.faults.block(self._encoded(codes[first:last]), HEADER_DIGITS)

    def _encoded(self, raw: RawCodes) -> bytes:
        if self._format == "BYTE":
            return (raw if raw.dtype == np.uint8 else (raw >> 4).astype(np.uint8)).tobytes()
        return (raw if raw.dtype == np.uint8 else raw << 4).astype("<u2").tobytes()


def _channel(arguments: tuple[str, ...]) -> int:
    return int(choice(arguments, *(f"CHANnel{channel}" for channel in CHANNELS))[-1])


def _short(name: str) -> str:
    return "".join(character for character in name if not character.islower())


def _ignore(value: object) -> None:
    """A setting that has but one value."""
