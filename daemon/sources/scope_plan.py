"""How a scope is to be set for a hookup: ranges and trigger, as pure functions.

Ranges follow the targets, so that one range serves the day and with it one calibration: the house range. It is the finest
calibrated 1-2-5 step whose screen of 8 divisions holds sync tip to target with a fifth to spare (two fifths on composite,
where chroma rides on white), red, green and blue alike, the span centred. Signals that do not fit get another one
(`scope_ranges`).

The trigger is always a plain edge, DC coupled. High-frequency reject is not used: it spares no capture, since sync is found
in the record anyway, and does harm at 85 % of the sync depth. Through one pole of 80 kHz the tip of a line sync behind a
white line comes 78 % deep, of 50 kHz 40 % (`tests/unit/sources/test_trigger_level.py`): the brighter the picture, the fewer
triggers. Nor is a video trigger of the scope's own used: it knows few systems, wants sync on the picture and does not say
where it slices, while an edge at the level found last, and a free record where none comes, serve every signal.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from ...drivers.family import ChannelPlan
from ..measure.hookup import COLOURS, SYNC_ROLES, WHITE_ROLES, Clip, Hookup, Role
from ..measure.robust import at_shares, spread
from ..measure.targets import Conditions

SCREEN_DIVISIONS = 8
STEPS_V_PER_DIV = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
MARGIN = 1.2
COMPOSITE_MARGIN = 1.4
SWING_V = {"chroma": 0.45, "pb": 0.35, "pr": 0.35}
"""Nominal swing to either side (practice: 100 % bars)."""
SYNC_V = 0.3
"""Depth of a 75-ohm sync; a TTL one finds its range by touching the rails."""

TRIGGER_ROLES: tuple[Role, ...] = ("sync", "hsync", "composite", "luma", "green")
FIRST_TRIGGER_V = -0.15
"""Half of a 75-ohm sync below a blanking of 0 V: the guess before the first capture."""
SYNC_SHARE, SYNC_TOLERANCE = 0.15, 0.04
"""Sync on a picture is sliced so far above its tip: at 85 % of its depth, below what 75 % bars reach; and anew where that
has become 81 or 89 %, so that it stays within 80 to 90 for all noise in what is found."""


def trigger_clip(hookup: Hookup) -> Clip:
    """The clip to trigger on: a sync channel, else a picture that may carry sync, else the first."""
    by_trust = (hookup.of_role(role) for role in TRIGGER_ROLES)
    return next((clip for clip in by_trust if clip is not None), hookup.clips[0])


def group_of(role: Role) -> str:
    """Roles of one group share their range."""
    return "colours" if role in COLOURS else role


@dataclass(frozen=True)
class Range:
    """A range in volts at the scope, and what stands in the middle of its screen."""

    volts_per_div: float
    centre_v: float

    def holds(self, bottom_v: float, top_v: float, part: float = 1.0) -> bool:
        """Whether both levels lie on that middle part of its screen."""
        reach_v = part * SCREEN_DIVISIONS / 2 * self.volts_per_div * (1 + 1e-9)
        return self.centre_v - bottom_v <= reach_v and top_v - self.centre_v <= reach_v


def house_ranges(conditions: Conditions) -> dict[str, Range]:
    """By group of roles, the range that its targets ask for."""
    spans: dict[str, tuple[float, float]] = {}
    for clip in conditions.hookup.clips:
        bottom, top = _span_v(clip, conditions)
        present = spans.get(group_of(clip.role), (bottom, top))
        spans[group_of(clip.role)] = min(bottom, present[0]), max(top, present[1])
    return {group: finest_range(bottom, top) for group, (bottom, top) in spans.items()}


def finest_range(bottom_v: float, top_v: float, offset_divisions: float = math.inf) -> Range:
    """The finest range that holds both levels; the middle of its screen lies no more divisions from 0 V than that."""
    middle_v = round((top_v + bottom_v) / 2, 4)
    for step in STEPS_V_PER_DIV:
        limit_v = offset_divisions * step
        found = Range(step, max(-limit_v, min(limit_v, middle_v)))
        if found.holds(bottom_v, top_v):
            return found
    return Range(STEPS_V_PER_DIV[-1], found.centre_v)


def next_coarser(volts_per_div: float) -> float:
    """The next step, or the coarsest."""
    return next((step for step in STEPS_V_PER_DIV if step > volts_per_div * 1.01), STEPS_V_PER_DIV[-1])


def channel_plans(conditions: Conditions, ranges: Mapping[str, Range]) -> tuple[ChannelPlan, ...]:
    """Range and centre of every channel in use: those of `ranges`, by group of roles, else of the house."""
    in_force = {**house_ranges(conditions), **ranges}
    return tuple(
        ChannelPlan(clip.channel, volts_per_div=one.volts_per_div, centre_v=one.centre_v)
        for clip in conditions.hookup.clips
        for one in (in_force[group_of(clip.role)],)
    )


def on_screen_v(level_v: float, channel: str, plans: Sequence[ChannelPlan]) -> float:
    """The trigger level, or the nearest on the screen of its channel: scopes refuse others, and no edge is there.

    EXT has no screen.
    """
    for plan in plans:
        if plan.name == channel:
            half_v = SCREEN_DIVISIONS / 2 * plan.volts_per_div
            return min(max(level_v, plan.centre_v - half_v), plan.centre_v + half_v)
    return level_v


@dataclass(frozen=True)
class _States:
    """Two levels in volts between which to slice, and how far from the best level is still good."""

    best_v: float
    tolerance_v: float


def trigger_level_v(record: ChannelRecord, seconds_per_sample: float, role: Role, present_v: float) -> float:
    """The trigger level that this record of the trigger channel suggests, or `present_v` while that is still good."""
    states = _separate(record) if role in SYNC_ROLES else _on_picture(record, seconds_per_sample)
    if states is None or abs(states.best_v - present_v) <= states.tolerance_v:
        return present_v
    return states.best_v


def _separate(record: ChannelRecord) -> _States | None:
    """The middle between the two states; a sync pulse takes 7 % of the time, whichever way up it is."""
    low, high = (_volts(record, code) for code in at_shares(spread(record.codes, 4000), 0.02, 0.98))
    if abs(high - low) < _smallest_swing_v(record):
        return None
    return _States((low + high) / 2, abs(high - low) / 6)


def _on_picture(record: ChannelRecord, seconds_per_sample: float) -> _States | None:
    """15 % of the sync depth above its tip: tip and the porch after each pulse, in half a microsecond's means."""
    width = max(1, round(0.5e-6 / seconds_per_sample))
    if record.codes.size < 10 * width:
        return None
    smooth = _running_mean(record.codes, width) * record.volts_per_code + record.volts_at_code_zero
    tip, top = np.quantile(smooth, (0.02, 0.98))
    below = smooth < tip + 0.12 * (top - tip)
    porches = np.flatnonzero(below[:-1] & ~below[1:]) + round(1.0e-6 / seconds_per_sample)
    porches = porches[porches < smooth.size]
    if porches.size == 0:
        return None
    depth = float(np.median(smooth[porches]) - tip)
    if depth < max(_smallest_swing_v(record), 0.1 * (top - tip)):
        return None
    return _States(float(tip) + SYNC_SHARE * depth, SYNC_TOLERANCE * depth)


