"""Line sync on one channel: sliced from the record, told from what is not video, its edges placed."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .binning import binned_mv, running_sums, samples_per_bin
from .pulses import Pulses, low_pulses, low_stretches, without_glitches
from .robust import median, noise_of, spread
from .shallow_sync import stands_as_sync
from .sync_edges import LEAST_SNR, refined
from .sync_train import NO_SYNC, LineSync, line_syncs
from .systems import system_of

LEAST_DEPTH_ALONE, LEAST_DEPTH = 0.3, 0.15
"""Sync takes at least this part of a channel's swing: of a sync channel's, and of a picture's (286 of 1221 mV with full chroma)."""
MOST_BROAD_LINES = 7
"""Vertical sync with one serration a line looks like line sync upside down; it is over after so many lines."""
MOST_OF_RECORD = 0.5
"""Lines that fill less of a record may be the serrations of vertical sync of a sync upside down: there are more that way."""
SMOOTHED_US = 0.8
"""A picture is smoothed over about three subcarrier cycles before sync is sliced from it."""
MATCHED_US = 2.2
"""Where noise hides sync even so: over half of a line sync, which no equalising pulse falls short of."""
MATCHED_SNR = 3.0
"""So much smoothing makes syncs of anything: they are believed from 10 dB on."""
NOISY = 0.2
"""Sync may be hidden where the noise of a smoothed picture is more than this part of the height at which it is sliced."""
SLICE, SHALLOW_SLICE = 0.15, 0.03
"""Sync is sliced so far above its tip, in parts of the whole swing; where that finds none, nearer the tip."""
HYSTERESIS = 1.0 / 3.0
"""In parts of that height."""
BLANKING_US = ((62.3, 65.4, 9.0, 14.0), (30.9, 56.0, 4.0, 11.0))
"""Line periods with how long line blanking may be low in them."""
LEAST_BLANKINGS = 4
"""Blanking alone is believed from five lines on: fewer low stretches of that length occur in serial data."""
BLANKING_SLICES = (0.15, 0.3)
"""Blanking is sliced so far above the lowest level; then above a sync too shallow to be found, that lies below it."""
STEEP_WITHIN_US = 1.2 / 0.35
"""Both edges of blanking together take no longer for the whole swing, at the rate of near the bottom to halfway up."""
ALIKE = 0.25
AFTER_US = (0.5, 1.5)
"""Pulses of a vertical interval have bottoms alike, and what follows them too, within this part of their depth."""
OUT_OF_NOISE = 2.0
"""And they are so often as deep as the rms noise of a bin; dips of noise that pass for pulses are as deep as once that."""
MOSTLY_LOW = 0.3
"""The mean of a blanking lies no higher in the swing."""
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
    first_us = (count - 1) / 2 * seconds_per_sample * 1e6
    if level_mv.size < 2:
        return NO_SYNC
    best = NO_SYNC
    for look in _sliced_alone(level_mv, bin_us) if alone else _sliced_from_picture(level_mv, bin_us):
        found = line_syncs(look.pulses.later_by(first_us), inverted=look.inverted)
        if found.state == "vertical-interval" and best.state == "none" and _are_alike(look.pulses, level_mv, bin_us):
            best = found
        if found.state == "locked":
            sharp = refined(found, record, seconds_per_sample, probe_ratio)
            looks_vertical = best.state == "vertical-interval" and sharp.edges_us.size <= MOST_BROAD_LINES
            deep_enough = sharp.depth_mv >= max(look.least_depth_mv, look.least_snr * sharp.noise_mv)
            if sharp.state == "locked" and deep_enough and not looks_vertical:
                fills = sharp.edges_us.size * sharp.period_us > MOST_OF_RECORD * level_mv.size * bin_us
                if fills and sharp.noise_mv * math.sqrt(seconds_per_sample) <= look.most_noise:
                    return sharp
                if sharp.edges_us.size > best.edges_us.size:
                    best = sharp
    return best if alone or best.state != "none" else _shallow(record, seconds_per_sample, probe_ratio, level_mv)


def _shallow(
    record: ChannelRecord, seconds_per_sample: float, probe_ratio: float, level_mv: NDArray[np.float32]
) -> LineSync:
    """Sync that takes so little of a picture's swing that no other look finds it; NO_SYNC unless all around it is as in video."""
    count = samples_per_bin(seconds_per_sample)
    bin_us = count * seconds_per_sample * 1e6
    look = next(_sliced_from_picture(level_mv, bin_us, SHALLOW_SLICE), None)
    if look is None:
        return NO_SYNC
    found = line_syncs(look.pulses.later_by((count - 1) / 2 * seconds_per_sample * 1e6))
    if found.state != "locked":
        return NO_SYNC
    sharp = refined(found, record, seconds_per_sample, probe_ratio)
    sample_us, mv_per_code = seconds_per_sample * 1e6, record.mv_per_code * probe_ratio
    is_sync = sharp.state == "locked" and stands_as_sync(sharp, record, sample_us, mv_per_code)
    return sharp if is_sync else NO_SYNC


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
    halfway = low_pulses(level_mv, low_mv + 0.5 * (high_mv - low_mv), 0.05 * (high_mv - low_mv), bin_us)
    for part in BLANKING_SLICES:
        pulses = low_pulses(level_mv, low_mv + part * (high_mv - low_mv), 0.05 * (high_mv - low_mv), bin_us)
        if _same_widths(pulses, halfway, STEEP_WITHIN_US * (0.5 - part)) and _are_low(
            pulses, level_mv, low_mv, high_mv, bin_us
        ):
            found = _of_blankings(pulses.later_by((count - 1) / 2 * seconds_per_sample * 1e6))
            if found.state != "none":
                return found
    return NO_SYNC


