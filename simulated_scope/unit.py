"""The unit under repair: what its settings are, and what they mean where they are left open."""

from dataclasses import dataclass, field
from typing import Literal

from .disturbances import DOUBLED, GLITCHES, Disturbance
from .ladder import TWO_STATES, Ladder
from .patterns import PatternName, Rgb
from .raster import Interval, SyncForm, VerticalSync
from .stage import Interference, Signal, WarmUp
from .systems import LUMA_WEIGHTS, SYSTEMS, Polarity, System, SystemName

Role = Literal["red", "green", "blue", "luma", "composite", "sync", "hsync", "vsync"]
Format = Literal["rgb-sync", "rgb-hv", "luma-sync", "sync-on-green", "composite"]

ROLES: tuple[Role, ...] = ("red", "green", "blue", "luma", "composite", "sync", "hsync", "vsync")
SYNC_FORMS: dict[Role, SyncForm] = {"sync": "composite", "hsync": "horizontal", "vsync": "vertical"}
"""The roles that are nothing but sync."""

FORMATS: dict[Format, tuple[Role, ...]] = {
    "rgb-sync": ("red", "green", "blue", "sync"),
    "rgb-hv": ("red", "green", "hsync", "vsync"),
    "luma-sync": ("luma",),
    "sync-on-green": ("red", "green", "blue"),
    "composite": ("composite",),
}
"""The signals of a format, in the order of the scope's channels; rgb-hv leaves its blue unseen."""

WEIGHTS: dict[Role, Rgb] = {
    "red": (1.0, 0.0, 0.0),
    "green": (0.0, 1.0, 0.0),
    "blue": (0.0, 0.0, 1.0),
    "luma": LUMA_WEIGHTS,
    "composite": LUMA_WEIGHTS,
    "sync": (0.0, 0.0, 0.0),
    "hsync": (0.0, 0.0, 0.0),
    "vsync": (0.0, 0.0, 0.0),
}
"""Shares of red, green and blue in the picture of a role."""

TTL_HIGH_MV = 3400.0
TTL_LOW_MV = 200.0
TTL_SOURCE_OHM = 130.0
"""Open-circuit levels and output resistance of a logic gate (practice)."""


@dataclass(frozen=True)
class SyncFaults:
    """Sync pulses lost, doubled or stray (under 1 us), so many a second on average, on every signal with line sync."""

    dropped_per_s: float
    doubled_per_s: float
    glitches_per_s: float
    seed: int

    @property
    def disturbances(self) -> tuple[Disturbance, ...]:
        """The same as the sampler takes them."""
        rates = ((self.dropped_per_s, ("sync-out",)), (self.doubled_per_s, DOUBLED), (self.glitches_per_s, GLITCHES))
        return tuple(
            Disturbance(kinds, 1, 1 / rate, self.seed + index)  # type: ignore[arg-type]
            for index, (rate, kinds) in enumerate(rates)
            if rate
        )


