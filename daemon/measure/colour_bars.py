"""Colour bars: which channel shows red, green and blue, whatever the hookup says.

Eight bars of one width in order of falling luma, of which each colour lights half (SMPTE 170M-2004 tables A.1 to A.4,
which give the order; ITU-R BT.471 names the amplitudes, so that the white bar may be higher than the coloured ones).
"""

from collections.abc import Mapping
from dataclasses import replace
from itertools import combinations, permutations

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import Capture
from .hints import hint
from .hookup import COLOURS, Hookup, Role
from .line_grid import LineGrid
from .middle_line import LEAST_PICTURE_MV, POINTS, middle_lines_mv, middle_places
from .reading import ChannelReading, Hint

BARS = (0b111, 0b110, 0b011, 0b010, 0b101, 0b100, 0b001)
"""White, yellow, cyan, green, magenta, red, blue, as bits of red, green and blue. Black follows, which blanking cannot be
told from."""
STRAY = 5
"""So many places at either extreme are no level."""
DARK, BRIGHT = 0.25, 0.6
"""Parts of a colour's swing that its bars stand under or over; luma has steps between."""
EDGES = 0.15
"""So great a part of the line may lie between, as edges."""
SHORTEST_RUN = 1 / 40
"""Shorter stretches, in parts of active video, are edges."""
ALIKE = 0.4
"""Bars differ by no more than this part of their middle width."""


def roles_by_bars(capture: Capture, hookup: Hookup, grid: LineGrid) -> Mapping[str, Role]:
    """The colour that each of three channels shows, by channel; empty where the picture is not colour bars, or four fit."""
    clips = [hookup.of_channel(record.name) for record in capture.channels]
    ratios = [clip.probe_ratio if clip else 1.0 for clip in clips]
    lines_mv = middle_lines_mv(capture.channels, ratios, middle_places(grid, capture.samples))
    all_lit = zip(capture.channels, map(_lit, lines_mv), strict=True)
    lit = {record.name: bars for record, bars in all_lit if bars is not None}
    found = [roles for three in combinations(lit, 3) if (roles := _roles([lit[name] for name in three], three))]
    return found[0] if len(found) == 1 else {}


def with_roles_by_bars(readings: list[ChannelReading], roles: Mapping[str, Role]) -> list[ChannelReading]:
    """The readings, each with the colour that bars show on its channel."""
    return [replace(one, role_by_bars=roles.get(one.channel)) for one in readings] if roles else readings


def bars_hint(readings: list[ChannelReading]) -> Hint | None:
    """What the bars say of the hookup where it gives their channels other roles; exchanged probes have their own hint."""
    seen = [one for one in readings if one.role_by_bars]
    exchanged = any(one.code == "channels-swapped" for reading in seen for one in reading.hints)
    if exchanged or all(one.role in COLOURS for one in seen):
        return None
    said = ", ".join(f"{one.channel} {one.role_by_bars}" for one in seen)
    return replace(hint("colour-bars-roles"), text=f"The picture looks like colour bars: then it is likely {said}.")


def _lit(line_mv: NDArray[np.float64]) -> NDArray[np.bool_] | None:
    """Where along the line a colour is on, shape (POINTS,); None where it takes more than two levels, or has no picture."""
    ordered = np.sort(line_mv)
    low_mv, high_mv = ordered[STRAY], ordered[-1 - STRAY]
    if high_mv - low_mv < LEAST_PICTURE_MV:
        return None
    part = (line_mv - low_mv) / (high_mv - low_mv)
    between = np.count_nonzero((part > DARK) & (part < BRIGHT))
    return None if between > EDGES * POINTS else np.asarray(part > 0.5)


def _roles(lit: list[NDArray[np.bool_]], channels: tuple[str, ...]) -> Mapping[str, Role]:
    """Of three channels, which is red, green and blue; empty where they are not the bars."""
    shown = _bars(4 * lit[0] + 2 * lit[1] + lit[2])
    for order in permutations(range(3)):
        if shown == tuple(_reordered(word, order) for word in BARS):
            return {channel: COLOURS[place] for channel, place in zip(channels, order, strict=True)}
    return {}


def _bars(words: NDArray[np.intp]) -> tuple[int, ...]:
    """The bars of a line in their order, without black at the ends; nothing where they are not of one width."""
    starts = np.flatnonzero(np.diff(words, prepend=-1))
    widths = np.diff(starts, append=words.size)
    long = widths >= SHORTEST_RUN * words.size
    bars, widths = words[starts[long]], widths[long]
    inner = slice(int(bars[:1].tolist() == [0]), bars.size - int(bars[-1:].tolist() == [0]))
    bars, widths = bars[inner], widths[inner]
    if bars.size == 0 or np.abs(widths / np.median(widths) - 1.0).max() > ALIKE:
        return ()
    return tuple(bars.tolist())


def _reordered(word: int, order: tuple[int, ...]) -> int:
    """The bits of red, green and blue as channels show them that carry the colours numbered in `order`."""
    bits = (word >> 2 & 1, word >> 1 & 1, word & 1)
    return bits[order[0]] << 2 | bits[order[1]] << 1 | bits[order[2]]
