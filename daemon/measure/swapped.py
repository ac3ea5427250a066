"""Probes that are exchanged: told by the order of colour bars, and by sync where a picture should be."""

from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import Capture, ChannelRecord
from .found_sync import FoundSync, grid_of
from .hookup import COLOURS, Clip, Role
from .line_grid import LineGrid
from .line_sync import find_line_sync
from .robust import spread
from .sync_train import NO_SYNC, LineSync
from .targets import Conditions

LINES, POINTS = 5, 256
"""So many lines and places on each tell what a picture's bars are."""
BARS = (0b111, 0b110, 0b011, 0b010, 0b101, 0b100, 0b001)
"""White, yellow, cyan, green, magenta, red, blue, as bits of red, green and blue: bars in order of falling luma
(SMPTE 170M-2004 tables A.1 to A.4). Black follows, which blanking cannot be told from."""
STRAY = 5
"""So many places at either extreme are no level."""
SHORTEST_RUN = 1 / 40
"""Shorter stretches, in parts of active video, are edges."""
ALIKE = 0.4
"""Bars differ by no more than this part of their middle width."""
LEAST_PICTURE_MV = 100.0
ALL_SYNC = 0.8
"""A channel whose sync takes this part of its swing carries nothing else."""


def swapped_channels(capture: Capture, conditions: Conditions, sync: FoundSync) -> tuple[str, ...]:
    """Channels whose probes are likely exchanged, none where nothing tells."""
    by_sync = _by_sync(capture, conditions, sync)
    return by_sync or (() if sync.grid is None else _by_bars(capture, conditions, sync.grid))


def _by_bars(capture: Capture, conditions: Conditions, grid: LineGrid) -> tuple[str, ...]:
    """Red, green or blue channels that show each other's part of the colour bars."""
    found = [_clip_and_record(capture, conditions, role) for role in COLOURS]
    if any(one is None for one in found):
        return ()
    pairs = [one for one in found if one is not None]
    words = np.zeros(POINTS, dtype=np.intp)
    for clip, record in pairs:
        line_mv = _middle_line_mv(record, clip, grid)
        ordered = np.sort(line_mv)
        low_mv, high_mv = ordered[STRAY], ordered[-1 - STRAY]
        if high_mv - low_mv < LEAST_PICTURE_MV:
            return ()
        words = 2 * words + (line_mv > 0.5 * (low_mv + high_mv))
    shown = _bars(words)
    for order in permutations(range(3)):
        if order != (0, 1, 2) and shown == tuple(_reordered(word, order) for word in BARS):
            return tuple(pairs[place][0].channel for place, role in enumerate(order) if place != role)
    return ()


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


def _by_sync(capture: Capture, conditions: Conditions, sync: FoundSync) -> tuple[str, ...]:
    """The sync channel that shows a picture, and the colour that shows sync and nothing else."""
    named = _clip_and_record(capture, conditions, "sync") or _clip_and_record(capture, conditions, "hsync")
    if named is None or sync.is_on(named[0].channel):
        return ()
    for role in COLOURS:
        found = _clip_and_record(capture, conditions, role)
        grid = grid_of(capture, _all_sync(*found, capture.seconds_per_sample)) if found is not None else None
        if found is not None and grid is not None and _shows_picture(*named, grid):
            return (found[0].channel, named[0].channel)
    return ()


def _shows_picture(clip: Clip, record: ChannelRecord, grid: LineGrid) -> bool:
    """Whether a channel leaves blanking during active video and not during sync."""
    blanked_mv = _middle_line_mv(record, clip, grid, 0.3, grid.sync_end_us)
    active_mv = _middle_line_mv(record, clip, grid)
    span_mv = float(active_mv.max() - np.median(blanked_mv))
    return span_mv > LEAST_PICTURE_MV and float(np.ptp(blanked_mv)) < 0.3 * span_mv


def _all_sync(clip: Clip, record: ChannelRecord, seconds_per_sample: float) -> LineSync:
    """Line sync of a channel that carries nothing else; NO_SYNC on any other."""
    lines = find_line_sync(record, seconds_per_sample, clip.probe_ratio, alone=True)
    swing = np.ptp(np.quantile(spread(record.codes, 8000), (0.01, 0.99)))
    nothing_else = lines.depth_mv > ALL_SYNC * float(swing) * abs(record.mv_per_code * clip.probe_ratio)
    return lines if nothing_else else NO_SYNC


def _middle_line_mv(
    record: ChannelRecord, clip: Clip, grid: LineGrid, from_us: float | None = None, to_us: float | None = None
) -> NDArray[np.float64]:
    """The median of some lines at places spread over a stretch of the line (active video), shape (POINTS,)."""
    from_us = grid.system.blanking_end_us if from_us is None else from_us
    to_us = grid.period_us - grid.system.front_porch_us if to_us is None else to_us
    lines = np.linspace(0, grid.number.size - 1, LINES).astype(np.intp)
    into_us = np.linspace(from_us, to_us, POINTS) - grid.first_us[lines, None]
    samples = (grid.first_bin[lines, None] + into_us / grid.bin_us) * grid.samples_per_bin
    codes = record.codes[np.clip(samples.astype(np.intp), 0, record.codes.size - 1)]
    middle = np.sort(codes, axis=0)[LINES // 2]
    return np.asarray(middle * (record.mv_per_code * clip.probe_ratio), dtype=np.float64)


def _clip_and_record(capture: Capture, conditions: Conditions, role: Role) -> tuple[Clip, ChannelRecord] | None:
    clip = conditions.hookup.of_role(role)
    record = capture.channel(clip.channel) if clip else None
    return (clip, record) if clip is not None and record is not None else None
