"""The `sparsed` dialect: headers and units in answers, signed bytes, no preamble but the settings themselves, a set-up that
says from which sample on and how sparsely the record is sent, completion in a register that reading clears.

After the programming guide of the SDS1000X-E generation, of which there is no error queue: what is refused stays as it was.
Beyond the guide any of its record lengths can be set whatever channels are on, and any time per division. Not verified on
an instrument: the sign of TRDL, and how long SAST? lags behind arming.
"""

from .codes import encoded
from .dialect import Dialect, State
from .front_end import CHANNELS, Coupling
from .kinds import ON_OFF, Arguments, Kind, words
from .quantities import prefixed, quantity, three_digits
from .scpi import Answer, Block, Command, ScpiError, choice, flag, only

STATES: dict[State, str] = {
    "auto": "Auto",
    "triggered": "Trig'd",
    "armed": "Arm",
    "waiting": "Ready",
    "stopped": "Stop",
}
RECORD_LENGTHS = {
    "7K": 7_000, "70K": 70_000, "700K": 700_000, "7M": 7_000_000, "14K": 14_000, "140K": 140_000, "1.4M": 1_400_000,
}  # fmt: skip
COUPLINGS: dict[str, tuple[Coupling, bool]] = {
    "D1M": ("DC", False),
    "A1M": ("AC", False),
    "GND": ("GND", False),
    "D50": ("DC", True),
    "A50": ("AC", True),
}
"""Those of models whose inputs go to 50 ohm."""
SOURCES = {f"C{channel}": channel for channel in CHANNELS}
UNITS = {"VDIV": "V", "OFST": "V", "TRLV": "V", "TDIV": "S", "TRDL": "S"}
NEW_ACQUISITION, TRIGGER_READY = 1, 1 << 13
"""Bits of the internal state change register."""
PREAMBLE = ("VDIV", "TDIV", "SANU", "SARA", "OFST", "TRDL")
"""What has to be asked for to understand a record; the last three are those that a fault leaves out."""


