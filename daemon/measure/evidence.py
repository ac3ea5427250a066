"""What made a level: where blanking was clamped, where the picture lies, and the flat runs that were found there."""

import math
from dataclasses import dataclass

from .flats import State
from .levels import Levels, held_us

MOST_FLATS = 24
"""So many flat runs of a channel are told, those of the highest state first."""

Span = tuple[float, float]
"""From and to, in us after 0H."""


@dataclass(frozen=True)
class Flat:
    """A stretch of the line on which the picture holds one level.

    Attributes:
        level_mv: of the state that it belongs to, above blanking.
        from_us, to_us: after 0H; guards at its ends are left out.
        lines: how many of the lines looked at hold that state.
        made_level: whether the channel's level is the mean of this state.
    """

    level_mv: float
    from_us: float
    to_us: float
    lines: int
    made_level: bool


@dataclass(frozen=True)
class Evidence:
    """What the level of one channel stands on; None where it was not found.

    Attributes:
        blanking_mv: against scope zero.
        level_mv: of the state that is the level, above blanking; as captured, whatever white the pattern has.
        level_lines, level_of: on how many of how many lines it stands; 0 without a level.
        clamp_us: where blanking is taken on each line.
        active_us: where flat runs are looked for.
        looked_at: how many lines were looked at.
        flats: by level, highest first, then by place.
    """

    blanking_mv: float | None = None
    level_mv: float | None = None
    level_lines: int = 0
    level_of: int = 0
    clamp_us: Span | None = None
    active_us: Span | None = None
    looked_at: int = 0
    flats: tuple[Flat, ...] = ()


NO_EVIDENCE = Evidence()


def evidence(levels: Levels, dark_mv: float) -> Evidence:
    """What the levels of a channel stand on; a highest state of `dark_mv` or less is no level."""
    seen = levels.seen
    if seen is None:
        return NO_EVIDENCE
    bin_us, lines = seen.lines.grid.bin_us, seen.lines
    is_level = levels.white_mv > dark_mv
    flats: list[Flat] = []
    for place, state in enumerate(seen.states):
        made_level = is_level and place == 0
        level_mv = levels.white_mv if made_level else state.level_mv
        flats += (Flat(level_mv, *span, state.rows, made_level) for span in _spans(state, levels))
    clamp = lines.clamp.columns
    return Evidence(
        blanking_mv=levels.blanking_mv if math.isfinite(levels.blanking_mv) else None,
        level_mv=levels.white_mv if is_level else None,
        level_lines=levels.white_rows if is_level else 0,
        level_of=levels.rows if is_level else 0,
        clamp_us=(clamp.start * bin_us, clamp.stop * bin_us),
        active_us=(lines.active.start * bin_us, lines.active.stop * bin_us),
        looked_at=lines.level_mv.shape[1],
        flats=tuple(flats[:MOST_FLATS]),
    )


def _spans(state: State, levels: Levels) -> tuple[Span, ...]:
    """Where nine tenths of its lines hold a state; its longest run where it lies elsewhere on every line."""
    assert levels.seen is not None
    held = held_us(state, levels.seen.lines)
    if held:
        return held
    longest = int(state.runs.bins.argmax())
    bin_us = levels.seen.lines.grid.bin_us
    return ((float(state.runs.first[longest]) * bin_us, float(state.runs.last[longest]) * bin_us),)
