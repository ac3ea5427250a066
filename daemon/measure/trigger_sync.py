"""The trigger as line sync: its instant is one edge, the others follow from blanking.

A scope with all its channels on pictures can still be triggered by sync, on its EXT input or on a channel that is not
recorded. Then no record shows sync, but time zero is the leading edge of one, and blanking on the picture channels says
how far apart lines are. A black border is blanking too, here: what proves it is that it comes at line rate, and that it
holds around every instant at which a sync would be. In the vertical interval there is no picture to tell it by.
"""

import math

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import EXT, Capture, ChannelRecord
from .binning import binned_mv, samples_per_bin
from .hookup import WHITE_ROLES, Clip, Hookup
from .pulses import Pulses, low_pulses
from .robust import spread
from .sync_edges import LEAST_SNR
from .sync_train import LINE_PERIODS_US, NO_SYNC, LineSync
from .systems import LineSystem, system_of

BEFORE_BLANKING_US = 0.2
"""The edge may come this much before what is seen of blanking: a trigger's delay, a slow edge."""
LOW_AFTER = 0.06
"""So much of a line the picture stays low after the edge: sync takes 7 %, and black or blanking goes on."""
SLICE, HYSTERESIS = 0.3, 0.1
"""Where blanking is told from picture, in parts of the swing."""
LEAST_LINES = 4
PERIODIC = 0.6
"""A period is believed where blanking begins so often when it should."""
STEADY = 0.002
"""And that to this part of a line."""
ALTERNATING = 0.01
"""Low stretches whose width alternates by this part of their distance come twice a line: blanking, and a gap in the picture."""
MOST_TRIED = 8
NO_PICTURE_US = 2.0 * LINE_PERIODS_US[-1][1]
"""So long at blanking or black there is no picture: line blanking takes a fifth of one line."""
UNTOLD = LineSystem(None, math.nan, math.nan)
"""The trigger alone does not tell what system it is."""


def is_trigger(capture: Capture, clip: Clip) -> bool:
    """Whether the signal of that clip triggered the capture without being recorded.

    Where a capture does not say what triggered it, a clip on EXT is taken at its word: nobody clips sync there for
    another purpose, and time zero of an exported record is the trigger by custom.
    """
    if capture.channel(clip.channel) is not None:
        return False
    return capture.triggered_by == clip.channel or (capture.triggered_by is None and clip.channel == EXT)


def find_trigger_sync(capture: Capture, hookup: Hookup) -> LineSync:
    """Line sync from the trigger instant and blanking; NO_SYNC where the two do not go together.

    Sync itself was not seen: its width, depth and jitter are NaN.
    """
    zero_us = -capture.first_sample_s * 1e6
    for clip in hookup.clips:
        record = capture.channel(clip.channel)
        if record is not None and clip.role in WHITE_ROLES:
            lows = _lows(record, capture.seconds_per_sample, clip.probe_ratio)
            period_us = _period_us(lows, zero_us)
            if math.isfinite(period_us):
                end_us = (capture.samples - 1) * capture.seconds_per_sample * 1e6
                return _lines(zero_us, period_us, end_us)
    return NO_SYNC


def in_vertical_interval(capture: Capture, hookup: Hookup) -> bool:
    """Whether a sync that is not recorded surely triggered, while every picture channel shows two lines without picture."""
    if not any(capture.triggered_by == clip.channel and is_trigger(capture, clip) for clip in hookup.clips):
        return False
    pictures = [(clip, capture.channel(clip.channel)) for clip in hookup.clips if clip.role in WHITE_ROLES]
    records = [(clip, record) for clip, record in pictures if record is not None]
    return bool(records) and all(
        _lacks_picture(record, capture.seconds_per_sample, clip.probe_ratio) for clip, record in records
    )


def _lacks_picture(record: ChannelRecord, seconds_per_sample: float, probe_ratio: float) -> bool:
    """Whether the channel has no swing, or stays low for longer than two lines last."""
    count = samples_per_bin(seconds_per_sample)
    level_mv = binned_mv(record, count, probe_ratio)
    slice_mv = _slice_mv(record, level_mv, probe_ratio)
    if slice_mv is None:
        return True
    ends = np.flatnonzero(np.concatenate(([True], level_mv > slice_mv[0] + slice_mv[1], [True])))
    return bool((np.diff(ends).max() - 1) * count * seconds_per_sample * 1e6 > NO_PICTURE_US)