def _running_mean(codes: NDArray[np.generic], width: int) -> NDArray[np.float64]:
    total = np.concatenate(([0], np.cumsum(codes, dtype=np.int64)))
    return (total[width:] - total[:-width]) / width


def _smallest_swing_v(record: ChannelRecord) -> float:
    """Four states of the converter: less is no sync."""
    return 4 * record.code_step * abs(record.volts_per_code)


def _volts(record: ChannelRecord, code: np.generic) -> float:
    return float(int(code) * record.volts_per_code + record.volts_at_code_zero)


def _span_v(clip: Clip, conditions: Conditions) -> tuple[float, float]:
    """Bottom and top that a nominal signal needs with its margin, in volts at the scope."""
    bottom, top = _nominal_span_v(clip.role, conditions)
    room = 1.0 if clip.role in SYNC_ROLES else conditions.headroom
    return room * bottom / clip.probe_ratio, room * top / clip.probe_ratio


def _nominal_span_v(role: Role, conditions: Conditions) -> tuple[float, float]:
    if role in SYNC_ROLES:
        return -MARGIN * SYNC_V, MARGIN * SYNC_V
    target = conditions.target_of(role, None) if role in WHITE_ROLES else None
    if target is None:
        return -MARGIN * SWING_V[role], MARGIN * SWING_V[role]
    separate_sync = conditions.hookup.of_role("sync") or conditions.hookup.of_role("hsync")
    carries_sync = role not in COLOURS or separate_sync is None
    bottom_mv = -MARGIN * (target.sync_mv or SYNC_V * 1e3) if carries_sync else 0.0
    return bottom_mv / 1e3, target.nominal_mv / 1e3 * (COMPOSITE_MARGIN if role == "composite" else MARGIN)
