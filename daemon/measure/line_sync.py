"""Line sync on one channel: sliced from the record, told from what is not video, its edges placed."""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .binning import binned_mv, samples_per_bin
from .pulses import Pulses, low_pulses
from .sync_edges import LEAST_SNR, refined
from .sync_train import NO_SYNC, LineSync, line_syncs
from .systems import system_of

LEAST_DEPTH_ALONE, LEAST_DEPTH = 0.3, 0.15
"""Sync takes at least this part of a channel's swing: of a sync channel's, and of a picture's (286 of 1221 mV with full chroma)."""
MOST_BROAD_LINES = 7
"""Vertical sync with one serration a line looks like line sync upside down; it is over after so many lines."""
SMOOTHED_US = 0.8
"""A picture is smoothed over about three subcarrier cycles before sync is sliced from it."""
SLICE = 0.15
"""Sync is sliced so far above its tip, in parts of the whole swing."""
BLANKING_US = ((62.3, 65.4, 9.0, 14.0), (30.9, 56.0, 4.0, 11.0))
"""Line periods with how long line blanking may be low in them."""
LEAST_BLANKINGS = 4
"""Blanking alone is believed from five lines on: fewer low stretches of that length occur in serial data."""
STEEP_WITHIN_US = 1.2
"""Both edges of blanking together take no longer from near the bottom to halfway up."""
ENOUGH_BINS = 6000
"""So many bins tell range and noise of a record well enough."""


def find_line_sync(record: ChannelRecord, seconds_per_sample: float, probe_ratio: float, *, alone: bool) -> LineSync:
    """Line sync on one channel.

    `alone` says that the channel carries nothing but sync, in either polarity; otherwise sync is the lowest part of a
    picture signal: the record is smoothed over a subcarrier cycle and sliced at 85 % of the depth (75 % bars reach
    -175 mV in 625/50, below the middle of the sync).
    """
    count = samples_per_bin(seconds_per_sample)
    level_mv = binned_mv(record, count, probe_ratio)
    bin_us = count * seconds_per_sample * 1e6
    if level_mv.size < 2:
        return NO_SYNC
    best = NO_SYNC
    for inverted in (False, True) if alone else (False,):
        if inverted:
            level_mv = -level_mv
        pulses, swing_mv = _sync_pulses(level_mv, bin_us, alone=alone)
        found = line_syncs(pulses)
        if found.state == "vertical-interval" and best.state == "none":
            best = found
        if found.state == "locked":
            offset_us = (count - 1) / 2 * seconds_per_sample * 1e6
            placed = replace(
                found, edges_us=found.edges_us + offset_us, vertical_us=found.vertical_us + offset_us, inverted=inverted
            )
            sharp = refined(placed, record, seconds_per_sample, probe_ratio)
            looks_vertical = best.state == "vertical-interval" and sharp.edges_us.size <= MOST_BROAD_LINES
            deep_enough = sharp.depth_mv >= (LEAST_DEPTH_ALONE if alone else LEAST_DEPTH) * swing_mv
            if sharp.state == "locked" and deep_enough and not looks_vertical:
                return sharp
    return best


def find_blanking(record: ChannelRecord, seconds_per_sample: float, probe_ratio: float) -> LineSync:
    """Lines from blanking alone: low for 9 to 14 us at 15 kHz (4 to 11 us at 18 to 32 kHz), period stable to 0.2 %.

    Edges are placed where 0H would be, a nominal front porch after blanking began. Likely, never proven.
    """
    count = samples_per_bin(seconds_per_sample)
    level_mv = binned_mv(record, count, probe_ratio)
    bin_us = count * seconds_per_sample * 1e6
    if level_mv.size < 2:
        return NO_SYNC
    low_mv, high_mv = _range_mv(level_mv)
    noise_mv = _noise_mv(level_mv)
    if high_mv - low_mv < 4.0 * LEAST_SNR * noise_mv:
        return NO_SYNC
    pulses = low_pulses(level_mv, low_mv + 0.15 * (high_mv - low_mv), 0.05 * (high_mv - low_mv), bin_us)
    halfway = low_pulses(level_mv, low_mv + 0.5 * (high_mv - low_mv), 0.05 * (high_mv - low_mv), bin_us)
    if not _same_widths(pulses, halfway):
        return NO_SYNC
    for shortest_us, longest_us, narrow_us, wide_us in BLANKING_US:
        fits = (pulses.width_us >= narrow_us) & (pulses.width_us <= wide_us)
        start_us = pulses.start_us[fits]
        apart_us = np.diff(start_us)
        one_line = apart_us[(apart_us >= shortest_us) & (apart_us <= longest_us)]
        if one_line.size < LEAST_BLANKINGS or one_line.size < 0.6 * max(apart_us.size, pulses.width_us.size - 2):
            continue
        period_us = float(np.median(one_line))
        if np.max(np.abs(one_line - period_us)) < 0.002 * period_us:
            system = system_of(period_us)
            edges_us = start_us + system.front_porch_us + (count - 1) / 2 * seconds_per_sample * 1e6
            return LineSync("blanking-only", edges_us, period_us, math.nan, vertical_us=np.empty(0), system=system)
    return NO_SYNC