@dataclass(frozen=True)
class Unit:
    """All settings of the unit. Millivolts are those into a load of 75 ohm. See control.py for every key."""

    system: SystemName = "525/60"
    scan: Literal["progressive", "interlaced"] = "progressive"
    lines_per_field: int | None = None
    line_period_us: float | None = None
    subcarrier_cycles: float | None = None
    vertical_sync: VerticalSync | None = None
    odd_line_us: float = 0.0
    vbi: Interval = "off"
    pattern: PatternName = "white"
    bars_white_percent: float | None = None
    format: Format = "rgb-sync"
    nominal_mv: float | None = None
    setup_mv: float = 0.0
    rgb_level: Literal["analogue", "ttl"] = "analogue"
    ladder: Ladder | None = None
    sync_mv: float | None = None
    sync_level: Literal["75-ohm", "ttl"] | None = None
    sync_faults: SyncFaults | None = None
    burst_mv_pp: float | None = None
    source_ohm: float = 75.0
    noise_mv_rms: float = 0.0
    interference: Interference | None = None
    line_jitter_ns: float = 0.0
    warm_up: WarmUp | None = None
    red: Signal = field(default_factory=lambda: Signal(gain_percent=105.0))
    green: Signal = field(default_factory=Signal)
    blue: Signal = field(default_factory=lambda: Signal(gain_percent=98.0))
    luma: Signal = field(default_factory=Signal)
    composite: Signal = field(default_factory=Signal)
    sync: Signal = field(default_factory=Signal)
    hsync: Signal = field(default_factory=Signal)
    vsync: Signal = field(default_factory=Signal)

    def signal(self, role: Role) -> Signal:
        """The output stage of a role."""
        stage: Signal = getattr(self, role)
        return stage

    # ------------------------------------------------------------------ time

    @property
    def constants(self) -> System:
        """The constants of the system."""
        return SYSTEMS[self.system]

    @property
    def line_s(self) -> float:
        """The line period."""
        if self.subcarrier_cycles is not None:
            return self.subcarrier_cycles / self.constants.subcarrier_hz
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

    # ------------------------------------------------------------------ levels

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
        """Depth of sync of 75 ohm before gain."""
        if self.sync_mv is not None:
            return self.sync_mv
        return self.constants.sync_mv if self.format in ("luma-sync", "composite") else 300.0

    @property
    def burst_in_force_mv_pp(self) -> float:
        """Burst before gain."""
        return self.constants.burst_mv_pp if self.burst_mv_pp is None else self.burst_mv_pp

    def has_sync(self, role: Role) -> bool:
        """Whether sync goes with that role's signal."""
        return role in SYNC_FORMS or role in ("luma", "composite") or (role, self.format) == ("green", "sync-on-green")

    def is_ttl(self, role: Role) -> bool:
        """Whether that role is a logic level."""
        if role in SYNC_FORMS:
            return (self.sync_level or ("ttl" if self.format == "rgb-hv" else "75-ohm")) == "ttl"
        return self.rgb_level == "ttl" and role in ("red", "green", "blue")

    def polarity(self, role: Role) -> Polarity:
        """Which way that role's sync pulses go."""
        system = self.constants
        usual: dict[Role, Polarity] = {"hsync": system.hsync_polarity, "vsync": system.vsync_polarity}
        return self.signal(role).polarity or usual.get(role, "negative")

    def source_ohm_of(self, role: Role) -> float:
        """Output resistance behind that role's connector."""
        stage = self.signal(role)
        if not stage.series_resistor:
            return 0.0
        usual = TTL_SOURCE_OHM if self.is_ttl(role) else self.source_ohm
        return usual if stage.source_ohm is None else stage.source_ohm

    def open_circuit(self, role: Role) -> float:
        """Open-circuit level over the signal's own reckoning: into 75 ohm, of logic levels open-circuit.

        The amplifier behind a series resistor that is missing still has the gain that made up for it.
        """
        if self.is_ttl(role):
            return 1.0
        stage = self.signal(role)
        source_ohm = self.source_ohm if stage.source_ohm is None else stage.source_ohm
        return (source_ohm + 75.0) / 75.0

    # ------------------------------------------------------------------ impairments

    def ladder_of(self, role: Role) -> Ladder | None:
        """The converter that makes that role's picture."""
        return TWO_STATES if self.is_ttl(role) else self.signal(role).ladder or self.ladder

    def interference_of(self, role: Role) -> Interference | None:
        """The interference that stands on that role's signal."""
        return self.signal(role).interference or (None if role in SYNC_FORMS else self.interference)

    def noise_of(self, role: Role) -> float:
        """The unit's noise on that role's signal, mV rms."""
        own = self.signal(role).noise_mv_rms
        return own if own is not None else (0.0 if role in SYNC_FORMS else self.noise_mv_rms)

    def warm_up_of(self, role: Role) -> WarmUp | None:
        """How that role's gain creeps."""
        return self.signal(role).warm_up or self.warm_up

    def disturbances_of(self, role: Role) -> tuple[Disturbance, ...]:
        """What befalls lines of that role's signal."""
        drop_out = self.signal(role).drop_out
        own = () if drop_out is None else (drop_out.disturbance,)
        shared = self.has_sync(role) and role != "vsync" and self.sync_faults is not None
        return (*own, *(self.sync_faults.disturbances if shared and self.sync_faults else ()))