def _of_blankings(pulses: Pulses) -> LineSync:
    """The lines that low stretches as long as blanking give; NO_SYNC where these are not most of all, or come unsteadily."""
    for shortest_us, longest_us, narrow_us, wide_us in BLANKING_US:
        fits = (pulses.width_us >= narrow_us) & (pulses.width_us <= wide_us)
        start_us = pulses.start_us[fits]
        apart_us = start_us[1:] - start_us[:-1]
        one_line = apart_us[(apart_us >= shortest_us) & (apart_us <= longest_us)]
        if one_line.size < LEAST_BLANKINGS or one_line.size < 0.6 * max(apart_us.size, pulses.width_us.size - 2):
            continue
        period_us = median(one_line)
        if np.abs(one_line - period_us).max() < 0.002 * period_us:
            system = system_of(period_us)
            edges_us = start_us + system.front_porch_us
            return LineSync("blanking-only", edges_us, period_us, math.nan, vertical_us=np.empty(0), system=system)
    return NO_SYNC


def _are_low(pulses: Pulses, level_mv: NDArray[np.float32], low_mv: float, high_mv: float, bin_us: float) -> bool:
    """Whether pulses are low all along, not for a part of the time as where bins beat with something fast."""
    mean_mv = median(_means(level_mv, pulses.start_us, pulses.start_us + pulses.width_us, bin_us))
    return mean_mv - low_mv < MOSTLY_LOW * (high_mv - low_mv)


def _are_alike(pulses: Pulses, level_mv: NDArray[np.float32], bin_us: float) -> bool:
    """Whether all pulses have one bottom, what follows them is one level, and both stand out of the noise; dips of noise
    itself, three in a row half lines apart by chance, do not.
    """
    begin_us, end_us = pulses.start_us, pulses.start_us + pulses.width_us
    bottom_mv = _means(level_mv, begin_us + 0.25 * pulses.width_us, end_us - 0.25 * pulses.width_us, bin_us)
    after_mv = _means(level_mv, end_us + AFTER_US[0], end_us + AFTER_US[1], bin_us)
    if after_mv.size < 2:
        return False
    depth_mv = abs(median(after_mv) - median(bottom_mv))
    are_one = max(float(bottom_mv.std()), float(after_mv.std())) < ALIKE * depth_mv
    return are_one and depth_mv >= OUT_OF_NOISE * _noise_mv(level_mv)


def _means(
    level_mv: NDArray[np.float32], from_us: NDArray[np.float64], to_us: NDArray[np.float64], bin_us: float
) -> NDArray[np.float64]:
    """Mean level of each stretch that lies whole within the record."""
    total = np.concatenate(([0.0], level_mv.cumsum(dtype=np.float64)))
    first = np.rint(from_us / bin_us).astype(np.intp)
    last = np.maximum(np.rint(to_us / bin_us).astype(np.intp), first + 1)
    first, last = first[last < total.size], last[last < total.size]
    return np.asarray((total[last] - total[first]) / (last - first))


def _same_widths(pulses: Pulses, halfway: Pulses, within_us: float) -> bool:
    """Whether pulses are as wide halfway up as near their bottom: blanking has steep edges, a sine has not."""
    if pulses.width_us.size == 0 or pulses.width_us.size != halfway.width_us.size:
        return pulses.width_us.size > 0 and halfway.width_us.size > pulses.width_us.size
    return median(halfway.width_us - pulses.width_us) < within_us


def _range_mv(level_mv: NDArray[np.float32]) -> tuple[float, float]:
    """Lowest and highest level, single stray bins left out."""
    some = np.sort(spread(level_mv, ENOUGH_BINS))
    off = math.floor(0.015 * some.size)
    return float(some[off]), float(some[-1 - off])


def _noise_mv(level_mv: NDArray[np.float32]) -> float:
    """Rms noise of a bin; of a smoothed record too little, since neighbours share most of theirs."""
    return noise_of(level_mv[:ENOUGH_BINS])


@dataclass(frozen=True, eq=False)
class Look:
    """Pulses that one way of slicing a record gives.

    Attributes:
        pulses: the candidates for sync.
        least_depth_mv, least_snr: how deep a sync must be that was found among them, and how often the rms noise of a sample.
        most_noise: rms noise of a sample times the root of its length in seconds, up to which this look cannot be bettered.
        inverted: sync goes up.
    """

    pulses: Pulses
    least_depth_mv: float
    least_snr: float = 0.0
    most_noise: float = math.inf
    inverted: bool = False


