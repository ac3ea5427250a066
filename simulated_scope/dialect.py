"""What dialects are made of: settings as rows of a table, states, the error queue, and the record that is to be sent.

A dialect enters its headers with the methods here, says its words for the states, and adds its own preamble and block.
"""

from collections.abc import Awaitable, Callable, Mapping
from typing import Literal

from .face import Face
from .front_end import CHANNELS, ChannelSettings, Coupling
from .instrument import Acquisition, Horizontal
from .kinds import Arguments, Kind, short_form
from .scpi import Answer, ScpiError, choice, nr3, number
from .trigger import EXT_WIRED_TO

State = Literal["auto", "triggered", "armed", "waiting", "stopped"]
"""Running by itself; running on triggers; a single acquisition that fills, that has no trigger yet; nothing."""


class Dialect(Face):
    """The instrument's settings under headers."""

    state_lag_s = 0.0
    """How long a state is still the one before after arming; by the fast clock: for one query."""

    completion_waits = False
    """Whether `*OPC` and `*OPC?` wait for the single acquisition that is under way."""
    say_number: Callable[[float], str] = staticmethod(nr3)
    """How volts per division and offsets are printed."""
    take_number: Callable[[Arguments, float, float], float] = staticmethod(number)
    """How they are understood; raises ScpiError beyond the limits."""

    _lagging = False
    _state_before: State = "stopped"

    # ------------------------------------------------------------------ rows of the table

    def channel(self, pattern: str, name: str, kind: Kind) -> None:
        """A setting of every channel, kept in the attribute of that name of ChannelSettings."""
        scope = self.instrument
        self.table.add(
            pattern,
            lambda n, a: kind.say(getattr(scope.channels[n], name)),
            lambda n, a: scope.set_channel(n, **{name: kind.take(a)}),
        )

    def channel_coupling(self, pattern: str, meanings: Mapping[str, tuple[Coupling, bool]]) -> None:
        """The coupling of every channel, by words that say too whether its input is one of 50 ohm; short in answers."""
        scope = self.instrument
        names = {meaning: short_form(name) for name, meaning in meanings.items()}

        def write(channel: int, arguments: Arguments) -> None:
            coupling, fifty_ohm = meanings[choice(arguments, *meanings)]
            scope.set_channel(channel, coupling=coupling, fifty_ohm=fifty_ohm)

        self.table.add(pattern, lambda n, a: names[scope.channels[n].coupling, scope.channels[n].fifty_ohm], write)

    def channel_scale(self, pattern: str, *, keeps_offset: bool, divisions: int = 1) -> None:
        """Volts at the probe tip over so many divisions; another range keeps the offset in volts, or the position in divisions."""
        scope = self.instrument

        def write(channel: int, arguments: Arguments) -> None:
            before = scope.channels[channel]
            lowest, highest = (limit * before.probe * divisions for limit in (1e-3, 10.0))
            scale = self.take_number(arguments, lowest, highest) / divisions
            position_div = before.position_div * (before.volts_per_div / scale if keeps_offset else 1.0)
            scope.set_channel(channel, volts_per_div=scale, position_div=position_div)

        self.table.add(pattern, lambda n, a: self.say_number(divisions * scope.channels[n].volts_per_div), write)

    def channel_offset(self, pattern: str, sign: float = 1.0) -> None:
        """The position in volts: `sign` 1, what 0 V is raised by; -1, the voltage in the middle of the screen."""
        scope = self.instrument
        self.table.add(
            pattern,
            lambda n, a: self.say_number(sign * scope.channels[n].position_div * scope.channels[n].volts_per_div + 0.0),
            lambda n, a: scope.set_channel(
                n, position_div=sign * self.take_number(a, -100, 100) / scope.channels[n].volts_per_div
            ),
        )

    def horizontal(self, pattern: str, name: str, kind: Kind) -> None:
        """A setting of the time base, kept in the attribute of that name of Horizontal."""
        scope = self.instrument
        self.table.add(
            pattern,
            lambda i, a: kind.say(getattr(scope.horizontal, name)),
            lambda i, a: scope.set_horizontal(**{name: kind.take(a)}),
        )

    def trigger(self, pattern: str, name: str, kind: Kind) -> None:
        """A setting of the edge trigger, kept in the attribute of that name of Trigger."""
        scope = self.instrument
        self.table.add(
            pattern,
            lambda i, a: kind.say(getattr(scope.trigger, name)),
            lambda i, a: scope.set_trigger(**{name: kind.take(a)}),
        )

    def trigger_level(self, pattern: str, divisions: float) -> None:
        """The edge's level, on a channel at most so many divisions from the middle of its screen."""
        scope = self.instrument

        def write(index: int, arguments: Arguments) -> None:
            source = scope.channels[scope.trigger.channel]
            centre_v, limit_v = -source.position_div * source.volts_per_div, divisions * source.volts_per_div
            if scope.trigger.external:
                centre_v, limit_v = 0.0, 1000.0
            scope.set_trigger(level_v=number(arguments, centre_v - limit_v, centre_v + limit_v))

        self.table.add(pattern, lambda i, a: nr3(scope.trigger.level_v), write)

    def trigger_source(self, pattern: str, channel: str, external: str | None = None) -> None:
        """The edge's source: `channel` such as `CHANnel{n}`, and the word for the external input where there is one."""
        scope, names = self.instrument, channel_names(channel)

        def query(index: int, arguments: Arguments) -> Answer:
            if scope.trigger.external and external:
                return short_form(external)
            return said_channel(channel, scope.trigger.channel)

        def write(index: int, arguments: Arguments) -> None:
            word = choice(arguments, *list(names)[: scope.channel_count], *((external,) if external else ()))
            if word == external:
                scope.set_trigger(external=True, channel=EXT_WIRED_TO)
            else:
                scope.set_trigger(external=False, channel=names[word])

        self.table.add(pattern, query, write)

    def own(self, pattern: str, name: str, kind: Kind) -> None:
        """A setting of the dialect itself, kept in its attribute of that name."""
        self.table.add(
            pattern,
            lambda i, a: kind.say(getattr(self, name)),
            lambda i, a: setattr(self, name, kind.take(a)),
        )

    def fixed(self, pattern: str, word: str, *, short: bool = True) -> None:
        """A setting that knows one word only, answered in its short form or in capitals throughout."""
        said = short_form(word) if short else word.upper()

        def write(index: int, arguments: Arguments) -> None:
            choice(arguments, word)

        self.table.add(pattern, lambda i, a: said, write)

    def act(self, pattern: str, does: Callable[[], None], word: str | None = None) -> None:
        """A command, with that one word for an argument where there is one."""

        def write(index: int, arguments: Arguments) -> None:
            if word is not None:
                choice(arguments, word)
            does()

        self.table.add(pattern, write=write)

    # ------------------------------------------------------------------ states

    def operation_complete(self) -> Answer | Awaitable[Answer]:
        """`*OPC?`: at once, or when the single acquisition under way is complete."""
        return self._when_idle() if self.completion_waits else "1"

    async def _when_idle(self) -> Answer:
        await self.instrument.idle()
        return "1"

    def note_operation_complete(self) -> None:
        """`*OPC`: sets the bit at once, or when the single acquisition under way is complete."""
        if self.completion_waits:
            self.instrument.when_idle(self._set_complete)
        else:
            self._set_complete()

    def _set_complete(self) -> None:
        self.status.event_status |= 1

    def add_error_queue(self) -> None:
        """SYSTem:ERRor?."""
        self.table.add("SYSTem:ERRor[:NEXT]", lambda i, a: self._next_error())

    def _next_error(self) -> str:
        if not self.status.errors:
            return '0,"No error"'
        code, text = self.status.errors.pop(0)
        return f'{code},"{text}"'

    def state(self) -> State:
        """How the acquisition stands."""
        scope = self.instrument
        if scope.armed:
            return "waiting" if scope.waiting else "armed"
        if not scope.running:
            return "stopped"
        return "auto" if scope.trigger.mode == "AUTO" else "triggered"

    def arm(self) -> None:
        """Starts a single acquisition; for a while the state is still the one before."""
        self._state_before = self.state()
        self._lagging = self.state_lag_s > 0
        self.instrument.single()

    def halt(self) -> None:
        """Stops, which the state says at once."""
        self._lagging = False
        self.instrument.stop()

    def go(self) -> None:
        """Runs, which the state says at once."""
        self._lagging = False
        self.instrument.run()

    def lagging_state(self) -> State:
        """The state as an instrument tells it that is slow to notice."""
        scope = self.instrument
        if self._lagging:
            self._lagging = scope.clock.waits and scope.clock.now_s() < scope.armed_at_s + self.state_lag_s
            if self._lagging or not scope.clock.waits:
                return self._state_before
        return self.state()

    # ------------------------------------------------------------------ the record

    def held(self) -> tuple[Acquisition | None, Horizontal]:
        """The record that preambles describe, None while running, and its time base."""
        scope = self.instrument
        acquired = scope.memory if not scope.running else None
        return acquired, acquired.horizontal if acquired else scope.horizontal

    def shown(self, source: int, acquired: Acquisition | None, conflict: ScpiError) -> ChannelSettings:
        """The settings of that channel's record, or those that the next one will have. Raises `conflict` where it is off."""
        follows_knobs = acquired is None or self.instrument.knobs_turned
        channels = self.instrument.channels if follows_knobs or acquired is None else acquired.channels
        settings = channels.get(source)
        if settings is None or not settings.on:
            raise conflict
        return settings

    def offset_codes(self, settings: ChannelSettings) -> int:
        """How many codes of the converter 0 V lies above the middle of the screen."""
        return round(settings.position_div * self.instrument.adc.codes_per_div)


def channel_names(pattern: str) -> dict[str, int]:
    """The numbers of the channels by their names, for a pattern such as `CHANnel{n}`."""
    return {pattern.format(n=channel): channel for channel in CHANNELS}


def said_channel(pattern: str, channel: int) -> str:
    """A channel's name in its short form."""
    before, _, after = pattern.partition("{n}")
    return f"{short_form(before)}{channel}{short_form(after)}"
