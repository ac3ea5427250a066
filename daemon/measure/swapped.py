"""Probes that are exchanged: told by the order of colour bars, and by sync where a picture should be."""

from collections.abc import Mapping

import numpy as np

from ...drivers.capture import Capture, ChannelRecord
from .found_sync import FoundSync, grid_of
from .hookup import COLOURS, Clip, Hookup, Role
from .line_grid import LineGrid
from .line_sync import find_line_sync
from .middle_line import LEAST_PICTURE_MV, middle_lines_mv, middle_places
from .robust import spread
from .sync_train import NO_SYNC, LineSync
from .targets import Conditions

ALL_SYNC = 0.8
"""A channel whose sync takes this part of its swing carries nothing else."""


def swapped_channels(
    capture: Capture, conditions: Conditions, sync: FoundSync, by_bars: Mapping[str, Role]
) -> tuple[str, ...]:
    """Channels whose probes are likely exchanged, none where nothing tells; `by_bars` is what bars show on each."""
    return _by_sync(capture, conditions, sync) or _by_bars(conditions.hookup, by_bars)


def _by_bars(hookup: Hookup, by_bars: Mapping[str, Role]) -> tuple[str, ...]:
    """Red, green or blue channels that show each other's part of the colour bars."""
    clips = [hookup.of_channel(channel) for channel in by_bars]
    if any(clip is None or clip.role not in COLOURS for clip in clips):
        return ()
    return tuple(clip.channel for clip in clips if clip is not None and clip.role != by_bars[clip.channel])


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
    blanked = middle_places(grid, record.codes.size, 0.3, grid.sync_end_us)
    (blanked_mv,) = middle_lines_mv([record], [clip.probe_ratio], blanked)
    (active_mv,) = middle_lines_mv([record], [clip.probe_ratio], middle_places(grid, record.codes.size))
    span_mv = float(active_mv.max() - np.median(blanked_mv))
    return span_mv > LEAST_PICTURE_MV and float(np.ptp(blanked_mv)) < 0.3 * span_mv


def _all_sync(clip: Clip, record: ChannelRecord, seconds_per_sample: float) -> LineSync:
    """Line sync of a channel that carries nothing else; NO_SYNC on any other."""
    lines = find_line_sync(record, seconds_per_sample, clip.probe_ratio, alone=True)
    swing = np.ptp(np.quantile(spread(record.codes, 8000), (0.01, 0.99)))
    nothing_else = lines.depth_mv > ALL_SYNC * float(swing) * abs(record.mv_per_code * clip.probe_ratio)
    return lines if nothing_else else NO_SYNC


def _clip_and_record(capture: Capture, conditions: Conditions, role: Role) -> tuple[Clip, ChannelRecord] | None:
    clip = conditions.hookup.of_role(role)
    record = capture.channel(clip.channel) if clip else None
    return (clip, record) if clip is not None and record is not None else None
