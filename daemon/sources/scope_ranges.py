"""Ranges of signals that the house range does not suit, and how they come back.

A range changes in the middle of a trim only where codes touch a rail. It then gets one step coarser, and if that does not
do the coarsest; the first record off the rails tells the finest range that holds the signal, its middle moved along. From
any signal that the scope can show there are so at most three captures before the fourth, which is good.

The house range comes back after the signal has fitted well inside it for a while; that while doubles each time it soon
proves too fine again, so that it does not go to and fro with the picture.

A signal that is never flat, since it carries sync, and takes less than a quarter of the house range, gets a finer one: as
a tenfold probe does that the scope takes for a plain one. Colours may be black, so that their small swing proves nothing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ...drivers.capture import ChannelRecord
from ..acquisition import Note
from ..measure.hookup import SYNC_ROLES, Role
from ..measure.robust import spread
from ..measure.targets import Conditions
from .scope_plan import (
    RAIL_SAMPLES,
    SCREEN_DIVISIONS,
    STEPS_V_PER_DIV,
    Range,
    finest_range,
    group_of,
    house_ranges,
    next_coarser,
    touches_rail,
)

BACK_AFTER_S = 5.0
SOON_S = 10.0
LONGEST_S = 80.0
WELL_INSIDE = 0.9
"""Part of the house's screen that the signal has to stay in; the rails lie at or beyond the screen's edges."""
SPARE = 0.1
"""Part of a signal's swing that its own range leaves free above and below."""
MUCH_FINER = 4.0
POORLY_RESOLVED = 4.0
"""A range that turns out to be so many times too coarse tells the finer one only roughly: the next record tells it anew."""
NEVER_FLAT: tuple[Role, ...] = (*SYNC_ROLES, "luma", "composite")
LEAST_SWING_DIV = 0.2
"""Between the 2 and 98 % quantiles: noise of 0.025 divisions takes 0.1."""


@dataclass
class _Group:
    """The range of one group of roles; `own` None: that of the house.

    Attributes:
        settling: the next record off the rails tells the range.
        railed: records at a rail one after the other.
    """

    own: Range | None = None
    settling: bool = True
    railed: int = 0
    fits_since_s: float | None = None
    patience_s: float = BACK_AFTER_S
    back_at_s: float | None = None

    def widen(self, house: Range, now_s: float) -> None:
        """A rail was touched."""
        if self.back_at_s is not None:
            soon = now_s - self.back_at_s <= SOON_S
            self.patience_s = min(2.0 * self.patience_s, LONGEST_S) if soon else BACK_AFTER_S
        present = self.own or house
        self.railed += 1
        if present.volts_per_div < house.volts_per_div:
            self.own = None
        elif self.railed == 1:
            self.own = Range(next_coarser(present.volts_per_div), present.centre_v)
        else:
            self.own = Range(STEPS_V_PER_DIV[-1], present.centre_v)
        self.settling, self.fits_since_s, self.back_at_s = True, None, None

    def look(self, wanted: Range | None, house: Range, now_s: float) -> None:
        """No rail was touched, and `wanted` is the range that the record asks for."""
        self.railed = 0
        if self.settling:
            present, self.own = self.own or house, wanted
            self.settling = present.volts_per_div > POORLY_RESOLVED * (wanted or house).volts_per_div
            return
        if (wanted is None) == (self.own is None):
            self.fits_since_s = None
        elif self.fits_since_s is None:
            self.fits_since_s = now_s
        elif now_s - self.fits_since_s >= self.patience_s:
            self.own, self.fits_since_s, self.back_at_s = wanted, None, now_s


