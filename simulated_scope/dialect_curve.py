"""The `curve` dialect: DATa/CURVe tree, signed bytes, preamble by name, latched `*OPC?`.

After the programmer manuals 071-1075 and 077-0444; beyond them the record length can be set.
"""

from functools import partial

from .codes import encoded
from .dialect import Dialect, State, channel_names
from .front_end import ChannelSettings
from .instrument import MAX_SAMPLES, MIN_SAMPLES, Horizontal
from .kinds import ON_OFF, SWITCH, Kind, integers, numbers, words
from .scpi import Answer, Block, Command, ScpiError, flag, nr3, only

NOT_ACTIVE = "Source waveform is not active"

STATES: dict[State, str] = {
    "auto": "AUTO",
    "triggered": "TRIGGER",
    "armed": "TRIGGER",
    "waiting": "READY",
    "stopped": "SAVE",
}

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


class CurveFace(Dialect):
    """The dialect's commands over the instrument."""

    default_identity = "PEAKWHITE,SIM-CURVE,SIM000001,1.0"
    divisions = 10
    preamble_header = "WFMPre"
    preamble_order = PREAMBLE
    factory_samples = 2500
    completion_waits = True
    _released: list[tuple[int, str]]

    # ------------------------------------------------------------------ status

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
        self.instrument.set_horizontal(samples=self.factory_samples, seconds_per_div=500e-6, position_s=0.0)
        self._stop_after = "RUNSTop"
        self._source = 1
        self._encoding = "RIBinary"
        self._width = 1
        self._start = 1
        self._stop = self.factory_samples

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
        self.act("LOCk", self.lock_panel, "ALL")
        self.act("UNLock", self.go_to_local, "ALL")
        self.own("HEADer", "_header", SWITCH)
        self.own("VERBose", "_verbose", SWITCH)
        self._add_acquisition()
        self.add_time_and_trigger()
        self.add_channels()
        self._add_data()

    def _add_acquisition(self) -> None:
        scope, add = self.instrument, self.table.add
        self.own("ACQuire:STOPAfter", "_stop_after", _long("RUNSTop", "SEQuence"))
        add("ACQuire:STATE", lambda i, a: str(int(scope.running or scope.armed)), self._set_state)
        self.fixed("ACQuire:MODe", "SAMple", short=False)
        add("ACQuire:NUMACq", lambda i, a: str(scope.acquisitions))
        add("BUSY", lambda i, a: str(int(scope.armed)))
        self.act("TRIGger", scope.force, "FORCe")
        add("TRIGger:STATE", lambda i, a: STATES[self.state()])

    def add_time_and_trigger(self) -> None:
        """Enters the headers of time base and trigger."""
        self.fixed("TRIGger:MAIn:TYPe", "EDGE")
        self.trigger("TRIGger:MAIn:MODe", "mode", words({"AUTO": "AUTO", "NORMal": "NORMAL"}, short=False))
        self.trigger("TRIGger:MAIn:LEVel", "level_v", numbers(-1000, 1000))
        self.trigger_source("TRIGger:MAIn:EDGE:SOUrce", "CH{n}", "EXT")
        self.trigger("TRIGger:MAIn:EDGE:SLOpe", "rising", words({"RISe": True, "FALL": False}, short=False))
        self.fixed("TRIGger:MAIn:EDGE:COUPling", "DC")
        self.horizontal("HORizontal[:MAIn]:SCAle", "seconds_per_div", numbers(1e-9, 10))
        self.horizontal("HORizontal[:MAIn]:POSition", "position_s", numbers(-100, 100))
        self.horizontal("HORizontal:RECOrdlength", "samples", integers(MIN_SAMPLES, MAX_SAMPLES))

    def add_channels(self) -> None:
        """Enters the headers of the channels."""
        self.channel("SELect:CH<n>", "on", SWITCH)
        self.channel_scale("CH<n>:SCAle", keeps_offset=False)
        self.channel("CH<n>:POSition", "position_div", numbers(-10, 10))
        self.channel("CH<n>:COUPling", "coupling", words({"DC": "DC", "AC": "AC", "GND": "GND"}))
        self.channel("CH<n>:BANdwidth", "bandwidth_limited", ON_OFF)
        self.channel("CH<n>:PRObe", "probe", numbers(0.1, 1000))
        self.channel("CH<n>:INVert", "inverted", ON_OFF)

    def _add_data(self) -> None:
        add = self.table.add
        self.own("DATa:SOUrce", "_source", words(channel_names("CH{n}")))
        self.own("DATa:ENCdg", "_encoding", _long("RIBinary", "RPBinary", "SRIbinary", "SRPbinary"))
        self.own("DATa:WIDth", "_width", integers(1, 2))
        self.own("DATa:STARt", "_start", integers(1, MAX_SAMPLES))
        self.own("DATa:STOP", "_stop", integers(1, MAX_SAMPLES))
        add(self.preamble_header, lambda i, a: self._preamble())
        for name in PREAMBLE:
            add(f"{self.preamble_header}:{name}", partial(self._preamble_field, name))
        add("CURVe", lambda i, a: self._curve())
        add("WAVFrm", lambda i, a: self._waveform())

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

    # ------------------------------------------------------------------ answers

    def headed(self, command: Command, index: int, answer: str | Block) -> str | Block:
        """With HEADer ON an answer bears its header; common commands never do, a preamble has done it itself."""
        if (
            not self._header
            or command.long.startswith("*")
            or command.long in ("ID", self.preamble_header.upper(), "WAVFRM")
        ):
            return answer
        header = ":" + (command.long if self._verbose else command.short).format(n=index)
        if isinstance(answer, Block):
            return Block(header.encode() + b" " + answer)
        return f"{header} {answer}"

    def _preamble(self) -> str:
        told = self.preamble_fields()
        fields = {name: told[name] for name in self.preamble_order}
        if not self._header:
            return ";".join(self.faults.preamble(list(fields.values())))
        named = [f"{name.upper()} {value}" for name, value in fields.items()]
        return f":{self.preamble_header.upper()}:" + ";".join(self.faults.preamble(named))

    def _preamble_field(self, name: str, index: int, arguments: tuple[str, ...]) -> Answer:
        return self.preamble_fields()[name]

    def preamble_fields(self) -> dict[str, str]:
        """The fields of the preamble by name."""
        acquired, horizontal = self.held()
        settings = self.shown(self._source, acquired, ScpiError(2244, NOT_ACTIVE))
        positive = self._encoding in ("RPBinary", "SRPbinary")
        codes_per_div, middle = (25, 128) if self._width == 1 else (6400, 32768)
        offset = self.offset_codes(settings) / self.instrument.adc.codes_per_div * codes_per_div
        zero_v = self.zero_v()
        first, last = self._window(horizontal.samples)
        pt_off, xzero_s = self.placed(horizontal, first)
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
            str(pt_off),
            nr3(xzero_s),
            '"s"',
            nr3(self.faults.volts_per_code(settings.volts_per_div / codes_per_div)),
            nr3(zero_v),
            nr3(offset + zero_v / settings.volts_per_div * codes_per_div + (middle if positive else 0)),
            '"Volts"',
        )
        return dict(zip(PREAMBLE, values, strict=True))

    def zero_v(self) -> float:
        """YZEro: the part of the offset that is told in volts."""
        return 0.0

    def placed(self, horizontal: Horizontal, first: int) -> tuple[int, float]:
        """PT_Off and XZEro of a window that begins with that sample: its first instant is XZEro - PT_Off XINcr."""
        return 0, horizontal.first_s + first * horizontal.step_s

    def _window(self, samples: int) -> tuple[int, int]:
        """First and last plus one of the samples that DATa:STARt and STOP ask for."""
        first, last = sorted((min(self._start, samples), min(self._stop, samples)))
        return first - 1, last

    def _curve(self) -> Block:
        acquired = self.instrument.latest()
        if acquired is None or self._source not in acquired.channels:
            raise ScpiError(2244, NOT_ACTIVE)
        first, last = self._window(acquired.horizontal.samples)
        signed, big_endian = self._encoding in ("RIBinary", "SRIbinary"), not self._encoding.startswith("S")
        codes = acquired.codes[self._source][first:last]
        return self.faults.block(encoded(codes, width=self._width, signed=signed, big_endian=big_endian))

    def _waveform(self) -> Answer:
        curve = self._curve()
        preamble = self._preamble()
        middle = b";:CURVE " if self._header else b";"
        return Block(preamble.encode() + middle + curve)


def _waveform_name(source: int, settings: ChannelSettings, horizontal: Horizontal) -> str:
    """The quoted description of a waveform."""
    range_text = f"{nr3(settings.volts_per_div)} V/div, {nr3(horizontal.seconds_per_div)} s/div"
    return f'"Ch{source}, {settings.coupling} coupling, {range_text}, {horizontal.samples} points, Sample mode"'


def _long(*names: str) -> Kind:
    """One of these words, answered in capitals throughout."""
    return words({name: name for name in names}, short=False)