def _sliced_alone(level_mv: NDArray[np.float32], bin_us: float) -> Iterator[Look]:
    """A channel that carries nothing but sync, halfway up; then, if that is asked for, the other way up."""
    low_mv, high_mv = _range_mv(level_mv)
    swing_mv = high_mv - low_mv
    if not _stands_out(swing_mv, level_mv):
        return
    middle_mv = 0.5 * (low_mv + high_mv)
    for inverted in (False, True):
        upright_mv, slice_mv = (-level_mv, -middle_mv) if inverted else (level_mv, middle_mv)
        pulses = low_pulses(upright_mv, slice_mv, 0.15 * swing_mv, bin_us)
        yield Look(pulses, LEAST_DEPTH_ALONE * swing_mv, inverted=inverted)


def _sliced_from_picture(level_mv: NDArray[np.float32], bin_us: float, part: float = SLICE) -> Iterator[Look]:
    """A picture smoothed over a subcarrier cycle and sliced just above its lowest level, by that part of its swing; then,
    where noise may have hidden the sync, smoothed over as much as a sync allows.
    """
    for smoothed_us, least_snr in ((SMOOTHED_US, 0.0), (MATCHED_US, MATCHED_SNR)):
        box = max(1, round(smoothed_us / bin_us))
        smooth_mv = _smoothed(level_mv, box)
        low_mv, high_mv = _range_mv(smooth_mv)
        swing_mv = high_mv - low_mv
        if not _stands_out(swing_mv, smooth_mv):
            return
        slice_mv = part * swing_mv
        above_mv = smooth_mv - _lower_envelope(smooth_mv, max(1, round(70.0 / bin_us)), slice_mv)
        stretches = low_stretches(above_mv, slice_mv, HYSTERESIS * slice_mv, bin_us)
        narrowed_us = (1.0 - 2.0 * _share_of_depth(slice_mv, above_mv, stretches, bin_us, box)) * box * bin_us
        most_noise_mv = NOISY * slice_mv * math.sqrt(box)
        most_noise = most_noise_mv * math.sqrt(1e-6 * bin_us)
        yield Look(without_glitches(stretches, narrowed_us), LEAST_DEPTH * swing_mv, least_snr, most_noise)
        if _noise_mv(level_mv) <= most_noise_mv:
            return


def _stands_out(swing_mv: float, level_mv: NDArray[np.float32]) -> bool:
    return swing_mv > 0.0 and swing_mv >= LEAST_SNR * _noise_mv(level_mv)


def _share_of_depth(
    slice_mv: float, above_tip_mv: NDArray[np.float32], pulses: Pulses, bin_us: float, box: int
) -> float:
    """Where the slice lies between tip (0) and blanking (1), blanking being what stands a smoothing after the pulses.

    Smoothing turns an edge into a slope, on which the crossing moves with that share.
    """
    place = np.rint((pulses.start_us + pulses.width_us) / bin_us).astype(np.intp) + box + round(0.2 / bin_us)
    place = place[place < above_tip_mv.size]
    if place.size == 0:
        return 0.5
    return min(max(slice_mv / max(median(above_tip_mv[place]), slice_mv), 0.1), 0.9)


def _smoothed(level_mv: NDArray[np.float32], width: int) -> NDArray[np.float32]:
    """Running mean over `width` bins, centred, of the same length."""
    if width < 2 or level_mv.size < 2 * width:
        return level_mv
    first, last = level_mv[:1].repeat(width // 2), level_mv[-1:].repeat(width - 1 - width // 2)
    return running_sums(np.concatenate((first, level_mv, last)), width) * np.float32(1.0 / width)


def _lower_envelope(level_mv: NDArray[np.float32], block: int, raised_mv: float) -> NDArray[np.float32]:
    """The level of the sync tips at every bin: the minimum of blocks longer than a line, joined by straight lines.

    Follows droop and hum, which move the tips of an AC-coupled signal. A block that is `raised_mv` above the median of
    itself and its neighbours has lost its sync, and takes that.
    """
    blocks = level_mv.size // block
    if blocks < 2:
        return np.full(level_mv.size, level_mv.min(), dtype=np.float32)
    lows = level_mv[: blocks * block].reshape(blocks, block).min(axis=1)
    around = np.pad(lows, 1, constant_values=-np.inf)
    usual = np.median((around[:-2], lows, around[2:]), axis=0)
    lows = np.where(lows - usual > raised_mv, usual, lows)
    share = np.arange(block, dtype=np.float32) / np.float32(block)
    between = lows[:-1, None] + (lows[1:] - lows[:-1])[:, None] * share
    ahead = block // 2
    return np.concatenate(
        (lows[:1].repeat(ahead), between.ravel(), lows[-1:].repeat(level_mv.size - ahead - between.size))
    )