def _lows(record: ChannelRecord, seconds_per_sample: float, probe_ratio: float) -> Pulses:
    """Where the picture is at blanking or black, in us from the first sample; nothing where there is no picture."""
    count = samples_per_bin(seconds_per_sample)
    level_mv = binned_mv(record, count, probe_ratio)
    slice_mv = _slice_mv(record, level_mv, probe_ratio)
    if slice_mv is None:
        return Pulses(np.empty(0), np.empty(0))
    found = low_pulses(level_mv, *slice_mv, count * seconds_per_sample * 1e6)
    return Pulses(found.start_us + (count - 1) / 2 * seconds_per_sample * 1e6, found.width_us)


def _slice_mv(record: ChannelRecord, level_mv: NDArray[np.float32], probe_ratio: float) -> tuple[float, float] | None:
    """Where to tell blanking from picture, and the hysteresis; None where there is no swing above the noise."""
    some = spread(level_mv, 6000)
    low_mv, high_mv = (float(value) for value in np.quantile(some, (0.015, 0.985)))
    lsb_mv = abs(record.mv_per_code * probe_ratio) * record.code_step
    noise_mv = 0.5 * lsb_mv
    if level_mv.size > 1:
        noise_mv = max(noise_mv, float(np.median(np.abs(np.diff(level_mv[:6000])))) / 0.6745 / math.sqrt(2.0))
    swing_mv = high_mv - low_mv
    if not swing_mv > 4.0 * LEAST_SNR * noise_mv:
        return None
    return low_mv + SLICE * swing_mv, HYSTERESIS * swing_mv


def _period_us(lows: Pulses, zero_us: float) -> float:
    """The line period with which blanking comes around the trigger and around every line from it; NaN where none does.

    Tried are the distances between the beginnings of low stretches, shortest first: of two periods that fit, one is a
    multiple of the other.
    """
    start_us = lows.start_us
    if start_us.size <= LEAST_LINES:
        return math.nan
    distances_us = np.concatenate(
        [start_us[apart:] - start_us[:-apart] for apart in range(1, min(MOST_TRIED, start_us.size))]
    )
    for shortest_us, longest_us in LINE_PERIODS_US:
        fits = np.sort(distances_us[(distances_us >= shortest_us) & (distances_us <= longest_us)])
        for alike in np.split(fits, np.flatnonzero(np.diff(fits) > STEADY * shortest_us) + 1):
            if alike.size >= LEAST_LINES:
                period_us = _steady_period_us(lows, zero_us, float(np.median(alike)))
                if math.isfinite(period_us):
                    return period_us
    return math.nan


def _steady_period_us(lows: Pulses, zero_us: float, period_us: float) -> float:
    """The period by a straight line through the beginnings of blanking, where it is around the trigger; else NaN."""
    into_us = np.remainder(zero_us + BEFORE_BLANKING_US - lows.start_us, period_us) - BEFORE_BLANKING_US
    around = into_us + LOW_AFTER * period_us < lows.width_us
    if np.count_nonzero(around) < LEAST_LINES:
        return math.nan
    usual_us = float(np.median(into_us[around]))
    blanking = around & (np.abs(into_us - usual_us) < 4.0 * STEADY * period_us)
    if np.count_nonzero(blanking) < LEAST_LINES:
        return math.nan
    start_us = lows.start_us[blanking]
    line = np.round((start_us - start_us[0]) / period_us)
    if line.size < PERIODIC * (line[-1] + 1):
        return math.nan
    odd = line % 2 == 1
    width_us = lows.width_us[blanking]
    if not odd.any() or odd.all():
        return math.nan
    if not abs(float(np.median(width_us[odd])) - float(np.median(width_us[~odd]))) < ALTERNATING * period_us:
        return math.nan
    slope_us, first_us = (float(value) for value in np.polyfit(line, start_us, 1))
    steady = np.abs(start_us - first_us - slope_us * line) < STEADY * period_us
    return slope_us if steady.mean() > 0.9 else math.nan


def _lines(zero_us: float, period_us: float, end_us: float) -> LineSync:
    """Edges at the trigger and whole lines from it, as far as the record reaches."""
    first, last = math.ceil(-zero_us / period_us), math.floor((end_us - zero_us) / period_us)
    edges_us: NDArray[np.float64] = np.arange(first, last + 1, dtype=np.float64)
    edges_us *= period_us
    edges_us += zero_us
    return LineSync("locked", edges_us, period_us, vertical_us=np.empty(0), system=system_of(period_us))
