"""Targets: nominal levels with their zone edges, where they come from, and which one a role takes by default."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Literal

from ...drivers.capture import GainSpec
from ...drivers.errors import UsageError
from .calibration import Calibration
from .hookup import COLOURS, WHITE_ROLES, Hookup, Role
from .level_budget import LevelBudget
from .reading import EdgesMv
from .reference_unit import ReferenceLevel

Basis = Literal["standard", "practice"]

OVER_ABOVE_MV = 714.3
"""Above this, detail is lost in what displays or records the signal (practice; 100 IRE at 7.142857 mV/IRE)."""
DIM_FROM_MV = 600.0
"""Down to about here a level is only dimmer (practice, no source)."""
TIME_BASE_PPM = 100.0
"""Assumed of a time base where nobody says better: about the worst that bench scopes state (practice)."""
ON_TARGET_FROM = 0.95
"""On target from this part of nominal (our choice)."""


@dataclass(frozen=True)
class Window:
    """A published compatibility window: drawn as a thin named line, never the verdict of a trim."""

    name: str
    low_mv: float
    high_mv: float


@dataclass(frozen=True)
class Target:
    """What a channel should measure above blanking into its proper load.

    Attributes:
        name: how settings and command line call it.
        roles: the roles it is meant for.
        nominal_mv: peak white above blanking.
        over_above_mv, on_from_mv, dim_from_mv: edges of the zones; below the last is too low.
        setup_mv: black above blanking; a property of the target, never guessed from a dark level.
        sync_mv: depth of sync below blanking, positive.
        burst_mv_pp: burst peak to peak, None where there is none.
        basis: whether a standard or only practice stands behind the nominal level.
        source: which one.
        windows: published compatibility windows.
    """

    name: str
    roles: tuple[Role, ...]
    nominal_mv: float
    over_above_mv: float
    on_from_mv: float
    dim_from_mv: float
    setup_mv: float = 0.0
    sync_mv: float | None = None
    burst_mv_pp: float | None = None
    basis: Basis = "practice"
    source: str = ""
    windows: tuple[Window, ...] = ()

    @property
    def edges_mv(self) -> EdgesMv:
        """The edges as a reading carries them."""
        return EdgesMv(over=self.over_above_mv, on_target=self.on_from_mv, dim=self.dim_from_mv)


def _target(name: str, roles: tuple[Role, ...], nominal_mv: float, basis: Basis, source: str, **more: object) -> Target:
    return Target(
        name=name,
        roles=roles,
        nominal_mv=nominal_mv,
        over_above_mv=OVER_ABOVE_MV,
        on_from_mv=round(nominal_mv * ON_TARGET_FROM, 1),
        dim_from_mv=DIM_FROM_MV,
        basis=basis,
        source=source,
        **more,  # type: ignore[arg-type]
    )


_S170 = "SMPTE 170M-2004 table 1: 100 IRE at 7.142857 mV/IRE"
_S1700 = "ITU-R BT.1700 Part B table 2"
_RGB_WINDOWS = (
    Window("VSIS", 665.0, 770.0),
    Window("peritelevision ±3 dB", 496.0, 989.0),
)

SHIPPED: dict[str, Target] = {
    target.name: target
    for target in (
        _target("rgb-525", COLOURS, 714.3, "practice", "common practice on 525-line units", windows=_RGB_WINDOWS, sync_mv=285.7),
        _target("rgb-700", COLOURS, 700.0, "standard", "SMPTE 170M annex B, VSIS, peritelevision connector: 0.7 V", windows=_RGB_WINDOWS, sync_mv=300.0),
        _target("luma-525", ("luma",), 714.3, "standard", f"{_S170}, without setup (BT.1700 Part A note 1)", sync_mv=285.7),
        _target("luma-525-setup", ("luma",), 714.3, "standard", _S170, setup_mv=53.6, sync_mv=285.7),
        _target("luma-625", ("luma",), 700.0, "standard", _S1700, sync_mv=300.0),
        _target("composite-525", ("composite",), 714.3, "standard", f"{_S170}, without setup (BT.1700 Part A note 1)", sync_mv=285.7, burst_mv_pp=285.7),
        _target("composite-525-setup", ("composite",), 714.3, "standard", _S170, setup_mv=53.6, sync_mv=285.7, burst_mv_pp=285.7),
        _target("composite-625", ("composite",), 700.0, "standard", _S1700, sync_mv=300.0, burst_mv_pp=300.0),
    )
}  # fmt: skip
"""The targets that come with Peakwhite, by name."""


def default_target(role: Role, system: str | None) -> str | None:
    """Name of the target that a role takes when nobody chose one; None for roles without a peak white."""
    if role not in WHITE_ROLES:
        return None
    family_525 = system == "525/60"
    if role in COLOURS:
        return "rgb-525" if family_525 else "rgb-700"
    return f"{role}-525" if family_525 else f"{role}-625"


@dataclass(frozen=True)
class Conditions:
    """What the user says of a measurement, beside the capture itself.

    Attributes:
        hookup: what is clipped where.
        targets: every target known, by name.
        chosen: the target of a role, where the user chose one.
        gain_spec: the scope's gain specification as the user gives it; None to take the capture's.
        time_base_ppm: how far the scope's time base may be off.
        pattern_white_pct: what the white of the pattern on the screen is, in per cent of full white.
        calibrations: all that are known, of whatever scope, channel and age; a capture takes those that hold for it.
        one_probe: what one probe was moved over so far, in the order red, green, blue, red.
        reference: levels of a reference unit, of which the measured ones are told as per cent.
        headroom: so many times what the targets ask for has to fit the scope's range: more than 1 while a load is taken off.
        hold_since: whether the highest level is held: the generation of the set-up since which it is, None where not.
    """

    hookup: Hookup = field(default_factory=Hookup)
    targets: Mapping[str, Target] = field(default_factory=lambda: SHIPPED)
    chosen: Mapping[Role, str] = field(default_factory=dict)
    gain_spec: GainSpec | None = None
    time_base_ppm: float = TIME_BASE_PPM
    pattern_white_pct: float = 100.0
    calibrations: tuple[Calibration, ...] = ()
    one_probe: tuple[LevelBudget, ...] = ()
    reference: tuple[ReferenceLevel, ...] = ()
    hold_since: int | None = None
    headroom: float = 1.0

    def target_of(self, role: Role, system: str | None) -> Target | None:
        """The target in force for a role, or None for roles without a peak white."""
        name = self.chosen.get(role) or default_target(role, system)
        return None if name is None else target_named(name, self.targets)


def target_named(name: str, targets: Mapping[str, Target]) -> Target:
    """The target of that name. Raises UsageError that names the nearest one."""
    if name in targets:
        return targets[name]
    near = get_close_matches(name, targets, n=1, cutoff=0.0)
    raise UsageError(
        f"there is no target '{name}'",
        where="target",
        do=f"the nearest is '{near[0]}'; known are {', '.join(sorted(targets))}",
    )