class Ranges:
    """By group of roles, the range that is in force where it is not that of the house.

    `offset_divisions`: so far from 0 V the middle of the scope's screen may lie.
    """

    def __init__(self, offset_divisions: float) -> None:
        self._offset_divisions = offset_divisions
        self._groups: dict[str, _Group] = {}

    @property
    def own(self) -> Mapping[str, Range]:
        """Ranges of the groups that have one of their own."""
        return {group: state.own for group, state in self._groups.items() if state.own is not None}

    def learn(self, records: Sequence[ChannelRecord], conditions: Conditions, now_s: float) -> None:
        """What these records, one a clip, say of the ranges they were taken on."""
        houses = house_ranges(conditions)
        for group, house in houses.items():
            state = self._groups.setdefault(group, _Group())
            pairs = zip(conditions.hookup.clips, records, strict=True)
            of_group = [(clip.role, record) for clip, record in pairs if group_of(clip.role) == group]
            if any(touches_rail(record) for _, record in of_group):
                state.widen(house, now_s)
            else:
                state.look(self._wanted(of_group, state.own, house), house, now_s)

    def _wanted(self, of_group: Sequence[tuple[Role, ChannelRecord]], own: Range | None, house: Range) -> Range | None:
        """The range that these records ask for, None for that of the house."""
        small = all(_takes_little(role, record, house) for role, record in of_group)
        if not small and own is None:
            return None
        bottom_v, top_v = _extent_v([record for _, record in of_group])
        if not small and house.holds(bottom_v, top_v, WELL_INSIDE):
            return None
        spare_v = SPARE * (top_v - bottom_v)
        finest = finest_range(bottom_v - spare_v, top_v + spare_v, self._offset_divisions)
        return finest if not small or MUCH_FINER * finest.volts_per_div <= house.volts_per_div else None

    def notes(self, conditions: Conditions) -> tuple[Note, ...]:
        """What to tell of ranges other than the targets ask for. A sync finds its range this way, and is no news."""
        houses = house_ranges(conditions)
        told: dict[str, list[str]] = {}
        for clip in conditions.hookup.clips:
            own = self.own.get(group_of(clip.role))
            if own is not None and clip.role not in SYNC_ROLES:
                told.setdefault(_kind(own, houses[group_of(clip.role)]), []).append(clip.role)
        return tuple(Note(kind, f"{_listed(roles)}: {WORDS[kind][0]}", WORDS[kind][1]) for kind, roles in told.items())


WORDS = {
    "range-widened": (
        "the signal went beyond the range of the scope, which was widened; the trail breaks off, and levels are less fine",
        "nothing, it goes back by itself once the signal fits; if a level is doubled, look for a missing terminator",
    ),
    "range-moved": (
        "the signal does not lie where the target has it, and the middle of the scope's range was moved",
        "nothing, it goes back by itself; if the output is not meant to be coupled by a capacitor, look at its offset",
    ),
    "range-finer": (
        "the signal takes little of the scope's range, which was made finer",
        "check that the scope knows the ratio of its probe; it goes back by itself once the signal is as large as usual",
    ),
}


def _kind(own: Range, house: Range) -> str:
    if own.volts_per_div > house.volts_per_div:
        return "range-widened"
    return "range-finer" if own.volts_per_div < house.volts_per_div else "range-moved"


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _takes_little(role: Role, record: ChannelRecord, house: Range) -> bool:
    """Whether something is there that is never flat, and takes less than a quarter of the house's screen."""
    if role not in NEVER_FLAT:
        return False
    ordered = np.sort(spread(record.codes, 4000))
    low, high = (int(ordered[int(share * (ordered.size - 1))]) for share in (0.02, 0.98))
    swing_v = (high - low) * abs(record.volts_per_code)
    if record.full_scale_v is None or MUCH_FINER * swing_v > SCREEN_DIVISIONS * house.volts_per_div:
        return False
    return swing_v > LEAST_SWING_DIV * record.full_scale_v / SCREEN_DIVISIONS


def _extent_v(records: Sequence[ChannelRecord]) -> tuple[float, float]:
    """Bottom and top of all but stray samples, in volts at the scope."""
    ends: list[float] = []
    for record in records:
        count = min(RAIL_SAMPLES, record.codes.size - 1)
        codes = np.partition(record.codes, (count, record.codes.size - 1 - count))[[count, -1 - count]]
        ends += (float(code) * record.volts_per_code + record.volts_at_code_zero for code in codes)
    return min(ends), max(ends)
