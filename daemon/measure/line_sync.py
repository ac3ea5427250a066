"""Line sync: from the pulses of one channel to the leading edges of its lines, at sub-sample position."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .binning import binned_mv, samples_per_bin
from .pulses import Pulses, low_pulses
from .reading import SyncState
from .systems import LineSystem, system_of

LINE_PERIODS_US = ((30.9, 56.0), (62.3, 65.4))
"""Accepted line periods: 18 to 32 kHz computers, and 15.3 to 16.05 kHz."""
LINE_DUTY = (0.03, 0.15)
"""Line sync takes 7.4 % of a line in 525/60 and 625/50, 12 % in 31 kHz computers; fields are over at either side."""
BROAD_FROM_US = 10.0
"""A pulse low for longer belongs to vertical sync (27 us with serrations, lines without)."""
LEAST_DEPTH_ALONE, LEAST_DEPTH = 0.3, 0.15
"""Sync takes at least this part of a channel's swing: of a sync channel's, and of a picture's (286 of 1221 mV with full chroma)."""
MOST_BROAD_LINES = 7
"""Vertical sync with one serration a line looks like line sync upside down; it is over after so many lines."""
TIP_FLAT = 0.15
"""Thirds of a sync tip agree within this part of its depth."""
LEAST_RISE = 0.6
"""At its end a sync rises by this part of its depth at once, or it is the end of a ramp."""
EXPLAINED = 0.8
"""So many of all pulses must be of a width that video has."""
EQUALISING_US = (1.8, 2.9)
SERRATION_US = (3.0, 6.0)
EQUALISING_UNDER = 0.62
"""Equalising pulses are half as wide as line sync (2.3 against 4.7 us)."""
HALF_LINES_US = (63.5556 / 2.0, 32.0)
"""Half lines of 525/60 and 625/50: broad and equalising pulses come one a half line."""
SMOOTHED_US = 0.8
"""A picture is smoothed over about three subcarrier cycles before sync is sliced from it."""
SLICE = 0.15
"""Sync is sliced so far above its tip, in parts of the whole swing."""
OFF_NOMINAL = 0.005
"""Line periods of 15 kHz units lie this near to nominal: 227 1/3 to 228 subcarrier cycles, 284 in 625 lines."""
BLANKING_US = ((62.3, 65.4, 9.0, 14.0), (30.9, 56.0, 4.0, 11.0))
"""Line periods with how long line blanking may be low in them."""
LEAST_BLANKINGS = 4
"""Blanking alone is believed from five lines on: fewer low stretches of that length occur in serial data."""
STEEP_WITHIN_US = 1.2
"""Both edges of blanking together take no longer from near the bottom to halfway up."""
NOT_MORE_THAN_OFF = 0.01
"""Two edges are one line apart when their distance is within 1 % of the line period."""
EDGE_REACH = 0.25
"""So much of the sync width is looked at on either side of an edge: 1.2 us at 15 kHz, shorter than the front porch."""
EDGE_WITHIN = 0.25
"""An edge lies within this part of the stretch that is looked at on either side of it; the rest is level."""
ENOUGH_BINS = 6000
"""So many bins tell range and noise of a record well enough."""
LEAST_SNR = 4.0
"""Sync depth over rms noise of one bin, below which pulses are not believed."""


@dataclass(frozen=True, eq=False)
class LineSync:
    """The lines of one record.

    Attributes:
        state: locked, vertical-interval, blanking-only or none.
        edges_us: leading edges of line sync, shape (edges,), from the middle of the record's first sample.
        period_us, width_us: line period and sync width; NaN where there is no line.
        jitter_ns: rms about the straight line through the edges, noise taken out; NaN where it cannot be told.
        vertical_us: where vertical sync begins (its first broad pulse), shape (fields,).
        depth_mv: blanking minus sync tip; NaN for blanking alone.
        tip_mv: the tip against scope zero.
        noise_mv: rms noise of single samples on the tips.
        inverted: sync goes up.
        system: the family of the line period.
    """

    state: SyncState
    edges_us: NDArray[np.float64]
    period_us: float = math.nan
    width_us: float = math.nan
    jitter_ns: float = math.nan
    vertical_us: NDArray[np.float64] = None  # type: ignore[assignment]
    depth_mv: float = math.nan
    tip_mv: float = math.nan
    noise_mv: float = math.nan
    inverted: bool = False
    system: LineSystem | None = None

    @property
    def line_starts(self) -> NDArray[np.intp]:
        """Indices into `edges_us` of the edges that another follows one line later."""
        return np.flatnonzero(np.abs(np.diff(self.edges_us) - self.period_us) < NOT_MORE_THAN_OFF * self.period_us)


NO_SYNC = LineSync("none", np.empty(0), vertical_us=np.empty(0))


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
        found = _lines(pulses)
        if found.state == "vertical-interval" and best.state == "none":
            best = found
        if found.state == "locked":
            offset_us = (count - 1) / 2 * seconds_per_sample * 1e6
            placed = replace(
                found, edges_us=found.edges_us + offset_us, vertical_us=found.vertical_us + offset_us, inverted=inverted
            )
            refined = _refined(placed, record, seconds_per_sample, probe_ratio)
            looks_vertical = best.state == "vertical-interval" and refined.edges_us.size <= MOST_BROAD_LINES
            deep_enough = refined.depth_mv >= (LEAST_DEPTH_ALONE if alone else LEAST_DEPTH) * swing_mv
            if refined.state == "locked" and deep_enough and not looks_vertical:
                return refined
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


