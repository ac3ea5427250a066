"""Changing the unit: what every key may hold, and which settings contradict each other."""

from dataclasses import replace

from .patterns import PatternName
from .raster import Interval, VerticalSync
from .settings import BadSetting, Check, changed, integer, literal, near, number, object_of, one_of, or_null
from .stage import INTERFERENCE, LADDER, SIGNAL_CHECKS, WARM_UP, Signal
from .systems import SUBCARRIER_CYCLES, SystemName
from .unit import ROLES, SYNC_FORMS, Format, Role, SyncFaults, Unit

_RATE = number(0, 10000)

UNIT_CHECKS: dict[str, Check] = {
    "system": literal(SystemName),
    "scan": one_of("progressive", "interlaced"),
    "lines_per_field": or_null(one_of(262, 263, 312, 313, 314)),
    "line_period_us": or_null(number(20, 80)),
    "subcarrier_cycles": or_null(near(*(cycles for known in SUBCARRIER_CYCLES.values() for cycles in known))),
    "vertical_sync": or_null(literal(VerticalSync)),
    "odd_line_us": number(-10, 10),
    "vbi": literal(Interval),
    "pattern": literal(PatternName),
    "bars_white_percent": or_null(number(0, 100)),
    "format": literal(Format),
    "nominal_mv": or_null(number(1, 5000)),
    "setup_mv": number(0, 500),
    "rgb_level": one_of("analogue", "ttl"),
    "ladder": LADDER,
    "sync_mv": or_null(number(0, 5000)),
    "sync_level": or_null(one_of("75-ohm", "ttl")),
    "sync_faults": or_null(
        object_of(SyncFaults, dropped_per_s=_RATE, doubled_per_s=_RATE, glitches_per_s=_RATE, seed=integer(0, 2**31))
    ),
    "burst_mv_pp": or_null(number(0, 2000)),
    "source_ohm": number(0, 10000),
    "noise_mv_rms": number(0, 1000),
    "interference": INTERFERENCE,
    "line_jitter_ns": number(0, 500),
    "warm_up": WARM_UP,
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
    unknown = [key for key in others if key not in UNIT_CHECKS]
    if unknown:
        known = ", ".join([*UNIT_CHECKS, *ROLES])
        raise BadSetting(f'set has no setting "{unknown[0]}"; there are {known}.')
    result = changed(unit, others, UNIT_CHECKS, "set")
    result = replace(result, **stages)  # type: ignore[arg-type]
    _refuse_contradictory_time(result)
    _refuse_contradictory_levels(result)
    return result


def _changed_signal(unit: Unit, role: Role, values: object) -> Signal:
    return changed(unit.signal(role), values, SIGNAL_CHECKS, f"set.{role}")


def _refuse_contradictory_time(unit: Unit) -> None:
    system = unit.constants
    lines, cycles = unit.lines_per_field, unit.subcarrier_cycles
    if lines is not None and lines not in system.lines_per_field:
        allowed = ", ".join(map(str, system.lines_per_field))
        raise BadSetting(f"set.lines_per_field must be {allowed} or null with system {system.name}, not {lines}.")
    if cycles is not None and cycles not in SUBCARRIER_CYCLES.get(system.name, ()):
        raise BadSetting(f"set.subcarrier_cycles cannot be {cycles:.7g} with system {system.name}; set it to null.")
    if cycles is not None and unit.line_period_us is not None:
        raise BadSetting("set.subcarrier_cycles gives the line period; set line_period_us to null.")
    if not 0.8 < unit.line_s / system.line_s < 1.2:
        raise BadSetting(f"set.line_period_us must lie within 20 % of {system.line_s * 1e6:.3f}.")
    if unit.odd_line_us and unit.scan == "interlaced":
        raise BadSetting("set.odd_line_us needs scan progressive.")
    if not system.is_television:
        wrong = {
            "scan": unit.scan == "interlaced",
            "vertical_sync": unit.vertical_sync == "full",
            "format": unit.format == "composite",
            "vbi": unit.vbi != "off",
        }
        for key in (key for key, is_wrong in wrong.items() if is_wrong):
            raise BadSetting(f"set.{key} cannot be {getattr(unit, key)} with system {system.name}.")


def _refuse_contradictory_levels(unit: Unit) -> None:
    if unit.setup_mv >= unit.white_mv:
        raise BadSetting(f"set.setup_mv must be below nominal_mv ({unit.white_mv:g}), not {unit.setup_mv:g}.")
    if unit.rgb_level == "ttl" and unit.format == "sync-on-green":
        raise BadSetting("set.rgb_level cannot be ttl with format sync-on-green.")
    for key, ladder in (("ladder", unit.ladder), *((f"{role}.ladder", unit.signal(role).ladder) for role in ROLES)):
        if ladder is not None and ladder.wrong_bit is not None and ladder.wrong_bit >= ladder.bits:
            raise BadSetting(f"set.{key}.wrong_bit must be below bits ({ladder.bits}), not {ladder.wrong_bit}.")
    for role in ROLES:
        if unit.signal(role).polarity is not None and role not in SYNC_FORMS:
            raise BadSetting(f"set.{role}.polarity must be null; only {', '.join(SYNC_FORMS)} have one.")
