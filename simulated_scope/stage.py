"""The output stage of one signal: what may be wrong with it."""

import math
from dataclasses import dataclass
from typing import Literal

from .disturbances import Disturbance, Kind
from .ladder import Ladder
from .settings import Check, flag, integer, number, object_of, one_of, or_null
from .systems import Polarity


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
class WarmUp:
    """The gain creeps by `pct_per_min` at first; the creeping dies away with the time constant."""

    pct_per_min: float
    time_constant_s: float

    def gain(self, since_s: float) -> float:
        """The gain so long after the unit was switched on; at that instant it is 1."""
        settled = self.pct_per_min / 100 * self.time_constant_s / 60
        return 1 + settled * -math.expm1(-max(since_s, 0.0) / self.time_constant_s)


@dataclass(frozen=True)
class DropOut:
    """`lines` lines lose their picture, their sync or both, on average every `every_s`."""

    loses: Literal["picture", "sync", "all"]
    lines: int
    every_s: float
    seed: int

    @property
    def disturbance(self) -> Disturbance:
        """The same as the sampler takes it."""
        kinds: dict[str, Kind] = {"picture": "picture-out", "sync": "sync-out", "all": "all-out"}
        return Disturbance((kinds[self.loses],), self.lines, self.every_s, self.seed)


@dataclass(frozen=True)
class Signal:
    """The output stage of one signal; None means: as the unit has it, or not there. See control.py for every key."""

    gain_percent: float = 100.0
    dc_offset_mv: float = 0.0
    coupling_ms: float | None = None
    bandwidth_mhz: float | None = None
    compression: Compression | None = None
    noise_mv_rms: float | None = None
    interference: Interference | None = None
    disconnected: bool = False
    source_ohm: float | None = None
    series_resistor: bool = True
    polarity: Polarity | None = None
    ladder: Ladder | None = None
    warm_up: WarmUp | None = None
    drop_out: DropOut | None = None


INTERFERENCE = or_null(object_of(Interference, mv_pp=number(0, 5000), frequency_hz=number(0.01, 50e6)))
LADDER = or_null(
    object_of(Ladder, bits=integer(1, 10), wrong_bit=or_null(integer(0, 9)), wrong_by_pct=number(-100, 100))
)
WARM_UP = or_null(object_of(WarmUp, pct_per_min=number(-100, 100), time_constant_s=number(0.1, 36000)))

SIGNAL_CHECKS: dict[str, Check] = {
    "gain_percent": number(0, 1000),
    "dc_offset_mv": number(-5000, 5000),
    "coupling_ms": or_null(number(0.5, 10000)),
    "bandwidth_mhz": or_null(number(0.3, 100)),
    "compression": or_null(object_of(Compression, knee_mv=number(0, 5000), slope=number(0, 1))),
    "noise_mv_rms": or_null(number(0, 1000)),
    "interference": INTERFERENCE,
    "disconnected": flag,
    "source_ohm": or_null(number(0, 10000)),
    "series_resistor": flag,
    "polarity": or_null(one_of("negative", "positive")),
    "ladder": LADDER,
    "warm_up": WARM_UP,
    "drop_out": or_null(
        object_of(
            DropOut,
            loses=one_of("picture", "sync", "all"),
            lines=integer(1, 10000),
            every_s=number(0.001, 36000),
            seed=integer(0, 2**31),
        )
    ),
}
