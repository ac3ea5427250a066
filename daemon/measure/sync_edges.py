"""Edges of line sync at a fraction of a sample, and what they tell: width, depth, period, jitter."""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .sync_train import NO_SYNC, NOT_MORE_THAN_OFF, LineSync
from .systems import system_of

EDGE_REACH = 0.25
"""So much of the sync width is looked at on either side of an edge: 1.2 us at 15 kHz, shorter than the front porch."""
EDGE_WITHIN = 0.25
"""An edge lies within this part of the stretch that is looked at on either side of it; the rest is level."""
TIP_FLAT = 0.15
"""Thirds of a sync tip agree within this part of its depth."""
LEAST_RISE = 0.6
"""At its end a sync rises by this part of its depth at once, or it is the end of a ramp."""
LEAST_SNR = 4.0
"""Sync depth over rms noise of one bin, below which pulses are not believed."""


def refined(found: LineSync, record: ChannelRecord, seconds_per_sample: float, probe_ratio: float) -> LineSync:
    """Edges placed to a fraction of a sample, from the samples around each of them.

    An edge's place is its first moment: with the levels before and after known, the area under the step over a window
    around it says when it came, for any edge that is symmetric about its middle, whatever its rise time.
    """
    sample_us = seconds_per_sample * 1e6
    sign = -1.0 if found.inverted else 1.0
    scale = sign * record.mv_per_code * probe_ratio
    reach_us = EDGE_REACH * found.width_us
    edges_us, before, after, noise = _placed(record, found.edges_us, reach_us, sample_us, scale)
    trailing_us, tip, blanking, _ = _placed(record, found.edges_us + found.width_us, reach_us, sample_us, scale)
    keep = np.isfinite(edges_us) & (before - after > 0.3 * np.nanmedian(before - after))
    if np.count_nonzero(keep) < 3:
        return NO_SYNC
    edges_us, before, after = edges_us[keep], before[keep], after[keep]
    width_us = float(np.nanmedian(trailing_us[keep] - edges_us))
    depth_mv = float(np.median(before - after))
    rise_mv = float(np.nanmedian((blanking - tip)[keep]))
    if (
        rise_mv < LEAST_RISE * depth_mv
        or not depth_mv > LEAST_SNR * 0.25 * noise
        or not _tips_are_flat(record, edges_us, width_us, sample_us, depth_mv / scale)
    ):
        return NO_SYNC
    period_us, jitter_ns = _period_and_jitter(edges_us, found.period_us, noise / depth_mv, reach_us, sample_us)
    offset_mv = record.mv_at_code_zero * probe_ratio
    return replace(
        found,
        edges_us=edges_us,
        period_us=period_us,
        width_us=width_us,
        jitter_ns=jitter_ns,
        depth_mv=depth_mv,
        tip_mv=sign * float(np.median(after)) + offset_mv,
        noise_mv=noise,
        system=system_of(period_us),
    )


def _tips_are_flat(
    record: ChannelRecord, edges_us: NDArray[np.float64], width_us: float, sample_us: float, depth_codes: float
) -> bool:
    """Whether the three thirds of a tip agree within a part of the depth, on the mean of all: a ramp's end is no sync."""
    first = np.round((edges_us + 0.2 * width_us) / sample_us).astype(np.intp)
    samples = max(3, round(0.6 * width_us / sample_us))
    first = first[(first >= 0) & (first + samples <= record.codes.size)]
    if first.size == 0:
        return False
    tip = record.codes[first[:, None] + np.arange(samples)].mean(axis=0)
    thirds = [float(third.mean()) for third in np.array_split(tip, 3)]
    scatter = float(np.std(np.diff(tip))) / math.sqrt(2.0 * samples / 3.0) if samples > 8 else 0.1 * abs(depth_codes)
    return max(thirds) - min(thirds) < TIP_FLAT * abs(depth_codes) + 3.0 * scatter


def _placed(
    record: ChannelRecord, edges_us: NDArray[np.float64], reach_us: float, sample_us: float, scale: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], float]:
    """Refined places in us, levels before and after in mv (against code zero), and rms noise of a sample on the level after.

    Edges whose surroundings are not whole in the record are NaN.
    """
    half = max(2, round(reach_us / sample_us))
    core = max(1, round(EDGE_WITHIN * half))
    centre = np.round(edges_us / sample_us).astype(np.intp)
    whole = (centre - half >= 0) & (centre + half < record.codes.size) & np.isfinite(edges_us)
    at = np.where(whole, centre, half)
    around = record.codes[at[:, None] + np.arange(-half, half + 1)].astype(np.float64) * scale
    low_part, high_part = around[:, half + core + 1 :], around[:, : half - core]
    after, before = low_part.mean(axis=1), high_part.mean(axis=1)
    noise = float(np.sqrt(np.mean((low_part[whole] - after[whole, None]) ** 2))) if whole.any() else math.nan
    step = before - after
    window = around[:, half - core : half + core + 1]
    part = (window - after[:, None]).sum(axis=1) / np.where(np.abs(step) < 1e-12, np.nan, step)
    placed_us = (at - core - 0.5 + part) * sample_us
    sane = whole & (np.abs(placed_us - at * sample_us) < (core + 1) * sample_us)
    return np.where(sane, placed_us, np.nan), before, after, noise


def _period_and_jitter(
    edges_us: NDArray[np.float64], period_us: float, noise_to_depth: float, reach_us: float, sample_us: float
) -> tuple[float, float]:
    """Period from a straight line through the edges, and rms jitter about it with the part that noise causes taken out.

    Jitter is NaN for fewer than eight lines, or where noise explains more than half of what is seen.
    """
    index = np.concatenate(([0.0], np.cumsum(np.round(np.diff(edges_us) / period_us))))
    whole_lines = np.concatenate(
        ([True], np.abs(np.diff(edges_us) - np.diff(index) * period_us) < NOT_MORE_THAN_OFF * period_us)
    )
    if not whole_lines.all():
        straight = _longest_run(whole_lines)
        edges_us, index = edges_us[straight], index[straight]
    if index.size < 3:
        return period_us, math.nan
    slope, intercept = np.polyfit(index - index[0], edges_us - edges_us[0], 1)
    rest_us = edges_us - edges_us[0] - slope * (index - index[0]) - intercept
    if index.size < 9:
        return float(slope), math.nan
    seen_us2 = float(np.sum(rest_us**2)) / (index.size - 2)
    core_us = EDGE_WITHIN * reach_us
    noise_us2 = noise_to_depth**2 * sample_us * (2.0 * core_us + 2.0 * core_us**2 / (reach_us - core_us))
    own_us2 = seen_us2 - noise_us2
    return float(slope), 1e3 * math.sqrt(own_us2) if own_us2 > 0.5 * seen_us2 else math.nan


def _longest_run(joined: NDArray[np.bool_]) -> slice:
    """The longest stretch of edges each of which follows the one before it by whole lines."""
    breaks = np.concatenate(([0], np.flatnonzero(~joined), [joined.size]))
    breaks = np.unique(breaks)
    longest = int(np.argmax(np.diff(breaks)))
    return slice(int(breaks[longest]), int(breaks[longest + 1]))