def _same_widths(pulses: Pulses, halfway: Pulses) -> bool:
    """Whether pulses are as wide halfway up as near their bottom: blanking has steep edges, a sine has not."""
    if pulses.width_us.size == 0 or pulses.width_us.size != halfway.width_us.size:
        return pulses.width_us.size > 0 and halfway.width_us.size > pulses.width_us.size
    return float(np.median(halfway.width_us - pulses.width_us)) < STEEP_WITHIN_US


def _range_mv(level_mv: NDArray[np.float32]) -> tuple[float, float]:
    """Lowest and highest level, single stray bins left out."""
    some = np.sort(level_mv[:: max(1, level_mv.size // ENOUGH_BINS)])
    off = math.floor(0.015 * some.size)
    return float(some[off]), float(some[-1 - off])


def _noise_mv(level_mv: NDArray[np.float32]) -> float:
    """Rms noise of a bin from the differences of neighbours, edges left out by the median."""
    some = level_mv[:ENOUGH_BINS]
    return float(np.median(np.abs(np.diff(some)))) / 0.6745 / math.sqrt(2.0)


def _sync_pulses(level_mv: NDArray[np.float32], bin_us: float, *, alone: bool) -> tuple[Pulses, float]:
    """Candidate sync pulses, and the swing they were sliced from."""
    none = Pulses(np.empty(0), np.empty(0))
    box = max(1, round(SMOOTHED_US / bin_us))
    if not alone:
        level_mv = _smoothed(level_mv, box)
    low_mv, high_mv = _range_mv(level_mv)
    swing_mv = high_mv - low_mv
    if swing_mv < LEAST_SNR * _noise_mv(level_mv) or swing_mv <= 0.0:
        return none, 0.0
    if alone:
        return low_pulses(level_mv, 0.5 * (low_mv + high_mv), 0.15 * swing_mv, bin_us), swing_mv
    tip_mv = _lower_envelope(level_mv, max(1, round(70.0 / bin_us)))
    slice_mv = SLICE * swing_mv
    pulses = low_pulses(level_mv, tip_mv + np.float32(slice_mv), 0.05 * swing_mv, bin_us)
    narrowed_us = (1.0 - 2.0 * _share_of_depth(slice_mv, level_mv - tip_mv, pulses, bin_us)) * box * bin_us
    return Pulses(pulses.start_us - 0.5 * narrowed_us, pulses.width_us + narrowed_us), swing_mv


def _share_of_depth(slice_mv: float, above_tip_mv: NDArray[np.float32], pulses: Pulses, bin_us: float) -> float:
    """Where the slice lies between tip (0) and blanking (1), blanking being what stands a microsecond after the pulses.

    Smoothing turns an edge into a slope, on which the crossing moves with that share.
    """
    place = np.round((pulses.start_us + pulses.width_us + 1.0) / bin_us).astype(np.intp)
    place = place[place < above_tip_mv.size]
    if place.size == 0:
        return 0.5
    return min(max(slice_mv / max(float(np.median(above_tip_mv[place])), slice_mv), 0.1), 0.9)


def _smoothed(level_mv: NDArray[np.float32], width: int) -> NDArray[np.float32]:
    """Running mean over `width` bins, centred, of the same length."""
    if width < 2 or level_mv.size < 2 * width:
        return level_mv
    kernel = np.full(width, 1.0 / width, dtype=np.float32)
    padded = np.pad(level_mv, (width // 2, width - 1 - width // 2), mode="edge")
    return np.asarray(np.convolve(padded, kernel, mode="valid"), dtype=np.float32)


def _lower_envelope(level_mv: NDArray[np.float32], block: int) -> NDArray[np.float32]:
    """The level of the sync tips at every bin: the minimum of blocks longer than a line, joined by straight lines.

    Follows droop and hum, which move the tips of an AC-coupled signal.
    """
    blocks = level_mv.size // block
    if blocks < 2:
        return np.full(level_mv.size, level_mv.min(), dtype=np.float32)
    lows = level_mv[: blocks * block].reshape(blocks, block).min(axis=1)
    centres = (np.arange(blocks) + 0.5) * block
    return np.asarray(np.interp(np.arange(level_mv.size), centres, lows), dtype=np.float32)