class SparsedFace(Dialect):
    """The dialect's commands over the instrument."""

    default_identity = "PEAKWHITE,SIM-SPARSED,SIM000001,1.0"
    divisions = 14
    state_lag_s = 0.2
    take_number = staticmethod(quantity)

    def reset(self) -> None:
        """`*RST`."""
        super().reset()
        self._factory()

    def _factory(self) -> None:
        self.instrument.set_horizontal(samples=14_000, seconds_per_div=1e-6, position_s=0.0)
        self._header = "SHORT"
        self._sparsing = self._count = self._first = 0
        self._levels_v = dict.fromkeys(CHANNELS, 0.0)
        self._rising = dict.fromkeys(CHANNELS, True)
        self._told = self.instrument.acquisitions

    def operation_complete(self) -> Answer:
        """At once: it does not wait for the trigger."""
        return "1"

    def note_operation_complete(self) -> None:
        """At once."""
        self.status.event_status |= 1

    def say_number(self, value: float) -> str:
        """Three digits."""
        return three_digits(value)

    # ------------------------------------------------------------------ the tree

    def add_commands(self) -> None:
        """Enters the tree."""
        self._factory()
        self.table.from_root_too = True
        self.own("Comm_HeaDeR", "_header", words({word: word for word in ("OFF", "SHORT", "LONG")}))
        self._add_run_control()
        self._add_channels()
        self._add_time()
        self._add_trigger()
        self._add_waveform()

    def _add_run_control(self) -> None:
        self.table.add("TRig_MoDe", lambda i, a: self._mode(), self._set_mode)
        self.act("ARM_acquisition", self._single)
        self.act("STOP", self.halt)
        self.act("WAIT", lambda: None)
        self.act("FoRce_TRigger", self.instrument.force)
        self.table.add("SAmple_STatus", lambda i, a: STATES[self.lagging_state()])
        self.table.add("INR", lambda i, a: str(self._changes()))

    def _add_channels(self) -> None:
        scope = self.instrument
        self.channel("C<n>:TRAce", "on", ON_OFF)
        self.channel_scale("C<n>:Volt_DIV", keeps_offset=True)
        self.channel_offset("C<n>:OFfSeT")
        self.channel_coupling("C<n>:CouPLing", COUPLINGS)
        self.channel("C<n>:BandWidth_Limit", "bandwidth_limited", ON_OFF)
        self.channel("C<n>:ATTeNuation", "probe", Kind(lambda ratio: f"{ratio:g}", lambda a: quantity(a, 0.1, 10_000)))
        self.channel("C<n>:INVertSet", "inverted", ON_OFF)
        self.fixed("C<n>:UNIT", "V")
        self.table.add(
            "BandWidth_Limit",
            lambda i, a: ",".join(f"C{n},{ON_OFF.say(scope.channels[n].bandwidth_limited)}" for n in CHANNELS),
            self._limit,
        )

    def _add_time(self) -> None:
        self.horizontal("Time_DIV", "seconds_per_div", Kind(three_digits, lambda a: quantity(a, 1e-9, 100)))
        self.horizontal("TRig_DeLay", "position_s", Kind(three_digits, lambda a: quantity(a, -100, 100)))
        self.horizontal("Memory_SIZe", "samples", words(RECORD_LENGTHS, short=False))
        self.fixed("ACQuire_Way", "SAMPLING")
        self.table.add("SAmple_NUm", self._sample_count)
        self.table.add("SAmple_RAte", self._sample_rate)

    def _add_trigger(self) -> None:
        add = self.table.add
        add("TRig_SElect", lambda i, a: f"EDGE,SR,C{self.instrument.trigger.channel},HT,OFF", self._select)
        add("C<n>:TRig_LeVel", lambda n, a: three_digits(self._levels_v[n]), self._set_level)
        add("C<n>:TRig_SLope", lambda n, a: "POS" if self._rising[n] else "NEG", self._set_slope)
        self.fixed("C<n>:TRig_CouPling", "DC")

    def _add_waveform(self) -> None:
        self.table.add(
            "WaveForm_SetUp",
            lambda i, a: f"SP,{self._sparsing},NP,{self._count},FP,{self._first}",
            self._set_window,
        )
        self.table.add("C<n>:WaveForm", self._waveform)

    # ------------------------------------------------------------------ run control

    def _mode(self) -> str:
        if self.instrument.armed:
            return "SINGLE"
        if not self.instrument.running:
            return "STOP"
        return "AUTO" if self.instrument.trigger.mode == "AUTO" else "NORM"

    def _set_mode(self, index: int, arguments: Arguments) -> None:
        match choice(arguments, "AUTO", "NORM", "SINGLE", "STOP"):
            case "STOP":
                self.halt()
            case "SINGLE":
                self._single()
            case mode:
                self.instrument.set_trigger(mode="AUTO" if mode == "AUTO" else "NORMAL")
                self.go()

    def _single(self) -> None:
        self.instrument.set_trigger(mode="NORMAL")
        self.arm()

    def _changes(self) -> int:
        """The register since it was last read; while running there is always another acquisition."""
        scope = self.instrument
        if scope.running:
            scope.latest()
        new, self._told = scope.acquisitions != self._told, scope.acquisitions
        ready = scope.running or scope.armed
        return (NEW_ACQUISITION if new else 0) | (TRIGGER_READY if ready else 0)

    # ------------------------------------------------------------------ settings

    def _limit(self, index: int, arguments: Arguments) -> None:
        """`BWL C1,ON,C2,OFF`."""
        for source, switch in zip(arguments[::2], arguments[1::2], strict=False):
            channel = SOURCES[choice((source,), *SOURCES)]
            self.instrument.set_channel(channel, bandwidth_limited=flag((switch,)))

    def _select(self, index: int, arguments: Arguments) -> None:
        """`EDGE,SR,C1,HT,OFF`: what is left out stays."""
        choice(arguments[:1], "EDGE")
        for name, value in zip(arguments[1::2], arguments[2::2], strict=False):
            match choice((name,), "SR", "HT", "HV"):
                case "SR":
                    self.instrument.set_trigger(channel=SOURCES[choice((value,), *SOURCES)])
                case "HT":
                    choice((value,), "OFF")
        self._take_edge()

    def _set_level(self, channel: int, arguments: Arguments) -> None:
        self._levels_v[channel] = quantity(arguments, -1000, 1000)
        self._take_edge()

    def _set_slope(self, channel: int, arguments: Arguments) -> None:
        self._rising[channel] = choice(arguments, "POS", "NEG") == "POS"
        self._take_edge()

    def _take_edge(self) -> None:
        """Level and slope are kept for every channel; those of the source are in force."""
        source = self.instrument.trigger.channel
        self.instrument.set_trigger(level_v=self._levels_v[source], rising=self._rising[source])

    # ------------------------------------------------------------------ answers

    def headed(self, command: Command, index: int, answer: str | Block) -> str | Block:
        """With CHDR OFF answers are bare; else they bear their header, and numbers their unit."""
        if command.long.startswith("*"):
            return answer
        name = command.short.rpartition(":")[2]
        if not isinstance(answer, Block):
            answer = self._spoilt(name, answer)
            answer += UNITS.get(name, "") if self._header != "OFF" else ""
        if self._header == "OFF":
            return answer
        header = (command.long if self._header == "LONG" else command.short).format(n=index)
        if isinstance(answer, Block):
            return Block(header.encode() + b" " + answer)
        return f"{header} {answer}"

    def _spoilt(self, name: str, answer: str) -> str:
        """The answer as faults of a preamble have it."""
        if name in PREAMBLE and name not in self.faults.preamble(list(PREAMBLE)):
            return ""
        return three_digits(self.faults.volts_per_code(float(answer))) if name == "VDIV" else answer

    def _sample_count(self, index: int, arguments: Arguments) -> Answer:
        """`SANU? C1`."""
        choice(arguments, *SOURCES)
        count = self.faults.points(self.held()[1].samples)
        return three_digits(count) if self._header == "OFF" else prefixed(count, "g") + "pts"

    def _sample_rate(self, index: int, arguments: Arguments) -> Answer:
        rate_hz = 1 / self.held()[1].step_s
        if self._header == "OFF":
            return self.faults.time_step(three_digits(rate_hz))
        return self.faults.time_step(prefixed(rate_hz, ".2f")) + "Sa/s"

    def _set_window(self, index: int, arguments: Arguments) -> None:
        """`SP,4,NP,1000,FP,0`: every fourth, a thousand of them, from the first on; what is left out stays."""
        for name, value in zip(arguments[::2], arguments[1::2], strict=False):
            count = int(quantity((value,), 0, 1e9))
            match choice((name,), "SP", "NP", "FP"):
                case "SP":
                    self._sparsing = count
                case "NP":
                    self._count = count
                case "FP":
                    self._first = count

    def _waveform(self, channel: int, arguments: Arguments) -> Answer:
        """`C1:WF? DAT2`. A channel that is off gives no answer."""
        if only(arguments).upper() != "DAT2":
            raise ScpiError(-224, f"Illegal parameter value; {only(arguments)}")
        acquired = self.instrument.latest()
        if acquired is None or channel not in acquired.codes:
            raise ScpiError(-221, f"Settings conflict; channel {channel} is off")
        codes = acquired.codes[channel][self._first :: max(self._sparsing, 1)]
        codes = codes[: self._count or codes.size]
        return Block(b"DAT2," + self.faults.block(encoded(codes, width=1, signed=True), digits=9) + b"\n")
