"""Edges of line sync at a fraction of a sample, and what they tell: width, depth, period, jitter."""

import math

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .edge_fit import fitted_edges
from .replaced import replaced
from .robust import mean_along, median
from .stretches import stretches
from .sync_train import NO_SYNC, NOT_MORE_THAN_OFF, LineSync
from .systems import system_of

EDGE_REACH = 0.25
"""So much of the sync width is looked at on either side of an edge: 1.2 us at 15 kHz, shorter than the front porch."""
OF_FRONT_PORCH = 0.95
"""And no more than this part of the front porch, before which there may be picture: 0.6 us at 31 kHz."""
FAR_OFF = 0.1
"""Edges that lie farther from where slicing saw them, in parts of that reach, are looked at again where they are."""
LEAST_STEP = 0.3
"""A sync is at least this part as deep as those of the other lines, or its line has lost it."""
SPOILT = 0.1
"""A step that differs by this part from the others has something beside it that moves its place: a glitch, a burst."""
AS_QUIET = 2.5
"""What follows sync holds no burst where its variance is less than this many times that of the tips."""
ENOUGH_TIPS = 16
"""So many tips tell whether they are flat."""
MEDIAN_NOISE = 1.253
"""Noise of a median against that of a mean: the root of half of pi."""
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
    near_us = found.edges_us + np.array([[0.0], [found.width_us]])
    reach_us = min(EDGE_REACH * found.width_us, OF_FRONT_PORCH * system_of(found.period_us).front_porch_us)
    edges = fitted_edges(record, near_us, reach_us, sample_us)
    if (np.abs(edges.at_us - near_us) > FAR_OFF * reach_us).any():
        near_us = np.where(np.isfinite(edges.at_us), edges.at_us, near_us)
        edges = fitted_edges(record, near_us, reach_us, sample_us)
    step_mv = (edges.before - edges.after) * upright_mv
    keep = np.isfinite(edges.at_us[0])
    keep &= step_mv[0] > LEAST_STEP * median(step_mv[0, keep])
    kept = keep.nonzero()[0]
    kept = kept[_in_step(edges.at_us[0, kept], found.period_us)]
    if kept.size < 3:
        return NO_SYNC
    edges_us = edges.at_us[0, kept]
    ended = kept[np.isfinite(edges.at_us[1, kept])]
    width_us = median(edges.at_us[1, ended] - edges.at_us[0, ended])
    depth_mv = median(step_mv[0, kept])
    rms2 = float(edges.rms2_after[0, kept].sum()) / kept.size
    noise_mv = math.sqrt(rms2) * abs(scale_mv)
    if (
        ended.size == 0
        or -median(step_mv[1, ended]) < LEAST_RISE * depth_mv
        or depth_mv <= LEAST_SNR * 0.25 * noise_mv
        or not _tips_are_flat(record, edges_us, width_us, sample_us, depth_mv / abs(scale_mv), rms2)
    ):
        return NO_SYNC
    unspoilt = np.abs(np.abs(step_mv[:, kept]) - depth_mv) < SPOILT * depth_mv + 4.0 * noise_mv
    unspoilt_us = np.where(unspoilt, edges.at_us[:, kept], np.nan)
    rms2_behind = float(edges.rms2_after[1, ended].sum()) / ended.size
    quiet_behind = rms2_behind < AS_QUIET * rms2 + 0.25 * record.code_step**2
    index, straight = _line_numbers(edges_us, found.period_us)
    told = slice(0, 2 if quiet_behind else 1)
    told_us, spread_us2 = unspoilt_us[told, straight], edges.spread_us2[told, kept][:, straight]
    noise_per_depth2 = (rms2 + record.code_step**2 / 12.0) * (scale_mv / depth_mv) ** 2
    period_us, period_u_us = _period_us(index[straight], told_us, 1.0 / spread_us2, noise_per_depth2)
    if math.isnan(period_us):
        period_us = found.period_us
    noise_us2 = noise_per_depth2 * float(mean_along(spread_us2[0], 0)) + edges.grain_us2
    return replaced(
        found,
        edges_us=edges_us,
        period_us=period_us,
        period_u_us=period_u_us,
        width_us=width_us,
        jitter_ns=_jitter_ns(index[straight], told_us[0], noise_us2),
        depth_mv=depth_mv,
        tip_mv=median(edges.after[0, kept]) * scale_mv + record.mv_at_code_zero * probe_ratio,
        noise_mv=noise_mv,
        system=system_of(period_us),
    )


