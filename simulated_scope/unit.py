"""The unit under repair: what its settings are, and what they mean where they are left open."""

from dataclasses import dataclass, field, replace
from typing import Literal

from .patterns import PatternName, Rgb
from .raster import VerticalSync
from .settings import BadSetting, Check, changed, flag, literal, number, object_of, one_of, or_null
from .systems import LUMA_WEIGHTS, SYSTEMS, System, SystemName

Role = Literal["red", "green", "blue", "luma", "composite", "sync"]
Format = Literal["rgb-sync", "luma-sync", "sync-on-green", "composite"]

ROLES: tuple[Role, ...] = ("red", "green", "blue", "luma", "composite", "sync")

FORMATS: dict[Format, tuple[Role, ...]] = {
    "rgb-sync": ("red", "green", "blue", "sync"),
    "luma-sync": ("luma",),
    "sync-on-green": ("red", "green", "blue"),
    "composite": ("composite",),
}
"""The signals of a format, in the order of the scope's channels."""

WEIGHTS: dict[Role, Rgb] = {
    "red": (1.0, 0.0, 0.0),
    "green": (0.0, 1.0, 0.0),
    "blue": (0.0, 0.0, 1.0),
    "luma": LUMA_WEIGHTS,
    "composite": LUMA_WEIGHTS,
    "sync": (0.0, 0.0, 0.0),
}
"""Shares of red, green and blue in the picture of a role."""

TTL_IDLE_MV = 3400.0
TTL_LOW_MV = 200.0
TTL_SOURCE_OHM = 130.0
"""Open-circuit levels and output resistance of a logic gate that puts out sync (practice)."""


@dataclass(frozen=True)
class Interference:
    """One sine: peak to peak in mV into 75 ohm, its frequency, and its phase by the clock alone."""

    mv_pp: float
    frequency_hz: float


@dataclass(frozen=True)
class Compression:
    """Above `knee_mv` over blanking (into 75 ohm) the output rises by `slope` mV a mV only."""

    knee_mv: float
    slope: float


@dataclass(frozen=True)
class Signal:
    """The output stage of one signal; null means: as the unit has it, or not there.

    Attributes:
        gain_percent: gain of the output stage; it scales everything on this connector, sync and burst too.
        dc_offset_mv: added by the output stage, ahead of a coupling capacitor.
        coupling_ms: time constant of the coupling capacitor with source and load.
        bandwidth_mhz: one pole.
        disconnected: nothing reaches the scope.
    """

    gain_percent: float = 100.0
    dc_offset_mv: float = 0.0
    coupling_ms: float | None = None
    bandwidth_mhz: float | None = None
    compression: Compression | None = None
    noise_mv_rms: float | None = None
    interference: Interference | None = None
    disconnected: bool = False


@dataclass(frozen=True)
class Unit:
    """All settings of the unit. Millivolts are those into a load of 75 ohm.

    Attributes:
        lines_per_field: of a progressive source; null: 262 or 312.
        line_period_us: null: that of the system.
        vertical_sync: `full` (equalising and broad pulses), `serrated` (broad pulses of a line), `block`; null:
            full where interlaced, serrated where progressive.
        bars_white_percent: the white bar of bars-75; null: 75 in 525 (170M annex A), 100 in 625 (100/0/75/0).
        nominal_mv: blanking to white; null: 714.3 or 700.
        setup_mv: black above blanking in every picture signal.
        sync_mv: depth; null: 300, on 525-line luma and composite 285.7.
        sync_level: of the separate sync: `75-ohm` or `ttl`.
        burst_mv_pp: null: 285.7 or 300.
        source_ohm: output resistance of every signal but TTL sync.
        noise_mv_rms, interference: in every signal but sync that has none of its own.
        line_jitter_ns: rms, every line by itself, all signals together.
    """

    system: SystemName = "525/60"
    scan: Literal["progressive", "interlaced"] = "progressive"
    lines_per_field: int | None = None
    line_period_us: float | None = None
    vertical_sync: VerticalSync | None = None
    pattern: PatternName = "white"
    bars_white_percent: float | None = None
    format: Format = "rgb-sync"
    nominal_mv: float | None = None
    setup_mv: float = 0.0
    sync_mv: float | None = None
    sync_level: Literal["75-ohm", "ttl"] = "75-ohm"
    burst_mv_pp: float | None = None
    source_ohm: float = 75.0
    noise_mv_rms: float = 0.0
    interference: Interference | None = None
    line_jitter_ns: float = 0.0
    red: Signal = field(default_factory=lambda: Signal(gain_percent=105.0))
    green: Signal = field(default_factory=Signal)
    blue: Signal = field(default_factory=lambda: Signal(gain_percent=98.0))
    luma: Signal = field(default_factory=Signal)
    composite: Signal = field(default_factory=Signal)
    sync: Signal = field(default_factory=Signal)

    def signal(self, role: Role) -> Signal:
        """The output stage of a role."""
        return {
            "red": self.red,
            "green": self.green,
            "blue": self.blue,
            "luma": self.luma,
            "composite": self.composite,
            "sync": self.sync,
        }[role]

    @property
    def constants(self) -> System:
        """The constants of the system."""
        return SYSTEMS[self.system]

    @property
    def line_s(self) -> float:
        """The line period."""
        return self.constants.line_s if self.line_period_us is None else self.line_period_us * 1e-6

    @property
    def progressive_lines(self) -> int | None:
        """Lines of a field of a progressive source, None for an interlaced one."""
        if self.scan == "interlaced":
            return None
        return self.lines_per_field or self.constants.lines_per_field[0]

    @property
    def vertical_sync_in_force(self) -> VerticalSync:
        """The vertical sync, settled."""
        return self.vertical_sync or ("full" if self.scan == "interlaced" else "serrated")

    @property
    def white_bar(self) -> float:
        """The level of a bar pattern's white bar, as a share of white."""
        if self.pattern == "bars-100":
            return 1.0
        default = 75.0 if self.system == "525/60" else 100.0
        return (default if self.bars_white_percent is None else self.bars_white_percent) / 100

    @property
    def white_mv(self) -> float:
        """Blanking to white before gain."""
        return self.constants.nominal_mv if self.nominal_mv is None else self.nominal_mv

    @property
    def sync_depth_mv(self) -> float:
        """Depth of sync before gain."""
        if self.sync_mv is not None:
            return self.sync_mv
        return 300.0 if self.format in ("rgb-sync", "sync-on-green") else self.constants.sync_mv

    @property
    def burst_in_force_mv_pp(self) -> float:
        """Burst before gain."""
        return self.constants.burst_mv_pp if self.burst_mv_pp is None else self.burst_mv_pp

    def has_sync(self, role: Role) -> bool:
        """Whether sync goes with that role's signal."""
        return role in ("luma", "composite", "sync") or (role == "green" and self.format == "sync-on-green")

    def is_ttl(self, role: Role) -> bool:
        """Whether that role is a logic level."""
        return role == "sync" and self.sync_level == "ttl"

    def interference_of(self, role: Role) -> Interference | None:
        """The interference that stands on that role's signal."""
        return self.signal(role).interference or (None if role == "sync" else self.interference)

    def noise_of(self, role: Role) -> float:
        """The unit's noise on that role's signal, mV rms."""
        own = self.signal(role).noise_mv_rms
        return own if own is not None else (0.0 if role == "sync" else self.noise_mv_rms)


