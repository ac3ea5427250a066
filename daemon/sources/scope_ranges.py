"""Ranges of signals that the house range does not suit, and how they come back.

A range changes in the middle of a trim only where codes touch a rail. It then gets one step coarser, and if that does not
do the coarsest; records off the rails then tell the finest range that holds the signal, its middle moved along. From
any signal that the scope can show there are so at most three captures of picture before the fourth, which is good.

A record may show less than the signal has: those of the vertical interval do, and of a dark part of the picture. So one
that does not come as far as where a rail was touched tells nothing for a while; a range never gets finer than what a rail
proved too fine; and where little is seen, room is left for a picture of the usual size on either side of it.

A finer range or that of the house comes back after the signal has fitted well inside it for a while; that while doubles
each time it soon proves too fine again, so that it does not go to and fro with the picture.

A signal that is never flat, since it carries sync, and takes less than a tenth of the house range, gets a finer one: as
a tenfold probe does that the scope takes for a plain one. Sync alone takes more, as in the vertical interval. Colours may
be black, so that their small swing proves nothing.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np

from ...drivers.capture import ChannelRecord
from ..acquisition import Note
from ..measure.hookup import SYNC_ROLES, Role
from ..measure.levels import LEAST_RAIL_SAMPLES, is_clipped
from ..measure.robust import at_shares, spread
from ..measure.targets import Conditions
from .scope_plan import (
    SCREEN_DIVISIONS,
    STEPS_V_PER_DIV,
    Range,
    finest_range,
    group_of,
    house_ranges,
    next_coarser,
)

BACK_AFTER_S = 5.0
SOON_S = 10.0
LONGEST_S = 80.0
WELL_INSIDE = 0.9
"""Part of the house's screen that the signal has to stay in; the rails lie at or beyond the screen's edges."""
SPARE = 0.1
"""Part of a signal's swing that its own range leaves free above and below."""
USUAL_SWING = 0.6
"""Of a picture of its nominal level, in parts of the house's screen."""
SMALL_SWING = 0.1
"""Of the house's screen: a tenfold probe leaves 0.06 of it, sync alone takes 0.18."""
MUCH_FINER = 4.0
"""A small signal on the house range is left there for less than that."""
NEARLY_DIV = 0.25
"""As near to a level, in divisions of the range that it was seen on, another record has come as far: noise, and rounding."""
NEVER_FLAT: tuple[Role, ...] = (*SYNC_ROLES, "luma", "composite")
LEAST_SWING_DIV = 0.2
"""Between the 2 and 98 % quantiles: noise of 0.025 divisions takes 0.1."""


@dataclass(frozen=True)
class _Extent:
    """Bottom and top in volts at the scope; `small`: of something that is there and takes little of the house range."""

    bottom_v: float = math.inf
    top_v: float = -math.inf
    small: bool = True

    def joined(self, other: "_Extent") -> "_Extent":
        return _Extent(min(self.bottom_v, other.bottom_v), max(self.top_v, other.top_v), self.small and other.small)

    def shrunk(self, by_v: float) -> "_Extent":
        return _Extent(self.bottom_v + by_v, self.top_v - by_v)

    def comes_as_far_as(self, other: "_Extent") -> bool:
        return self.bottom_v <= other.bottom_v and self.top_v >= other.top_v


NOTHING = _Extent()