def _tips_are_flat(
    record: ChannelRecord,
    edges_us: NDArray[np.float64],
    width_us: float,
    sample_us: float,
    depth_codes: float,
    rms2: float,
) -> bool:
    """Whether the three thirds of a tip agree within a part of the depth: a ramp's end is no sync.

    Medians of each third and of many tips pass over glitches.
    """
    first = np.rint((edges_us[:: 1 + edges_us.size // ENOUGH_TIPS] + 0.2 * width_us) / sample_us).astype(np.intp)
    third = max(1, round(0.2 * width_us / sample_us))
    first = first[(first >= 0) & (first + 3 * third <= record.codes.size)]
    if first.size == 0:
        return False
    tips = stretches(record.codes, first, 3 * third).astype(np.float32).reshape(first.size, 3, third)
    tips.sort(axis=2)
    thirds = np.sort(tips[:, :, third // 2], axis=0)[first.size // 2]
    scatter = MEDIAN_NOISE**2 * math.sqrt(rms2 / (third * first.size))
    return bool(thirds.max() - thirds.min() < TIP_FLAT * depth_codes + 3.0 * scatter)


def _off_grid(edges_us: NDArray[np.float64], period_us: float, further: int = 1) -> NDArray[np.bool_]:
    """Whether each edge and the one so much further on do not lie whole lines apart."""
    apart_us = edges_us[further:] - edges_us[:-further]
    return np.abs(apart_us - np.rint(apart_us / period_us) * period_us) >= NOT_MORE_THAN_OFF * period_us


def _in_step(edges_us: NDArray[np.float64], period_us: float) -> NDArray[np.bool_]:
    """All edges but those that do not fit their neighbours, while these fit each other: doubled pulses, glitches at a sync."""
    around = np.ones(edges_us.size + 1, dtype=np.bool_)
    around[1:-1] = _off_grid(edges_us, period_us)
    alone = around[:-1] & around[1:]
    alone[1:-1] &= ~_off_grid(edges_us, period_us, 2)
    return ~alone


def _line_numbers(edges_us: NDArray[np.float64], period_us: float) -> tuple[NDArray[np.float64], slice]:
    """The line of every edge, counted from the first, and the longest stretch of edges that lie whole lines apart."""
    index = np.concatenate(([0.0], np.rint((edges_us[1:] - edges_us[:-1]) / period_us).cumsum()))
    breaks = (_off_grid(edges_us, period_us)).nonzero()[0] + 1
    if breaks.size == 0:
        return index, slice(None)
    bounds = np.concatenate(([0], breaks, [edges_us.size]))
    longest = int((bounds[1:] - bounds[:-1]).argmax())
    return index, slice(int(bounds[longest]), int(bounds[longest + 1]))


def _period_us(
    index: NDArray[np.float64], edges_us: NDArray[np.float64], weights: NDArray[np.float64], noise2: float
) -> tuple[float, float]:
    """The slope that straight lines through leading and through trailing edges, shape (1 or 2, edges), have in common, and
    its standard uncertainty.

    Least squares, weighted by the reciprocal of what noise does to an edge (with few samples on it that depends on where
    they fall), with edges that are NaN left out; NaN where fewer than three are left of each. Noise of `noise2` (in units
    of the weights) makes a part of the uncertainty; what the edges scatter beyond it (jitter) moves both edges of a sync
    together, so that the second row of them tells nothing new of it.
    """
    known = np.isfinite(edges_us)
    told = known.sum(axis=1)
    if told.max() < 3:
        return math.nan, math.nan
    weights = known * weights
    edges_us = np.where(known, edges_us, 0.0)
    in_all = np.maximum(np.add.reduce(weights, axis=1), 1e-30)
    line = index - ((weights @ index) / in_all)[:, None]
    leverage = float(np.vdot(weights * line, line))
    slope = float(np.vdot(weights * line, edges_us)) / leverage
    middle_us = np.einsum("ij,ij->i", weights, edges_us) / in_all
    rest_us = edges_us - middle_us[:, None] - slope * line
    freedom = max(1, int(told.sum()) - len(edges_us) - 1)
    beyond2 = max(0.0, float(np.vdot(weights * rest_us, rest_us)) / freedom - noise2)
    return slope, math.sqrt((noise2 + len(edges_us) * beyond2) / leverage)


def _jitter_ns(index: NDArray[np.float64], edges_us: NDArray[np.float64], noise_us2: float) -> float:
    """Rms of the edges about a straight line, without what noise does to them.

    NaN for fewer than eight lines, or where noise explains more than half of what is seen or may do so by chance (four
    times the standard deviation of a chi-squared of so many degrees of freedom).
    """
    told = np.isfinite(edges_us)
    index, edges_us = index[told], edges_us[told]
    if index.size < LEAST_FOR_JITTER:
        return math.nan
    line = index - index.sum() / index.size
    edges_us = edges_us - edges_us.sum() / index.size
    rest_us = edges_us - float(line @ edges_us) / float(line @ line) * line
    freedom = index.size - 2
    seen_us2 = float(rest_us @ rest_us) / freedom
    by_chance = max(2.0, 1.0 + 4.0 * math.sqrt(2.0 / freedom))
    return 1e3 * math.sqrt(seen_us2 - noise_us2) if seen_us2 > by_chance * noise_us2 else math.nan
