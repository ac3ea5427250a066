"""What tells one unit from another at a glance: its line rate, its levels, its blanking."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from ..measure.reading import Reading

CONTACT_MV = 1.0
"""A plug that was pulled and put back may change a level by so much."""
OFFSET_MV = 10.0
"""Blanking of the same unit, through ranges whose offsets differ."""


@dataclass(frozen=True)
class Traits:
    """What a reading tells of the unit: line period in us with its u95, and by channel the level in mV with the u95 of
    its repeatable part, and blanking in mV."""

    line_period_us: float | None
    line_period_u95_us: float
    levels: Mapping[str, tuple[float, float]]
    blankings_mv: Mapping[str, float]


def traits_of(reading: Reading) -> Traits:
    """What that reading shows; levels that are held were shown by another."""
    sync = reading.measured.sync
    seen = [one for one in reading.measured.channels if not one.held]
    return Traits(
        sync.line_period_us,
        sync.line_period_u95_us or 0.0,
        {one.channel: (one.peak_white_mv, one.u95_repeat_mv or 0.0) for one in seen if one.peak_white_mv is not None},
        {one.channel: one.blanking_mv for one in seen if one.blanking_mv is not None},
    )


def joined(old: Traits | None, new: Traits) -> Traits:
    """The new ones, and of the old what the new lack."""
    if old is None:
        return new
    return replace(new, levels={**old.levels, **new.levels}, blankings_mv={**old.blankings_mv, **new.blankings_mv})


def difference(old: Traits, new: Traits) -> str | None:
    """In what the two differ by more than both are uncertain by, a clause; None where they may be of one unit.

    The scope's time base is in the uncertainty of both line periods though it is common to them: those differ rather too late.
    """
    if old.line_period_us is not None and new.line_period_us is not None:
        apart_us = new.line_period_us - old.line_period_us
        if abs(apart_us) > math.hypot(old.line_period_u95_us, new.line_period_u95_us):
            return f"the line rate is {1e6 / new.line_period_us:.0f} instead of {1e6 / old.line_period_us:.0f} Hz"
    for channel in old.levels.keys() & new.levels.keys():
        (before_mv, u_before_mv), (now_mv, u_now_mv) = old.levels[channel], new.levels[channel]
        if abs(now_mv - before_mv) > CONTACT_MV + 1.5 * math.hypot(u_before_mv, u_now_mv):
            return f"{channel} shows {now_mv:.1f} instead of {before_mv:.1f} mV"
    for channel in old.blankings_mv.keys() & new.blankings_mv.keys():
        before_mv, now_mv = old.blankings_mv[channel], new.blankings_mv[channel]
        if abs(now_mv - before_mv) > OFFSET_MV:
            return f"blanking of {channel} lies at {now_mv:.0f} instead of {before_mv:.0f} mV"
    return None