@dataclass
class _Group:
    """The range of one group of roles; `own` None: that of the house.

    Attributes:
        settling: the next record off the rails tells the range.
        railed: records at a rail of what is taken for one signal, as they came within BACK_AFTER_S; the last at `railed_s`.
        rails: where rails were touched since the range last settled.
        reach: how far a record has to come that shows all that the signal has.
        seen: what all records since `since_s` have shown that do not ask for the range in force.
    """

    own: Range | None = None
    settling: bool = True
    railed: int = 0
    railed_s: float = -math.inf
    rails: _Extent = NOTHING
    reach: _Extent = NOTHING
    seen: _Extent = NOTHING
    since_s: float | None = None
    patience_s: float = BACK_AFTER_S
    back_at_s: float | None = None

    @property
    def is_new(self) -> bool:
        """Whether nothing was learned yet."""
        return self.settling and self.own is None

    @property
    def is_at_home(self) -> bool:
        """Whether the range of the house is in force, which only a small signal leaves without touching a rail."""
        return not self.settling and self.own is None

    def widen(self, rails: _Extent, house: Range, now_s: float) -> None:
        """Rails were touched there."""
        if self.back_at_s is not None:
            soon = now_s - self.back_at_s <= SOON_S
            self.patience_s = min(2.0 * self.patience_s, LONGEST_S) if soon else BACK_AFTER_S
        present = self.own or house
        self.railed = self.railed + 1 if now_s - self.railed_s < BACK_AFTER_S else 1
        self.railed_s = now_s
        self.rails = self.rails.joined(rails)
        self.reach = self.rails.shrunk(NEARLY_DIV * present.volts_per_div)
        if present.volts_per_div < house.volts_per_div:
            half_v = SCREEN_DIVISIONS / 2 * present.volts_per_div
            within = house.holds(present.centre_v - half_v, present.centre_v + half_v)
            self.own = None if within else Range(house.volts_per_div, present.centre_v)
        elif self.railed == 1:
            self.own = Range(next_coarser(present.volts_per_div), present.centre_v)
        else:
            self.own = Range(STEPS_V_PER_DIV[-1], present.centre_v)
        self.settling, self.back_at_s = True, None
        self.look_anew()

    def look(self, shown: _Extent, house: Range, offset_divisions: float, now_s: float) -> None:
        """No rail was touched by a record that shows this much."""
        if self.settling:
            self._settle(shown, house, offset_divisions, now_s)
            return
        seen = self.seen.joined(shown)
        wanted = _wanted(seen, self.own, house, offset_divisions)
        if not self._is_better(wanted, house):
            self.look_anew()
        elif self._has_lasted(seen, now_s):
            self.own, self.back_at_s = wanted, now_s
            self.look_anew()

    def _settle(self, shown: _Extent, house: Range, offset_divisions: float, now_s: float) -> None:
        """Take the range that the record asks for; after a coarser one, which had more noise, look once more."""
        seen = self.seen.joined(shown)
        if not seen.comes_as_far_as(self.reach):
            if not self._has_lasted(seen, now_s):
                return
            self.rails, self.back_at_s = NOTHING, now_s
        wanted = _wanted(seen.joined(self.rails), self.own, house, offset_divisions)
        present = self.own or house
        finer = (wanted or house).volts_per_div < present.volts_per_div
        if self.own is None or (wanted or house).volts_per_div <= present.volts_per_div:
            self.own = wanted
        self.settling = finer
        self.reach = shown.shrunk(NEARLY_DIV * present.volts_per_div) if finer else NOTHING
        self.rails = self.rails if finer else NOTHING
        self.look_anew()

    def _is_better(self, wanted: Range | None, house: Range) -> bool:
        """Whether it is finer than the range in force, or that of the house instead of another."""
        if wanted is None:
            return self.own is not None
        return wanted.volts_per_div < (self.own or house).volts_per_div

    def _has_lasted(self, seen: _Extent, now_s: float) -> bool:
        """Whether this has been seen for the while that it takes."""
        if self.since_s is None:
            self.since_s = now_s
        self.seen = seen
        return now_s - self.since_s >= self.patience_s

    def look_anew(self) -> None:
        """Nothing of what was seen so far asks for another range."""
        self.seen, self.since_s = NOTHING, None


class Ranges:
    """By group of roles, the range that is in force where it is not that of the house.

    `offset_divisions`: so far from 0 V the middle of the scope's screen may lie.
    """

    def __init__(self, offset_divisions: float) -> None:
        self._offset_divisions = offset_divisions
        self._groups: dict[str, _Group] = {}
        self._conditions: Conditions | None = None
        self._houses: Mapping[str, Range] = {}

    @property
    def own(self) -> Mapping[str, Range]:
        """Ranges of the groups that have one of their own."""
        return {group: state.own for group, state in self._groups.items() if state.own is not None}

    def learn(self, records: Sequence[ChannelRecord], conditions: Conditions, now_s: float) -> None:
        """What these records, one a clip, say of the ranges they were taken on."""
        for group, house in self._houses_of(conditions).items():
            state = self._groups.setdefault(group, _Group())
            pairs = zip(conditions.hookup.clips, records, strict=True)
            of_group = [(clip.role, record) for clip, record in pairs if group_of(clip.role) == group]
            rails = _rails([record for _, record in of_group])
            if rails is not None:
                state.widen(rails, house, now_s)
            elif state.is_new and not any(_is_there(role, record) for role, record in of_group):
                continue  # a stretch of the vertical interval, or nothing is connected yet
            else:
                small = all(_takes_little(role, record, house) for role, record in of_group)
                if state.is_at_home and not small:
                    state.look_anew()
                else:
                    extent = _extent_of([record for _, record in of_group], small)
                    state.look(extent, house, self._offset_divisions, now_s)

    def notes(self, conditions: Conditions) -> tuple[Note, ...]:
        """What to tell of ranges other than the targets ask for. A sync finds its range this way, and is no news."""
        own = self.own
        if not own:
            return ()
        houses = self._houses_of(conditions)
        told: dict[str, list[str]] = {}
        for clip in conditions.hookup.clips:
            its = own.get(group_of(clip.role))
            if its is not None and clip.role not in SYNC_ROLES:
                told.setdefault(_kind(its, houses[group_of(clip.role)]), []).append(clip.role)
        return tuple(Note(kind, f"{_listed(roles)}: {WORDS[kind][0]}", WORDS[kind][1]) for kind, roles in told.items())

    def _houses_of(self, conditions: Conditions) -> Mapping[str, Range]:
        """Ranges of the house, computed once for the same conditions."""
        if conditions is not self._conditions:
            self._conditions, self._houses = conditions, house_ranges(conditions)
        return self._houses


