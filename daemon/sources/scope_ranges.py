"""Ranges that were widened because codes touched a rail, and how they come back.

A range widens at once. It goes back one step after the signal has fitted well inside the finer one for a while; that
while doubles each time the finer one soon proves too fine again, so that it does not go to and fro with the picture.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ...drivers.capture import ChannelRecord
from ...drivers.family import ChannelPlan
from ..acquisition import Note
from ..measure.hookup import SYNC_ROLES
from ..measure.targets import Conditions
from .scope_plan import RAIL_SAMPLES, SCREEN_DIVISIONS, channel_plans, group_of, touches_rail

BACK_AFTER_S = 5.0
SOON_S = 10.0
LONGEST_S = 80.0
WELL_INSIDE = 0.9
"""Part of the finer screen that the signal has to stay in; the rails lie at or beyond the screen's edges."""


@dataclass
class _Widened:
    steps: int = 0
    fits_since_s: float | None = None
    patience_s: float = BACK_AFTER_S
    back_at_s: float | None = None

    def widen(self, now_s: float) -> None:
        """A rail was touched."""
        if self.back_at_s is not None:
            soon = now_s - self.back_at_s <= SOON_S
            self.patience_s = min(2.0 * self.patience_s, LONGEST_S) if soon else BACK_AFTER_S
        self.steps += 1
        self.fits_since_s = self.back_at_s = None

    def look(self, fits: bool, now_s: float) -> None:
        """No rail was touched; `fits` says whether the next finer range would have held the signal well."""
        if not fits:
            self.fits_since_s = None
        elif self.fits_since_s is None:
            self.fits_since_s = now_s
        elif now_s - self.fits_since_s >= self.patience_s:
            self.steps -= 1
            self.fits_since_s = self.back_at_s = now_s


class Ranges:
    """By group of roles, how many steps coarser than planned its range is now."""

    def __init__(self) -> None:
        self._groups: dict[str, _Widened] = {}

    @property
    def coarser(self) -> Mapping[str, int]:
        """Steps of every group that has been widened."""
        return {group: widened.steps for group, widened in self._groups.items()}

    def learn(self, records: Sequence[ChannelRecord], conditions: Conditions, now_s: float) -> None:
        """Widen what touched a rail in these records, one a clip, and bring back what has fitted a finer range for long."""
        clips = conditions.hookup.clips
        railed = {group_of(clip.role) for clip, record in zip(clips, records, strict=True) if touches_rail(record)}
        for group, widened in self._groups.items():
            if widened.steps and group not in railed:
                plans = channel_plans(conditions, {group: widened.steps - 1})
                looked_at = zip(clips, records, plans, strict=True)
                of_group = [(record, plan) for clip, record, plan in looked_at if group_of(clip.role) == group]
                widened.look(all(_well_inside(record, plan) for record, plan in of_group), now_s)
        for group in railed:
            self._groups.setdefault(group, _Widened()).widen(now_s)

    def notes(self, conditions: Conditions) -> tuple[Note, ...]:
        """What to tell of ranges that are wider than the targets ask for. A sync finds its range this way, and is no news."""
        roles = [
            clip.role
            for clip in conditions.hookup.clips
            if self.coarser.get(group_of(clip.role), 0) and clip.role not in SYNC_ROLES
        ]
        if not roles:
            return ()
        named = roles[0] if len(roles) == 1 else f"{', '.join(roles[:-1])} and {roles[-1]}"
        return (
            Note(
                "range-widened",
                f"{named}: the signal went beyond the range of the scope, which was widened; levels are a little less fine",
                "nothing, it goes back by itself once the signal fits; if a level is doubled, look for a missing terminator",
            ),
        )


def _well_inside(record: ChannelRecord, plan: ChannelPlan) -> bool:
    """Whether all but stray samples lie well inside the screen that the plan asks for."""
    count = min(RAIL_SAMPLES, record.codes.size - 1)
    ends = np.partition(record.codes, (count, record.codes.size - 1 - count))[[count, -1 - count]]
    reach_v = WELL_INSIDE * SCREEN_DIVISIONS / 2 * plan.volts_per_div
    volts = (float(code) * record.volts_per_code + record.volts_at_code_zero for code in ends)
    return all(abs(level_v - plan.centre_v) <= reach_v for level_v in volts)
