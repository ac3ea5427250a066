"""The mean of one channel as calibrating needs it: over whole fields of a picture, or of a steady level."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ...drivers.capture import Capture, ChannelRecord, Codes
from ...drivers.errors import InstrumentError
from .budget import QUIET_LSB
from .calibration import ROOT_3
from .found_sync import find_sync
from .levels import is_clipped
from .targets import Conditions

BLOCKS = 16
STEADY_STATES = 2.0
"""The means of sixteen parts of a steady record lie within so many states of the ADC, or 1 % of the screen."""
STEADY_OF_SCREEN = 0.01
LARGEST_NOISE_OF_SCREEN = 0.05


@dataclass(frozen=True)
class ChannelMean:
    """A mean against scope zero, at the point of measurement, and its standard uncertainty without the scope's gain.

    Attributes:
        noise_mv: rms of single samples about it; NaN where that is not looked at.
        state_mv: distance between neighbouring states of the ADC.
    """

    mv: float
    u_mv: float
    noise_mv: float
    state_mv: float


def mean_over_fields(captures: Sequence[Capture], conditions: Conditions, channel: str, noise_mv: float) -> ChannelMean:
    """Mean of a channel from the first vertical sync of each capture to its last, in whole fields.

    `noise_mv` is that of single samples, as a reading tells it. Raises InstrumentError where a capture holds no whole
    field, or runs off the range.
    """

    def whole_fields(capture: Capture, record: ChannelRecord) -> Codes:
        vertical_us = find_sync(capture, conditions).lines.vertical_us
        if vertical_us is None or vertical_us.size < 2:
            raise InstrumentError(
                f"no two vertical syncs are in {capture.samples} samples, so no whole field",
                where=channel,
                do="clip the sync to a channel of the hookup; with a scope of short memory calibrate with a supply",
            )
        first, last = (round(at_us * 1e-6 / capture.seconds_per_sample) for at_us in (vertical_us[0], vertical_us[-1]))
        return record.codes[first:last]

    return _mean(captures, conditions, channel, whole_fields, noise_mv)


def mean_of_level(captures: Sequence[Capture], conditions: Conditions, channel: str) -> ChannelMean:
    """Mean of a channel on which nothing but one steady level lies. Raises InstrumentError where it is not steady."""
    noises_mv = [_noise_of_steady_mv(capture, conditions, channel) for capture in captures]
    return _mean(captures, conditions, channel, lambda capture, record: record.codes, max(noises_mv))


def _mean(
    captures: Sequence[Capture],
    conditions: Conditions,
    channel: str,
    part: Callable[[Capture, ChannelRecord], Codes],
    noise_mv: float,
) -> ChannelMean:
    """Mean of the captures' means; its uncertainty from their scatter (type A, JCGM 100:2008 4.2.3).

    Where noise is under 0.4 of a state a mean can sit anywhere between two of them: half a state, rectangular, is added.
    """
    means_mv = []
    state_mv = math.nan
    for capture in captures:
        record, scale_mv = _record(capture, conditions, channel)
        codes = part(capture, record)
        means_mv.append(
            (float(np.mean(codes, dtype=np.float64)) * record.volts_per_code + record.volts_at_code_zero) * scale_mv
        )
        state_mv = abs(record.volts_per_code) * record.code_step * scale_mv
    count = len(means_mv)
    random_mv = float(np.std(means_mv, ddof=1)) / math.sqrt(count) if count > 1 else 0.0
    quiet_mv = 0.0 if noise_mv >= QUIET_LSB * state_mv else 0.5 * state_mv / ROOT_3
    return ChannelMean(float(np.mean(means_mv)), math.hypot(random_mv, quiet_mv), noise_mv, state_mv)


def _noise_of_steady_mv(capture: Capture, conditions: Conditions, channel: str) -> float:
    record, scale_mv = _record(capture, conditions, channel)
    values = record.codes.astype(np.float64)
    blocks = values[: values.size // BLOCKS * BLOCKS].reshape(BLOCKS, -1).mean(axis=1)
    screen = (
        256.0 * record.code_step if record.full_scale_v is None else abs(record.full_scale_v / record.volts_per_code)
    )
    noise = float(values.std())
    wander = float(np.ptp(blocks))
    if (
        wander > max(STEADY_STATES * record.code_step, STEADY_OF_SCREEN * screen)
        or noise > LARGEST_NOISE_OF_SCREEN * screen
    ):
        raise InstrumentError(
            f"it does not hold still: {noise * abs(record.volts_per_code) * scale_mv:.0f} mV rms",
            where=channel,
            do="connect the supply alone to this channel, no picture, and wait until it is steady",
        )
    return noise * abs(record.volts_per_code) * scale_mv


def _record(capture: Capture, conditions: Conditions, channel: str) -> tuple[ChannelRecord, float]:
    """The channel's record with what makes millivolts of its volts. Raises InstrumentError where it is clipped or not there."""
    clip = conditions.hookup.of_channel(channel)
    record = capture.channel(channel)
    if record is None or clip is None:
        raise InstrumentError("the capture has no such channel", where=channel, do="name a channel of the hookup")
    if is_clipped(record):
        raise InstrumentError(
            "it runs off the scope's range", where=channel, do="check load and offset, then start again"
        )
    return record, clip.probe_ratio * 1e3