def _lines(pulses: Pulses) -> LineSync:
    """Which of the pulses are line syncs, and how far apart they are."""
    start_us, width_us = pulses.start_us, pulses.width_us
    broad = width_us > BROAD_FROM_US
    vertical_us = _vertical_starts(start_us[broad])
    period_us = _period_us(start_us, width_us)
    if math.isnan(period_us):
        return _vertical_only(start_us, width_us, broad, vertical_us)
    narrow = width_us[~broad]
    line_width_us = float(np.median(narrow[narrow > EQUALISING_UNDER * np.median(narrow)]))
    is_line = (width_us > EQUALISING_UNDER * line_width_us) & (width_us < 1.4 * line_width_us)
    edges_us = start_us[is_line]
    apart = np.diff(edges_us) / period_us
    on_grid = np.abs(apart - np.round(apart)) < NOT_MORE_THAN_OFF * np.maximum(np.round(apart), 1.0)
    complete = int(np.count_nonzero(on_grid & (np.round(apart) == 1.0)))
    duty = line_width_us / period_us
    equalising = (width_us > 0.35 * line_width_us) & (width_us <= EQUALISING_UNDER * line_width_us)
    halves = 2.0 * np.stack((width_us, width_us + line_width_us)) / period_us
    of_half_lines = (np.abs(halves - np.round(halves)) < 0.05).any(axis=0)
    vertical = _serrated(start_us, width_us) & of_half_lines
    explained = np.count_nonzero(is_line | equalising | vertical)
    believable = (
        LINE_DUTY[0] <= duty <= LINE_DUTY[1]
        and np.count_nonzero(on_grid) >= 0.7 * apart.size
        and explained >= EXPLAINED * width_us.size
        and not _half_lines(period_us, line_width_us)
    )
    if complete < 2 or not believable:
        return _vertical_only(start_us, width_us, broad, vertical_us)
    return LineSync("locked", edges_us, period_us, line_width_us, vertical_us=vertical_us, system=system_of(period_us))


def _half_lines(period_us: float, width_us: float) -> bool:
    """Whether these are equalising pulses, one a half line, and not the line syncs of a 31 kHz computer."""
    return width_us < EQUALISING_US[1] and any(abs(period_us / half_us - 1.0) < 0.007 for half_us in HALF_LINES_US)


def _serrated(start_us: NDArray[np.float64], width_us: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Pulses that belong to vertical sync: long ones that end a serration's width before the next long one begins.

    The last of them, before line syncs or the end of the record, may be followed by anything.
    """
    broad = width_us > BROAD_FROM_US
    gap_us = np.append(start_us[1:] - start_us[:-1] - width_us[:-1], 0.0)
    last = np.append(~broad[1:], True)
    return np.asarray(broad & (last | ((gap_us > SERRATION_US[0]) & (gap_us < SERRATION_US[1]))))


def _period_us(start_us: NDArray[np.float64], width_us: NDArray[np.float64]) -> float:
    """Line period: the median distance of neighbouring starts within an accepted range; NaN where there is none.

    Half lines of 15 kHz systems lie in the range of 31 kHz computers; the longer period wins where both occur.
    """
    narrow = width_us <= BROAD_FROM_US
    apart_us = np.diff(start_us[narrow])
    for shortest_us, longest_us in reversed(LINE_PERIODS_US):
        fits = apart_us[(apart_us >= shortest_us) & (apart_us <= longest_us)]
        if fits.size < 2 or fits.size < 0.3 * apart_us.size:
            continue
        period_us = float(np.median(fits))
        close = fits[np.abs(fits - period_us) < NOT_MORE_THAN_OFF * period_us]
        if close.size >= 0.7 * fits.size:
            return float(np.mean(close))
    return math.nan


def _vertical_starts(broad_us: NDArray[np.float64]) -> NDArray[np.float64]:
    """First broad pulse of each group: groups lie more than 2 ms apart."""
    if broad_us.size == 0:
        return broad_us
    first = np.ones(broad_us.size, dtype=bool)
    first[1:] = np.diff(broad_us) > 2000.0
    return broad_us[first]


def _vertical_only(
    start_us: NDArray[np.float64],
    width_us: NDArray[np.float64],
    broad: NDArray[np.bool_],
    vertical_us: NDArray[np.float64],
) -> LineSync:
    """A record within the vertical interval of a 15 kHz system: pulses whole half lines apart, of the widths that occur."""
    equalising = (width_us > EQUALISING_US[0]) & (width_us < EQUALISING_US[1])
    line = (width_us > 4.0) & (width_us < 5.4)
    if start_us.size < 3 or np.count_nonzero(broad) + np.count_nonzero(equalising) < 1:
        return NO_SYNC
    for half_us in HALF_LINES_US:
        halves = np.diff(start_us) / half_us
        whole = np.abs(halves - np.round(halves)) < 0.02
        left_over_us = np.mod(width_us + 4.7, half_us)
        fits = np.minimum(left_over_us, half_us - left_over_us) < 0.8
        serrated = broad & fits & _serrated(start_us, width_us)
        if whole.all() and np.round(halves).max() <= 8.0 and (serrated | equalising | line).all():
            period_us = 2.0 * float(np.sum(np.diff(start_us)) / np.sum(np.round(halves)))
            if abs(period_us / (2.0 * half_us) - 1.0) > OFF_NOMINAL:
                continue
            return LineSync(
                "vertical-interval", np.empty(0), period_us, vertical_us=vertical_us, system=system_of(period_us)
            )
    return NO_SYNC


def _refined(found: LineSync, record: ChannelRecord, seconds_per_sample: float, probe_ratio: float) -> LineSync:
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
