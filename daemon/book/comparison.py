"""Two marks against each other: levels, their ratio with its uncertainty, and how far the colours lie apart."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ..measure.calibrated import serial_of
from ..measure.level_budget import LevelBudget, scaled
from ..measure.reference_unit import path_words
from ..measure.uncertainty import COVERAGE, Item, combined

RECTANGLE = 0.95
"""From the half-width of a rectangle to that which holds 95 % of it."""


@dataclass(frozen=True)
class Compared:
    """One role in two marks. What is not known is None.

    Attributes:
        before_mv, after_mv: peak white above blanking.
        change_mv: after less before.
        percent: after as per cent of before.
        u95_percent: two-sided 95 % half-width of `percent`.
        same_way: whether both came through the same scope, channel, range and probe, whose errors then drop out.
        held: whether either was not measured then but held from shortly before.
    """

    role: str
    before_mv: float | None
    after_mv: float | None
    change_mv: float | None = None
    percent: float | None = None
    u95_percent: float | None = None
    same_way: bool = False
    held: bool = False


@dataclass(frozen=True)
class Comparison:
    """Two marks. `match_before` and `match_after` are the readings' own, of schema peakwhite.reading/1."""

    levels: tuple[Compared, ...]
    match_before: Mapping[str, Any] | None
    match_after: Mapping[str, Any] | None


@dataclass(frozen=True)
class Side:
    """What comparing needs of a mark: its reading as an object, and its budgets."""

    reading: Mapping[str, Any]
    budgets: Sequence[LevelBudget]


def compare(before: Side, after: Side) -> Comparison:
    """All roles that have a level in either, in the order of the later mark."""
    levels_before, levels_after = _levels(before.reading), _levels(after.reading)
    roles = [*levels_after, *(role for role in levels_before if role not in levels_after)]
    return Comparison(
        tuple(
            _compared(role, _sided(role, levels_before, before), _sided(role, levels_after, after)) for role in roles
        ),
        before.reading["match"],
        after.reading["match"],
    )


@dataclass(frozen=True)
class _Level:
    """A level of one side: `budget` is there where it was measured afresh and lies within the scope's range."""

    level_mv: float
    clipped: bool
    held: bool
    serial: str | None
    items: tuple[Item, ...]
    budget: LevelBudget | None


def _compared(role: str, before: _Level | None, after: _Level | None) -> Compared:
    if before is None or after is None:
        before_mv, after_mv = (None if one is None else one.level_mv for one in (before, after))
        return Compared(role, before_mv, after_mv, held=any(one is not None and one.held for one in (before, after)))
    change_mv, held = after.level_mv - before.level_mv, before.held or after.held
    if before.level_mv <= 0.0 or before.clipped or after.clipped:
        return Compared(role, before.level_mv, after.level_mv, change_mv, held=held)
    ratio = after.level_mv / before.level_mv
    same_way = _same_way(before, after)
    u95_mv = combined(_of_ratio(before, after, ratio, same_way)).quantile(0.975)
    percent, u95_percent = 100.0 * ratio, 100.0 * u95_mv / before.level_mv
    return Compared(role, before.level_mv, after.level_mv, change_mv, percent, u95_percent, same_way, held)


def _of_ratio(before: _Level, after: _Level, ratio: float, same_way: bool) -> Iterator[Item]:
    """What the later level may be off by against the earlier one, times `ratio`, in mV of the later.

    The relative errors of both are subtracted. Through the same scope, channel, range and probe, gain and probe ratio are
    one error and drop out (JCGM 100:2008 5.2.2, fully correlated inputs), as does what is common to both by its kind: of
    two such items of one name their difference is left. Noise, quantisation, linearity and terminators count for each.
    """
    earlier = scaled(before.items, ratio)
    if same_way:
        earlier = tuple(item for item in earlier if item.part != "gain")
    own = tuple(item for item in after.items if not (same_way and item.part == "gain"))
    common = {item.name: item for item in earlier if item.kind == "common"}
    yield from (item for item in earlier if item.kind != "common")
    for item in own:
        other = common.pop(item.name, None) if item.kind == "common" else None
        left_mv = item.size_mv if other is None else abs(item.size_mv - other.size_mv)
        yield Item(item.name, item.kind, item.shape, left_mv, item.part)
    yield from common.values()


def _same_way(before: _Level, after: _Level) -> bool:
    one, other = before.budget, after.budget
    if one is None or other is None or one.path is None or other.path is None:
        return False
    known = before.serial is not None and (before.serial, one.channel) == (after.serial, other.channel)
    return known and path_words(one.path, one.calibration) == path_words(other.path, other.calibration)


def _levels(reading: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    """The channels that have a level, by role."""
    channels = reading["channels"]
    return {one["role"]: one for one in channels if one["role"] is not None and one["peak_white_mv"] is not None}


def _sided(role: str, levels: Mapping[str, Mapping[str, Any]], side: Side) -> _Level | None:
    channel = levels.get(role)
    if channel is None:
        return None
    fresh = not (channel["held"] or channel["clipped"])
    budget = next((one for one in side.budgets if one.role == role), None) if fresh else None
    level_mv = float(channel["peak_white_mv"]) if budget is None else budget.level_mv
    items = _without_budget(channel) if budget is None else budget.items
    serial = serial_of(side.reading["scope"]["identity"])
    return _Level(level_mv, bool(channel["clipped"]), bool(channel["held"]), serial, items, budget)


def _without_budget(channel: Mapping[str, Any]) -> tuple[Item, ...]:
    """A held level goes with what was said of it: its random part as normal, the rest as one rectangle."""
    u95_mv, repeat_mv = float(channel["u95_mv"] or math.nan), float(channel["u95_repeat_mv"] or 0.0)
    rest_mv = math.sqrt(max(0.0, u95_mv**2 - repeat_mv**2))
    return (
        Item("noise", "random", "normal", repeat_mv / COVERAGE, "noise"),
        Item("level", "per-channel", "rectangular", rest_mv / RECTANGLE),
    )
