"""Which scope channel is clipped to which signal, and how."""

from dataclasses import dataclass
from typing import Literal, get_args

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


@dataclass(frozen=True)
class Clip:
    """One probe: channel, role, and what stands between the signal and the scope.

    Attributes:
        channel: the scope's name of the channel.
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

    @property
    def channels(self) -> tuple[str, ...]:
        """The scope channels in use."""
        return tuple(clip.channel for clip in self.clips)

    def of_channel(self, channel: str) -> Clip | None:
        """The clip on that channel, or None."""
        return next((clip for clip in self.clips if clip.channel == channel), None)

    def of_role(self, role: Role) -> Clip | None:
        """The clip with that role, or None."""
        return next((clip for clip in self.clips if clip.role == role), None)


BENCH_DEFAULT = Hookup((Clip("CH1", "red"), Clip("CH2", "green"), Clip("CH3", "blue"), Clip("CH4", "sync")))
"""Red, green, blue and sync on channels 1 to 4: what `demo` uses, and `serve` until told otherwise."""