WORDS = {
    "range-widened": (
        "the range was widened; levels are less fine, and the trail breaks off",
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


def _wanted(seen: _Extent, own: Range | None, house: Range, offset_divisions: float) -> Range | None:
    """The range that a signal asks for of which this was seen on `own`, None for that of the house."""
    if not seen.small and own is None:
        return None
    fits_house = own is None or house.holds(seen.bottom_v, seen.top_v, WELL_INSIDE)
    if fits_house and not seen.small:
        return None
    bottom_v, top_v = seen.bottom_v, seen.top_v
    if not seen.small:
        usual_v = USUAL_SWING * SCREEN_DIVISIONS * house.volts_per_div
        bottom_v, top_v = min(bottom_v, top_v - usual_v), max(top_v, bottom_v + usual_v)
    spare_v = SPARE * (seen.top_v - seen.bottom_v)
    finest = finest_range(bottom_v - spare_v, top_v + spare_v, offset_divisions)
    return finest if not fits_house or MUCH_FINER * finest.volts_per_div <= house.volts_per_div else None


def _takes_little(role: Role, record: ChannelRecord, house: Range) -> bool:
    """Whether something is there that is never flat, and takes less than a tenth of the house's screen."""
    if role not in NEVER_FLAT or record.full_scale_v is None:
        return False
    least_v = _least_swing_v(record.full_scale_v)
    return least_v < _swing_v(record) <= SMALL_SWING * SCREEN_DIVISIONS * house.volts_per_div


def _is_there(role: Role, record: ChannelRecord) -> bool:
    """Whether more than noise is seen of what is never flat; what may be flat is always taken to be there."""
    if role not in NEVER_FLAT or record.full_scale_v is None:
        return True
    return _swing_v(record) > _least_swing_v(record.full_scale_v)


def _least_swing_v(full_scale_v: float) -> float:
    return LEAST_SWING_DIV * full_scale_v / SCREEN_DIVISIONS


def _swing_v(record: ChannelRecord) -> float:
    """Between the 2 and 98 % quantiles."""
    low, high = (int(code) for code in at_shares(spread(record.codes, 4000), 0.02, 0.98))
    return (high - low) * abs(record.volts_per_code)


def _rails(records: Sequence[ChannelRecord]) -> _Extent | None:
    """Where these records touch rails; None where none does."""
    found = [_touched(record) for record in records if is_clipped(record)]
    return reduce(_Extent.joined, found) if found else None


def _touched(record: ChannelRecord) -> _Extent:
    """The rails that a record touches, in volts at the scope."""
    low, high = record.low_rail_code, record.high_rail_code
    codes: list[int] = []
    if low is not None and np.count_nonzero(record.codes <= low) >= LEAST_RAIL_SAMPLES // 2:
        codes.append(low)
    if high is not None and np.count_nonzero(record.codes >= high) >= LEAST_RAIL_SAMPLES // 2:
        codes.append(high)
    middle_v = _volts(record, ((low or 0) + (high or 0)) / 2)
    touched_v = [_volts(record, code) for code in codes]
    return _Extent(
        min((volts for volts in touched_v if volts < middle_v), default=math.inf),
        max((volts for volts in touched_v if volts >= middle_v), default=-math.inf),
    )


def _volts(record: ChannelRecord, code: float) -> float:
    return code * record.volts_per_code + record.volts_at_code_zero


def _extent_of(records: Sequence[ChannelRecord], small: bool) -> _Extent:
    """Bottom and top of all but stray samples."""
    ends: list[float] = []
    for record in records:
        count = min(LEAST_RAIL_SAMPLES, record.codes.size - 1)
        codes = np.partition(record.codes, (count, record.codes.size - 1 - count))[[count, -1 - count]]
        ends += (_volts(record, float(code)) for code in codes)
    return _Extent(min(ends), max(ends), small)
