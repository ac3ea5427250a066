"""Where a capture's line sync comes from: the first channel, in order of trust, on which it is found."""

from dataclasses import dataclass, replace

import numpy as np

from ...drivers.capture import Capture
from .binning import samples_per_bin, usable_samples
from .hookup import WHITE_ROLES, Clip, Role
from .line_grid import LineGrid, line_grid
from .line_sync import find_blanking, find_line_sync
from .sync_train import NO_SYNC, LineSync
from .systems import SYSTEM_525, LineSystem
from .targets import Conditions
from .trigger_sync import UNTOLD, find_trigger_sync, in_vertical_interval, is_trigger
from .vertical_sync import vertical_starts_us

SYNC_ORDER: tuple[Role, ...] = ("sync", "hsync", "luma", "composite", "green")
"""Order of trust in where line sync comes from; a sync that is not recorded but triggers stands where its role does."""


@dataclass(frozen=True, eq=False)
class FoundSync:
    """The line sync of a capture, the clip that it was found on, and the picture lines that it gives."""

    lines: LineSync
    clip: Clip | None = None
    grid: LineGrid | None = None

    @property
    def system(self) -> LineSystem:
        """The family of the line rate; 525 lines where there is no line at all."""
        return self.lines.system or SYSTEM_525

    def is_on(self, channel: str) -> bool:
        """Whether the sync was found on that channel."""
        return self.clip is not None and self.clip.channel == channel


def find_sync(capture: Capture, conditions: Conditions) -> FoundSync:
    """Line sync from the channel trusted most; then from blanking alone; else none."""
    found = _found(capture, conditions)
    lines = _with_vertical(found.lines, capture, conditions)
    return FoundSync(lines, found.clip, grid_of(capture, lines))


def _with_vertical(lines: LineSync, capture: Capture, conditions: Conditions) -> LineSync:
    """The lines, with vertical sync as a channel of its own shows it."""
    clip = conditions.hookup.of_role("vsync")
    record = capture.channel(clip.channel) if clip else None
    if clip is None or record is None or lines.state not in ("locked", "blanking-only"):
        return lines
    starts_us = vertical_starts_us(record, capture.seconds_per_sample, clip.probe_ratio, lines.period_us)
    return replace(lines, vertical_us=starts_us) if starts_us.size else lines


def grid_of(capture: Capture, lines: LineSync) -> LineGrid | None:
    """The picture lines that line syncs give in that capture; None where they give none."""
    count = samples_per_bin(capture.seconds_per_sample)
    bins = usable_samples(capture.samples, count) // count
    return line_grid(lines, capture.seconds_per_sample, count, bins)


def _found(capture: Capture, conditions: Conditions) -> FoundSync:
    best = FoundSync(NO_SYNC)
    for role in SYNC_ORDER:
        clip = conditions.hookup.of_role(role)
        record = capture.channel(clip.channel) if clip else None
        if clip is not None and is_trigger(capture, clip):
            lines = find_trigger_sync(capture, conditions.hookup)
            if lines.state == "locked":
                return FoundSync(lines, clip)
        if clip is None or record is None:
            continue
        alone = role in ("sync", "hsync")
        lines = find_line_sync(record, capture.seconds_per_sample, clip.probe_ratio, alone=alone)
        if lines.state == "locked":
            return FoundSync(lines, clip)
        if lines.state != "none" and best.lines.state == "none":
            best = FoundSync(lines, clip)
    if best.lines.state != "none":
        return best
    for clip in conditions.hookup.clips:
        record = capture.channel(clip.channel)
        if record is not None and clip.role in WHITE_ROLES:
            lines = find_blanking(record, capture.seconds_per_sample, clip.probe_ratio)
            if lines.state != "none":
                return FoundSync(lines, clip)
    if in_vertical_interval(capture, conditions.hookup):
        triggered = conditions.hookup.of_channel(str(capture.triggered_by))
        return FoundSync(LineSync("vertical-interval", np.empty(0), vertical_us=np.empty(0), system=UNTOLD), triggered)
    return best
