"""The reading: all that was computed from one capture, and its one encoding (schema peakwhite.reading/1)."""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from .level_budget import LevelBudget

if TYPE_CHECKING:
    from .channels import Measuring

SyncState = Literal["locked", "vertical-interval", "blanking-only", "none"]
Zone = Literal["over", "on-target", "dim", "too-low"]
Verdict = Literal["leave-it", "over", "too-low", "unsure"]
SyncClass = Literal["75-ohm", "ttl", "ttl-into-75-ohm"]
Scan = Literal["progressive", "interlaced"]
MatchMethod = Literal["tied", "one-probe", "untied"]

SCHEMA = "peakwhite.reading/1"


@dataclass(frozen=True)
class Hint:
    """A suspicion: a code for machines, a sentence that says "likely", and its ten-second test."""

    code: str
    text: str
    test: str


@dataclass(frozen=True)
class FieldInfo:
    """What a record of a whole field told."""

    lines_per_field: float | None
    field_rate_hz: float | None
    scan: Scan | None
    age_s: float


@dataclass(frozen=True)
class SyncReading:
    """The line sync. What was not measured is None."""

    state: SyncState
    channel: str | None = None
    line_period_us: float | None = None
    line_period_u95_us: float | None = None
    line_rate_hz: float | None = None
    sync_width_us: float | None = None
    jitter_ns: float | None = None
    lines: int = 0
    system: str | None = None
    field: FieldInfo | None = None


@dataclass(frozen=True)
class EdgesMv:
    """The edges of a target's zones."""

    over: float
    on_target: float
    dim: float


@dataclass(frozen=True)
class ReferenceReading:
    """The level of a reference unit, and the measured one as per cent of it."""

    level_mv: float
    percent: float
    u95_percent: float


@dataclass(frozen=True)
class HighestReading:
    """The highest sustained level that was seen; on what part of the picture, nobody knows: it need not be white."""

    level_mv: float
    dwell_us: float
    lines: int
    age_s: float


@dataclass(frozen=True)
class ChannelReading:
    """The levels of one channel. `blanking_mv` is against scope zero, every other level against blanking.

    `path` says through what range and probe the level came, `highest` is there only where the highest is to be held.
    `role_by_bars` is the colour that colour bars show on the channel, whatever its role.
    """

    channel: str
    role: str | None
    peak_white_mv: float | None = None
    u95_mv: float | None = None
    u95_repeat_mv: float | None = None
    low_mv: float | None = None
    high_mv: float | None = None
    held: bool = False
    age_s: float = 0.0
    blanking_mv: float | None = None
    black_mv: float | None = None
    sync_mv: float | None = None
    burst_mv_pp: float | None = None
    subcarrier_hz: float | None = None
    swing_mv: float | None = None
    positive_peak_mv: float | None = None
    negative_peak_mv: float | None = None
    sync_class: SyncClass | None = None
    picture_to_sync: float | None = None
    average_mv: float | None = None
    noise_mv_rms: float | None = None
    noise_band_mhz: float | None = None
    samples: int = 0
    clipped: bool = False
    target: str | None = None
    edges_mv: EdgesMv | None = None
    aim_mv: float | None = None
    off_aim_mv: float | None = None
    zone: Zone | None = None
    verdict: Verdict | None = None
    p_over: float | None = None
    p_too_low: float | None = None
    decidable: bool | None = None
    top_checked: bool = False
    path: str | None = None
    reference: ReferenceReading | None = None
    highest: HighestReading | None = None
    role_by_bars: str | None = None
    hints: tuple[Hint, ...] = ()


@dataclass(frozen=True)
class MatchReading:
    """How far red, green and blue lie apart."""

    spread_mv: float
    u95_mv: float
    limit_pct: float
    ok: bool | None
    method: MatchMethod
    highest: str | None
    lowest: str | None


@dataclass(frozen=True)
class Measured:
    """What measuring one capture gives; acquisition makes a Reading of it.

    `budgets` are of the levels that may be compared with others: no reading shows them. `basis` is what all this was read
    from, for who draws it; it holds the capture, and goes no further than that.
    """

    sync: SyncReading
    channels: tuple[ChannelReading, ...]
    match: MatchReading | None
    hints: tuple[Hint, ...]
    budgets: tuple[LevelBudget, ...] = ()
    basis: "Measuring | None" = field(default=None, repr=False, compare=False)


@dataclass(frozen=True)
class ScopeTag:
    """Which instrument or file a reading came from."""

    identity: str
    resource: str | None


@dataclass(frozen=True)
class LatencyMs:
    """How long fetching and measuring took."""

    fetch: float | None
    measure: float | None


@dataclass(frozen=True)
class Reading:
    """All that was computed from one capture, with where and when it came from.

    `setup` is the generation of the set-up that was in force; `captured_at_ns` counts nanoseconds since 1970 UTC.
    """

    run: str
    seq: int
    setup: int
    captured_at_ns: int
    latency_ms: LatencyMs
    scope: ScopeTag
    measured: Measured


def reading_object(reading: Reading) -> dict[str, Any]:
    """The reading as the plain object of schema peakwhite.reading/1: every key there, NaN and infinity as None."""
    measured = reading.measured
    return {
        "schema": SCHEMA,
        "run": reading.run,
        "seq": reading.seq,
        "setup": reading.setup,
        "captured_at": iso_utc(reading.captured_at_ns),
        "latency_ms": plain(reading.latency_ms),
        "scope": plain(reading.scope),
        "sync": plain(measured.sync),
        "channels": plain(measured.channels),
        "match": plain(measured.match),
        "hints": plain(measured.hints),
    }


def encode_reading(reading: Reading) -> str:
    """The reading as one line of JSON."""
    return json.dumps(reading_object(reading), separators=(",", ":"), allow_nan=False)


def iso_utc(ns_since_1970: int) -> str | None:
    """`2026-01-02T03:04:05.678Z`, or None for 0 (unknown)."""
    if ns_since_1970 == 0:
        return None
    return f"{np.datetime_as_string(np.datetime64(ns_since_1970, 'ns'), unit='ms')}Z"


AS_IT_IS = (type(None), str, bool, int)
"""What JSON writes as it stands."""


def plain(value: Any) -> Any:
    """Dataclasses, tuples and numbers as what JSON knows; floats to seven significant figures, NaN as None."""
    kind: Any = type(value)
    if kind in AS_IT_IS:
        return value
    if kind is float or isinstance(value, np.floating):
        return float(f"{value:.7g}") if math.isfinite(value) else None
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, Mapping):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, np.integer):
        return int(value)
    names = _names(kind)
    if names is None:
        return value
    held = vars(value)
    return {name: one if type(one := held[name]) in AS_IT_IS else plain(one) for name in names}


@cache
def _names(kind: Any) -> tuple[str, ...] | None:
    """Names of a dataclass's fields; None for anything else."""
    return tuple(field.name for field in fields(kind)) if is_dataclass(kind) else None
