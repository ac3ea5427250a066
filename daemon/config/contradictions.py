"""What is wrong with settings that no key shows by itself."""

import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from ...drivers.capture import EXT
from ...drivers.errors import PeakwhiteError
from ..measure.hookup import EXT_ROLES
from ..measure.targets import SHIPPED, Target
from .complaints import Complaint, nearest
from .keys import KeyPath
from .model import SettingsTables, TargetTable
from .values import CHANNEL_NAME, parse_gain_spec, parse_pattern_white


def contradictions(tables: SettingsTables, own_targets: frozenset[str]) -> Iterator[Complaint]:
    """Edges out of order, names that nobody defines, a role given twice.

    `own_targets` are all that the file names, those too that cannot be used.
    """
    for key, parse in (("gain_spec", parse_gain_spec), ("pattern_white", parse_pattern_white)):
        value = getattr(tables.measure, key)
        if value is not None:
            yield from _refused(("measure", key), parse, value)
    if tables.book.log_batch_s < tables.book.log_period_s:
        yield Complaint(("book", "log_batch_s"), f"must not lie under log_period_s ({tables.book.log_period_s:g})")
    for name, table in tables.targets.items():
        yield from _edges_out_of_order(name, table)
    known = known_targets(tables)
    for role, name in tables.target_of.items():
        if name in known and role not in known[name].roles:
            yield Complaint(
                ("target_of", role), f"names the target '{name}', which is for {', '.join(known[name].roles)}"
            )
        elif name not in known and name not in own_targets:
            yield Complaint(("target_of", role), f"names the target '{name}', which there is not", nearest(name, known))
    seen: dict[str, str] = {}
    for channel, clip in tables.hookup.items():
        for text in _impossible(channel, clip.role, seen):
            yield Complaint(("hookup", channel, "role"), text)
        seen.setdefault(clip.role, channel)


def _impossible(channel: str, role: str, seen: Mapping[str, str]) -> Iterator[str]:
    """Why this channel cannot carry this role; `seen` has the channels before it by their roles."""
    if not re.fullmatch(CHANNEL_NAME, channel):
        yield "is on a channel of no possible name: letters and digits, 16 at most"
    if channel == EXT and role not in EXT_ROLES:
        yield f"cannot be '{role}': EXT is not recorded, it may carry sync or hsync"
    if role in seen:
        yield f"is '{role}', as is that of {seen[role]}: give each its own"


def _edges_out_of_order(name: str, table: TargetTable) -> Iterator[Complaint]:
    """What is wrong with a target's levels, each told with the edges that were not given."""
    low, on, high = (_edge(table, key) for key in ("dim_from_mv", "on_from_mv", "over_above_mv"))
    if not table.dim_from_mv < table.on_from_mv < table.over_above_mv:
        if "on_from_mv" in table.model_fields_set:
            yield Complaint(("targets", name, "on_from_mv"), f"must lie over {low} and under {high}")
        else:
            what = f"asks for edges of its own: {low}, {on} and {high} must rise in this order"
            yield Complaint(("targets", name, "nominal_mv"), what)
    elif not table.on_from_mv <= table.nominal_mv <= table.over_above_mv:
        yield Complaint(("targets", name, "nominal_mv"), f"must lie on target: from {on} to {high}")
    if table.setup_mv >= table.dim_from_mv:
        yield Complaint(("targets", name, "setup_mv"), f"must lie under {low}")


def _edge(table: TargetTable, key: str) -> str:
    return key if key in table.model_fields_set else f"{key} ({getattr(table, key):g} where none is given)"


def _refused(path: KeyPath, parse: Callable[[Any], object], value: object) -> Iterator[Complaint]:
    try:
        parse(value)
    except PeakwhiteError as error:
        yield Complaint(path, f"cannot be: {error.what}, {error.do}")


def known_targets(tables: SettingsTables) -> dict[str, Target]:
    """The shipped targets and those of the settings."""
    own = {
        name: Target(name=name, **{**table.model_dump(), "roles": tuple(table.roles)})
        for name, table in tables.targets.items()
    }
    return SHIPPED | own