_INTERFERENCE = or_null(object_of(Interference, mv_pp=number(0, 5000), frequency_hz=number(0.01, 50e6)))

_SIGNAL_CHECKS: dict[str, Check] = {
    "gain_percent": number(0, 1000),
    "dc_offset_mv": number(-5000, 5000),
    "coupling_ms": or_null(number(0.5, 10000)),
    "bandwidth_mhz": or_null(number(0.3, 100)),
    "compression": or_null(object_of(Compression, knee_mv=number(0, 5000), slope=number(0, 1))),
    "noise_mv_rms": or_null(number(0, 1000)),
    "interference": _INTERFERENCE,
    "disconnected": flag,
}

_UNIT_CHECKS: dict[str, Check] = {
    "system": literal(SystemName),
    "scan": one_of("progressive", "interlaced"),
    "lines_per_field": or_null(one_of(262, 263, 312, 313)),
    "line_period_us": or_null(number(55, 75)),
    "vertical_sync": or_null(literal(VerticalSync)),
    "pattern": literal(PatternName),
    "bars_white_percent": or_null(number(0, 100)),
    "format": literal(Format),
    "nominal_mv": or_null(number(1, 5000)),
    "setup_mv": number(0, 500),
    "sync_mv": or_null(number(0, 5000)),
    "sync_level": one_of("75-ohm", "ttl"),
    "burst_mv_pp": or_null(number(0, 2000)),
    "source_ohm": number(0, 10000),
    "noise_mv_rms": number(0, 1000),
    "interference": _INTERFERENCE,
    "line_jitter_ns": number(0, 500),
}


def changed_unit(unit: Unit, values: object) -> Unit:
    """The unit with the values of a "set" object in place.

    Raises:
        BadSetting: an unknown key, a value that is not allowed, or settings that contradict each other.
    """
    if not isinstance(values, dict):
        raise BadSetting("set takes an object of settings.")
    stages = {role: _changed_signal(unit, role, values[role]) for role in ROLES if role in values}
    others = {key: value for key, value in values.items() if key not in stages}
    unknown = [key for key in others if key not in _UNIT_CHECKS]
    if unknown:
        known = ", ".join([*_UNIT_CHECKS, *ROLES])
        raise BadSetting(f'set has no setting "{unknown[0]}"; there are {known}.')
    result = changed(unit, others, _UNIT_CHECKS, "set")
    result = replace(result, **stages)  # type: ignore[arg-type]
    allowed = result.constants.lines_per_field
    if result.lines_per_field is not None and result.lines_per_field not in allowed:
        raise BadSetting(
            f"set.lines_per_field must be {allowed[0]}, {allowed[1]} or null with system {result.system}, "
            f"not {result.lines_per_field}."
        )
    if result.setup_mv >= result.white_mv:
        raise BadSetting(f"set.setup_mv must be below nominal_mv ({result.white_mv:g}), not {result.setup_mv:g}.")
    return result


def _changed_signal(unit: Unit, role: Role, values: object) -> Signal:
    return changed(unit.signal(role), values, _SIGNAL_CHECKS, f"set.{role}")
