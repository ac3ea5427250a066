"""Edges of line sync at a fraction of a sample, and what they tell: width, depth, period, jitter."""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .edge_fit import fitted_edges
from .robust import median
from .sync_train import NO_SYNC, NOT_MORE_THAN_OFF, LineSync
from .systems import system_of

EDGE_REACH = 0.25
"""So much of the sync width is looked at on either side of an edge: 1.2 us at 15 kHz, shorter than the front porch."""
LEADING_TRAILING = np.array([[1.0], [-1.0]])
"""The way that sync goes down at its leading and up at its trailing edge."""
LEAST_STEP = 0.3
"""A sync is at least this part as deep as those of the other lines, or its line has lost it."""
AS_QUIET = 2.5
"""What follows sync holds no burst where its variance is less than this many times that of the tips."""
ENOUGH_TIPS = 64
"""So many tips tell whether they are flat."""
LEAST_FOR_JITTER = 9
"""Edges of eight lines."""
TIP_FLAT = 0.15
"""Thirds of a sync tip agree within this part of its depth."""
LEAST_RISE = 0.6
"""At its end a sync rises by this part of its depth at once, or it is the end of a ramp."""
LEAST_SNR = 4.0
"""Sync depth over rms noise of one bin, below which pulses are not believed."""


def refined(found: LineSync, record: ChannelRecord, seconds_per_sample: float, probe_ratio: float) -> LineSync:
    """Edges placed to a fraction of a sample, and all that they tell; NO_SYNC where they are not those of a sync."""
    sample_us = seconds_per_sample * 1e6
    scale_mv = record.mv_per_code * probe_ratio
    upright_mv = -scale_mv if found.inverted else scale_mv
    near_us = np.stack((found.edges_us, found.edges_us + found.width_us))
    edges = fitted_edges(record, near_us, EDGE_REACH * found.width_us, sample_us)
    fall_mv, rise_mv = (edges.before - edges.after) * upright_mv * LEADING_TRAILING
    keep = np.isfinite(edges.at_us[0])
    keep &= fall_mv > LEAST_STEP * median(fall_mv[keep])
    if np.count_nonzero(keep) < 3:
        return NO_SYNC
    edges_us, trailing_us = edges.at_us[:, keep]
    ended = np.isfinite(trailing_us)
    width_us = median((trailing_us - edges_us)[ended])
    depth_mv = median(fall_mv[keep])
    rms2, rms2_behind = edges.rms2_after[:, keep]
    noise_mv = math.sqrt(rms2.mean()) * abs(scale_mv)
    if (
        not median(rise_mv[keep][ended]) >= LEAST_RISE * depth_mv
        or not depth_mv > LEAST_SNR * 0.25 * noise_mv
        or not _tips_are_flat(record, edges_us, width_us, sample_us, depth_mv / scale_mv)
    ):
        return NO_SYNC
    index, straight = _line_numbers(edges_us, found.period_us)
    quiet_behind = rms2_behind[ended].mean() < AS_QUIET * rms2.mean() + 0.25 * record.code_step**2
    places_us = edges.at_us[: 2 if quiet_behind else 1, keep][:, straight]
    period_us = _period_us(index[straight], places_us) if places_us.shape[1] > 2 else found.period_us
    noise_us2 = (noise_mv / depth_mv) ** 2 * edges.spread_us2
    return replace(
        found,
        edges_us=edges_us,
        period_us=period_us,
        width_us=width_us,
        jitter_ns=_jitter_ns(index[straight], edges_us[straight], noise_us2),
        depth_mv=depth_mv,
        tip_mv=median(edges.after[0, keep]) * scale_mv + record.mv_at_code_zero * probe_ratio,
        noise_mv=noise_mv,
        system=system_of(period_us),
    )


def _tips_are_flat(
    record: ChannelRecord, edges_us: NDArray[np.float64], width_us: float, sample_us: float, depth_codes: float
) -> bool:
    """Whether the three thirds of a tip agree within a part of the depth, on the mean of many: a ramp's end is no sync."""
    first = np.rint((edges_us[:: 1 + edges_us.size // ENOUGH_TIPS] + 0.2 * width_us) / sample_us).astype(np.intp)
    third = max(1, round(0.2 * width_us / sample_us))
    first = first[(first >= 0) & (first + 3 * third <= record.codes.size)]
    if first.size == 0:
        return False
    tip = record.codes[first[:, None] + np.arange(3 * third)].sum(axis=0) / first.size
    thirds = tip.reshape(3, third).sum(axis=1) / third
    scatter = float((tip[1:] - tip[:-1]).std()) / math.sqrt(2.0 * third) if third > 2 else 0.1 * abs(depth_codes)
    return bool(thirds.max() - thirds.min() < TIP_FLAT * abs(depth_codes) + 3.0 * scatter)


def _line_numbers(edges_us: NDArray[np.float64], period_us: float) -> tuple[NDArray[np.float64], slice]:
    """The line of every edge, counted from the first, and the longest stretch of edges that lie whole lines apart."""
    apart_us = edges_us[1:] - edges_us[:-1]
    lines = np.rint(apart_us / period_us)
    breaks = np.flatnonzero(np.abs(apart_us - lines * period_us) >= NOT_MORE_THAN_OFF * period_us) + 1
    index = np.concatenate(([0.0], lines.cumsum()))
    if breaks.size == 0:
        return index, slice(None)
    bounds = np.concatenate(([0], breaks, [edges_us.size]))
    longest = int((bounds[1:] - bounds[:-1]).argmax())
    return index, slice(int(bounds[longest]), int(bounds[longest + 1]))


def _period_us(index: NDArray[np.float64], edges_us: NDArray[np.float64]) -> float:
    """The slope that straight lines through rows of edges, shape (rows, edges), have in common: least squares, NaN left out.

    Leading and trailing edges tell the same period, each with noise of their own.
    """
    known = np.isfinite(edges_us)
    line = np.where(known, index, 0.0)
    line -= np.where(known, line.sum(axis=1, keepdims=True) / known.sum(axis=1, keepdims=True), 0.0)
    return float(np.vdot(line, np.where(known, edges_us, 0.0)) / np.vdot(line, line))


def _jitter_ns(index: NDArray[np.float64], edges_us: NDArray[np.float64], noise_us2: float) -> float:
    """Rms of the edges about a straight line, without what noise does to them.

    NaN for fewer than eight lines, or where noise explains more than half of what is seen.
    """
    if index.size < LEAST_FOR_JITTER:
        return math.nan
    line = index - index.sum() / index.size
    rest_us = edges_us - edges_us.sum() / index.size - _period_us(index, edges_us[None]) * line
    seen_us2 = float(rest_us @ rest_us) / (index.size - 2)
    own_us2 = seen_us2 - noise_us2
    return 1e3 * math.sqrt(own_us2) if own_us2 > 0.5 * seen_us2 else math.nan
