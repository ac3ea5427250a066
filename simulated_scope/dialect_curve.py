"""The `curve` dialect: DATa/CURVe tree, signed bytes, preamble by name, latched `*OPC?`.

After the programmer manuals 071-1075 and 077-0444; beyond them the record length can be set.
"""

from collections.abc import Awaitable, Callable
from functools import partial
from typing import Any

import numpy as np

from .adc import RawCodes
from .face import Face
from .front_end import CHANNELS, ChannelSettings
from .instrument import MAX_SAMPLES, MIN_SAMPLES, Acquisition, Horizontal
from .scpi import Answer, Block, Command, ScpiError, choice, flag, nr3, number, only
from .trigger import EXT_WIRED_TO

ENCODINGS = ("RIBinary", "RPBinary", "SRIbinary", "SRPbinary")

PREAMBLE = (
    "BYT_Nr",
    "BIT_Nr",
    "ENCdg",
    "BN_Fmt",
    "BYT_Or",
    "NR_Pt",
    "WFId",
    "PT_Fmt",
    "XINcr",
    "PT_Off",
    "XZEro",
    "XUNit",
    "YMUlt",
    "YZEro",
    "YOFf",
    "YUNit",
)
"""The fields in the order in which they are sent."""


class CurveFace(Face):
    """The dialect's commands over the instrument."""

    default_identity = "PEAKWHITE,SIM-CURVE,SIM000001,1.0"
    divisions = 10
    _released: list[tuple[int, str]]

    # ------------------------------------------------------------------ status

    def operation_complete(self) -> Awaitable[Answer]:
        """Answers when the single acquisition under way is complete."""
        return self._when_idle()

    async def _when_idle(self) -> Answer:
        await self.instrument.idle()
        return "1"

    def note_operation_complete(self) -> None:
        """Sets the bit when the single acquisition under way is complete."""
        self.instrument.when_idle(self._set_complete)

    def _set_complete(self) -> None:
        self.status.event_status |= 1

    def _read_events(self, index: int, arguments: tuple[str, ...]) -> Answer:
        """`*ESR?` also releases the events that came before it."""
        self._released = list(self.status.errors)
        self.status.errors.clear()
        return str(self.status.read_events())

    def _all_events(self, index: int, arguments: tuple[str, ...]) -> Answer:
        if not self._released:
            return self._no_event()
        events = ",".join(f'{abs(code)},"{text}"' for code, text in self._released)
        self._released = []
        return events

    def _event_message(self, index: int, arguments: tuple[str, ...]) -> Answer:
        if not self._released:
            return self._no_event()
        code, text = self._released.pop(0)
        return f'{abs(code)},"{text}"'

    def _event_code(self, index: int, arguments: tuple[str, ...]) -> Answer:
        return str(self._event_message(index, arguments)).split(",")[0]

    def _no_event(self) -> str:
        if self.status.errors:
            return '1,"No events to report - new events pending *ESR?"'
        return '0,"No events to report - queue empty"'

    def _clear(self, index: int, arguments: tuple[str, ...]) -> None:
        self.status.clear()
        self._released = []

    def reset(self) -> None:
        """`*RST`: factory settings; headers stay as they are."""
        super().reset()
        self._factory()

    def _factory(self) -> None:
        self.instrument.set_horizontal(samples=2500, seconds_per_div=500e-6, position_s=0.0)
        self._stop_after = "RUNSTop"
        self._source = 1
        self._encoding = "RIBinary"
        self._width = 1
        self._start = 1
        self._stop = 2500

    # ------------------------------------------------------------------ the tree

    def add_commands(self) -> None:
        """Enters the tree."""
        self._header = self._verbose = True
        self._released = []
        self._factory()
        self.table.add("*ESR", self._read_events)
        self.table.add("*CLS", write=self._clear)
        self.table.add("ID", lambda i, a: self._identity())
        self.table.add("ALLEv", self._all_events)
        self.table.add("EVMsg", self._event_message)
        self.table.add("EVENT", self._event_code)
        self.table.add("UNLock", write=lambda i, a: _ignore(choice(a, "ALL")))
        self._add_own("HEADer", "_header", flag)
        self._add_own("VERBose", "_verbose", flag)
        self._add_acquisition()
        self._add_channels()
        self._add_data()

    def _add_own(self, pattern: str, name: str, parse: Callable[[tuple[str, ...]], Any]) -> None:
        """A setting of the dialect itself, kept in the attribute of that name."""

        def query(index: int, arguments: tuple[str, ...]) -> Answer:
            value = getattr(self, name)
            return str(int(value) if isinstance(value, bool) else value).upper()

        self.table.add(pattern, query, lambda index, arguments: setattr(self, name, parse(arguments)))

    def _add_acquisition(self) -> None:
        scope, add = self.instrument, self.table.add
        self._add_own("ACQuire:STOPAfter", "_stop_after", lambda a: choice(a, "RUNSTop", "SEQuence"))
        add("ACQuire:STATE", lambda i, a: str(int(scope.running or scope.armed)), self._set_state)
        add("ACQuire:MODe", lambda i, a: "SAMPLE", lambda i, a: _ignore(choice(a, "SAMple")))
        add("ACQuire:NUMACq", lambda i, a: str(scope.acquisitions))
        add("BUSY", lambda i, a: str(int(scope.armed)))
        add("TRIGger", None, self._force)
        add("TRIGger:STATE", lambda i, a: self._trigger_state())
        add("TRIGger:MAIn:TYPe", lambda i, a: "EDGE", lambda i, a: _ignore(choice(a, "EDGE")))
        add(
            "TRIGger:MAIn:MODe",
            lambda i, a: scope.trigger.mode,
            lambda i, a: scope.set_trigger(mode=choice(a, "AUTO", "NORMal").upper()),
        )
        add(
            "TRIGger:MAIn:LEVel",
            lambda i, a: nr3(scope.trigger.level_v),
            lambda i, a: scope.set_trigger(level_v=number(a, -1000, 1000)),
        )
        add(
            "TRIGger:MAIn:EDGE:SOUrce",
            lambda i, a: "EXT" if scope.trigger.external else f"CH{scope.trigger.channel}",
            self._set_trigger_source,
        )
        add(
            "TRIGger:MAIn:EDGE:SLOpe",
            lambda i, a: "RISE" if scope.trigger.rising else "FALL",
            lambda i, a: scope.set_trigger(rising=choice(a, "RISe", "FALL") == "RISe"),
        )
        add("TRIGger:MAIn:EDGE:COUPling", lambda i, a: "DC", lambda i, a: _ignore(choice(a, "DC")))
        add(
            "HORizontal[:MAIn]:SCAle",
            lambda i, a: nr3(scope.horizontal.seconds_per_div),
            lambda i, a: scope.set_horizontal(seconds_per_div=number(a, 1e-9, 10)),
        )
        add(
            "HORizontal[:MAIn]:POSition",
            lambda i, a: nr3(scope.horizontal.position_s),
            lambda i, a: scope.set_horizontal(position_s=number(a, -100, 100)),
        )
        add(
            "HORizontal:RECOrdlength",
            lambda i, a: str(scope.horizontal.samples),
            lambda i, a: scope.set_horizontal(samples=int(number(a, MIN_SAMPLES, MAX_SAMPLES))),
        )

    def _add_channels(self) -> None:
        scope, add = self.instrument, self.table.add
        add(
            "SELect:CH<n>",
            lambda n, a: str(int(scope.channels[n].on)),
            lambda n, a: scope.set_channel(n, on=flag(a)),
        )
        add("CH<n>:SCAle", lambda n, a: nr3(scope.channels[n].volts_per_div), self._set_scale)
        add(
            "CH<n>:POSition",
            lambda n, a: nr3(scope.channels[n].position_div),
            lambda n, a: scope.set_channel(n, position_div=number(a, -10, 10)),
        )
        add(
            "CH<n>:COUPling",
            lambda n, a: scope.channels[n].coupling,
            lambda n, a: scope.set_channel(n, coupling=choice(a, "DC", "AC", "GND")),
        )
        add(
            "CH<n>:BANdwidth",
            lambda n, a: "ON" if scope.channels[n].bandwidth_limited else "OFF",
            lambda n, a: scope.set_channel(n, bandwidth_limited=flag(a)),
        )
        add(
            "CH<n>:PRObe",
            lambda n, a: nr3(scope.channels[n].probe),
            lambda n, a: scope.set_channel(n, probe=number(a, 0.1, 1000)),
        )
        add(
            "CH<n>:INVert",
            lambda n, a: "ON" if scope.channels[n].inverted else "OFF",
            lambda n, a: scope.set_channel(n, inverted=flag(a)),
        )

    def _add_data(self) -> None:
        add = self.table.add
        add("DATa:SOUrce", lambda i, a: f"CH{self._source}", self._set_source)
        self._add_own("DATa:ENCdg", "_encoding", lambda a: choice(a, *ENCODINGS))
        self._add_own("DATa:WIDth", "_width", lambda a: int(number(a, 1, 2)))
        self._add_own("DATa:STARt", "_start", lambda a: int(number(a, 1, MAX_SAMPLES)))
        self._add_own("DATa:STOP", "_stop", lambda a: int(number(a, 1, MAX_SAMPLES)))
        add("WFMPre", lambda i, a: self._preamble())
        for name in PREAMBLE:
            add(f"WFMPre:{name}", partial(self._preamble_field, name))
        add("CURVe", lambda i, a: self._curve())
        add("WAVFrm", lambda i, a: self._waveform())

    def _set_source(self, index: int, arguments: tuple[str, ...]) -> None:
        self._source = _channel(arguments)

    # ------------------------------------------------------------------ run control

    def _set_state(self, index: int, arguments: tuple[str, ...]) -> None:
        wanted = only(arguments).upper()
        run = wanted == "RUN" if wanted in ("RUN", "STOP") else flag(arguments)
        if not run:
            self.instrument.stop()
        elif self._stop_after == "SEQuence":
            self.instrument.single()
        else:
            self.instrument.run()

    def _force(self, index: int, arguments: tuple[str, ...]) -> None:
        choice(arguments, "FORCe")
        self.instrument.force()

    def _set_trigger_source(self, _: int, arguments: tuple[str, ...]) -> None:
        external = choice(arguments, "EXT", *(f"CH{channel}" for channel in CHANNELS)) == "EXT"
        self.instrument.set_trigger(external=external, channel=EXT_WIRED_TO if external else _channel(arguments))

    def _trigger_state(self) -> str:
        if self.instrument.running:
            return "AUTO" if self.instrument.trigger.mode == "AUTO" else "TRIGGER"
        if self.instrument.armed:
            return "READY" if self.instrument.waiting else "TRIGGER"
        return "SAVE"

    def _set_scale(self, channel: int, arguments: tuple[str, ...]) -> None:
        probe = self.instrument.channels[channel].probe
        self.instrument.set_channel(channel, volts_per_div=number(arguments, 1e-3 * probe, 10 * probe))

    # ------------------------------------------------------------------ answers

    def headed(self, command: Command, index: int, answer: str | Block) -> str | Block:
        """With HEADer ON an answer bears its header; common commands never do, a preamble has done it itself."""
        if not self._header or command.long.startswith("*") or command.long in ("ID", "WFMPRE", "WAVFRM"):
            return answer
        header = ":" + (command.long if self._verbose else command.short).format(n=index)
        if isinstance(answer, Block):
            return Block(header.encode() + b" " + answer)
        return f"{header} {answer}"

    def _preamble(self) -> str:
        fields = self._preamble_fields()
        if not self._header:
            return ";".join(self.faults.preamble(list(fields.values())))
        named = [f"{name.upper()} {value}" for name, value in fields.items()]
        return ":WFMPRE:" + ";".join(self.faults.preamble(named))

    def _preamble_field(self, name: str, index: int, arguments: tuple[str, ...]) -> Answer:
        return self._preamble_fields()[name]

    def _preamble_fields(self) -> dict[str, str]:
        scope = self.instrument
        acquired = scope.memory if not scope.running else None
        horizontal = acquired.horizontal if acquired else scope.horizontal
        settings = self._settings(acquired)
        positive = self._encoding in ("RPBinary", "SRPbinary")
        codes_per_div, middle = (25, 128) if self._width == 1 else (6400, 32768)
        offset = round(settings.position_div * scope.adc.codes_per_div) / scope.adc.codes_per_div * codes_per_div
        first, last = self._window(horizontal.samples)
        values = (
            str(self._width),
            str(8 * self._width),
            "BIN",
            "RP" if positive else "RI",
            "LSB" if self._encoding.startswith("S") else "MSB",
            str(self.faults.points(last - first)),
            _waveform_name(self._source, settings, horizontal),
            "Y",
            self.faults.time_step(nr3(horizontal.step_s)),
            "0",
            nr3(horizontal.first_s + first * horizontal.step_s),
            '"s"',
            nr3(self.faults.volts_per_code(settings.volts_per_div / codes_per_div)),
            nr3(0.0),
            nr3(offset + (middle if positive else 0)),
            '"Volts"',
        )
        return dict(zip(PREAMBLE, values, strict=True))

    def _settings(self, acquired: Acquisition | None) -> ChannelSettings:
        """The source's settings: those of the record, or those that the next one will have."""
        channels = self.instrument.channels if acquired is None else acquired.channels
        settings = channels.get(self._source)
        if settings is None or not settings.on:
            raise ScpiError(2244, "Source waveform is not active")
        return settings

    def _window(self, samples: int) -> tuple[int, int]:
        """First and last plus one of the samples that DATa:STARt and STOP ask for."""
        first, last = sorted((min(self._start, samples), min(self._stop, samples)))
        return first - 1, last

    def _curve(self) -> Block:
        acquired = self.instrument.latest()
        if acquired is None or self._source not in acquired.channels:
            raise ScpiError(2244, "Source waveform is not active")
        first, last = self._window(acquired.horizontal.samples)
        return self.faults.block(self._encoded(acquired.codes[self._source][first:last]))

    def _encoded(self, raw: RawCodes) -> bytes:
        """Raw codes as DATa:ENCdg and WIDth want them: left-justified, 8 bits of a wider converter in one byte."""
        positive = self._encoding in ("RPBinary", "SRPbinary")
        if self._width == 1:
            byte = raw if raw.dtype == np.uint8 else (raw >> 4).astype(np.uint8)
            return (byte if positive else byte ^ np.uint8(0x80)).tobytes()
        word = raw.astype(np.uint16) << (8 if raw.dtype == np.uint8 else 4)
        if not positive:
            word ^= np.uint16(0x8000)
        return word.astype("<u2" if self._encoding.startswith("S") else ">u2").tobytes()

    def _waveform(self) -> Answer:
        curve = self._curve()
        preamble = self._preamble()
        middle = b";:CURVE " if self._header else b";"
        return Block(preamble.encode() + middle + curve)


def _waveform_name(source: int, settings: ChannelSettings, horizontal: Horizontal) -> str:
    """The quoted description of a waveform."""
    range_text = f"{nr3(settings.volts_per_div)} V/div, {nr3(horizontal.seconds_per_div)} s/div"
    return f'"Ch{source}, {settings.coupling} coupling, {range_text}, {horizontal.samples} points, Sample mode"'


def _channel(arguments: tuple[str, ...]) -> int:
    return int(choice(arguments, *(f"CH{channel}" for channel in CHANNELS))[2:])


def _ignore(value: object) -> None:
    """A setting that has but one value."""
