"""Which scope channel is clipped to which signal, and how."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, get_args

from ...drivers.capture import EXT
from ...drivers.errors import UsageError

Role = Literal["red", "green", "blue", "luma", "chroma", "composite", "pb", "pr", "sync", "hsync", "vsync"]
Point = Literal["connector", "before-series-resistor", "chip-input"]
Load = Literal["terminator", "monitor", "scope-input", "none"]
Link = Literal["coax", "probe-1x", "probe-10x"]

ROLES: tuple[Role, ...] = get_args(Role)
COLOURS: tuple[Role, ...] = ("red", "green", "blue")
SYNC_ROLES: tuple[Role, ...] = ("sync", "hsync", "vsync")
WHITE_ROLES: tuple[Role, ...] = ("red", "green", "blue", "luma", "composite")
"""Roles that have a peak white; the others have a swing only."""

EXT_ROLES: tuple[Role, ...] = ("sync", "hsync")
"""The scope's external trigger input may carry line sync, and is never recorded."""


@dataclass(frozen=True)
class Clip:
    """One probe: channel, role, and what stands between the signal and the scope.

    Attributes:
        channel: the scope's name of the channel, or EXT.
        role: the signal on it.
        point: where the probe touches the unit.
        load: what terminates the signal.
        load_ohm, load_tolerance_pct: the terminator and how far it may be off.
        link: cable or probe.
        probe_ratio: multiplies what the capture calls volts (1 where the scope already knows its probe).
    """

    channel: str
    role: Role
    point: Point = "connector"
    load: Load = "terminator"
    load_ohm: float = 75.0
    load_tolerance_pct: float = 1.0
    link: Link = "coax"
    probe_ratio: float = 1.0


@dataclass(frozen=True)
class Hookup:
    """Which scope channel is clipped to which signal. A channel or a role stands in it once at most."""

    clips: tuple[Clip, ...] = ()

    def __post_init__(self) -> None:
        for what, names in (("channel", self.channels), ("role", tuple(clip.role for clip in self.clips))):
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                raise UsageError(
                    f"the {what} {twice[0]} is given twice", where="hookup", do="give each channel one role of its own"
                )
        ext = self.of_channel(EXT)
        if ext is not None and ext.role not in EXT_ROLES:
            do = f"give {EXT} the role sync or hsync, or leave it out"
            raise UsageError(f"{EXT} cannot be {ext.role}: it is not recorded", where="hookup", do=do)

    @property
    def channels(self) -> tuple[str, ...]:
        """The scope channels in use, EXT among them."""
        return tuple(clip.channel for clip in self.clips)

    @cached_property
    def recorded(self) -> "Hookup":
        """The clips on channels that are recorded: all but EXT."""
        return Hookup(tuple(clip for clip in self.clips if clip.channel != EXT))

    def of_channel(self, channel: str) -> Clip | None:
        """The clip on that channel, or None."""
        return self._by_channel.get(channel)

    @cached_property
    def _by_channel(self) -> Mapping[str, Clip]:
        return {clip.channel: clip for clip in self.clips}

    def of_role(self, role: Role) -> Clip | None:
        """The clip with that role, or None."""
        return next((clip for clip in self.clips if clip.role == role), None)


BENCH_DEFAULT = Hookup((Clip("CH1", "red"), Clip("CH2", "green"), Clip("CH3", "blue"), Clip("CH4", "sync")))
"""Red, green, blue and sync on channels 1 to 4: what `demo` uses, and `serve` until told otherwise."""


def carrying_a_colour(count: int) -> str:
    """How many channels carry a colour, in words."""
    return f"{count or 'no'} channel{' carries' if count < 2 else 's carry'} a colour"
