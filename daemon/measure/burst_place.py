"""Where on the back porch the colour burst stands: units put it early and late, and give it more or fewer cycles."""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .stretches import stretches

PER_CYCLE = 12
"""So many samples a cycle are enough to see where the burst stands."""
LEAST_FITTED = 5
"""A constant and a subcarrier are fitted to no fewer samples."""
LOOKS_PER_CYCLE = 4
LEAST_US = 0.8
"""Three cycles that are alike make a burst; the step into a picture looks like one for a cycle."""
FROM, TO = 0.5, 1.5
"""The burst reaches as far as the magnitude stays between these parts of what those cycles show."""
FLANK_US = 0.35
"""From there to its flat top: half of a rise of 0.3 us (10 to 90 %), and the half cycle that the look itself takes."""
FLAT = 0.1
"""Of a top, the highest and the lowest magnitude lie no further apart, in parts of it, than this and what noise adds."""
NOISE_ADDS = 5.0
"""That is so many standard deviations."""
MEDIAN_NOISE = 1.253
"""Noise of a median against that of a mean: the root of half of pi."""


def burst_top_us(
    record: ChannelRecord,
    edges_us: NDArray[np.float64],
    sample_us: float,
    cycle_us: float,
    searched_us: tuple[float, float],
    longest_us: float,
) -> tuple[float, float] | None:
    """From and to in us after 0H: the middle of the burst, where it is flat; None where it is not, or there is no burst.

    `searched_us` is the part of the line, after 0H, in which it may stand; `longest_us` how much of it is wanted. A constant
    and the subcarrier are fitted to a cycle at a time, and the magnitudes of all lines (by their median) looked at.
    """
    apart = max(1, math.floor(cycle_us / PER_CYCLE / sample_us))
    each = max(LEAST_FITTED, round(cycle_us / (apart * sample_us)))
    forward = max(1, each // LOOKS_PER_CYCLE)
    first = np.ceil((edges_us + searched_us[0]) / sample_us).astype(np.intp)
    searched = math.floor((searched_us[1] - searched_us[0]) / sample_us)
    first = first[(first >= 0) & (first + searched <= record.codes.size)]
    if first.size == 0 or searched < each * apart:
        return None
    rows = stretches(record.codes, first, searched)[:, ::apart].astype(np.float32)
    looks = np.lib.stride_tricks.sliding_window_view(rows, each, axis=1)[:, ::forward]
    angle = np.arange(each, dtype=np.float64)
    angle *= 2.0 * math.pi * apart * sample_us / cycle_us
    fitted, noise = fitted_subcarrier(looks.reshape(-1, each), angle)
    magnitude = np.median(np.abs(fitted).reshape(looks.shape[:2]), axis=0)
    error = MEDIAN_NOISE * math.sqrt(2.0 * float(np.median(noise)) / each / first.size)
    look_us = forward * apart * sample_us
    from_to = _reach(magnitude, math.ceil(LEAST_US / look_us))
    if from_to is None:
        return None
    middle_us = 0.5 * (from_to[0] + from_to[1]) * look_us
    length_us = min(longest_us, (from_to[1] - from_to[0]) * look_us - 2.0 * FLANK_US)
    inside = np.abs(np.arange(magnitude.size) * look_us - middle_us) <= 0.5 * (length_us - cycle_us)
    if length_us < LEAST_US or np.ptp(magnitude[inside]) > FLAT * magnitude[inside].mean() + NOISE_ADDS * error:
        return None
    from_us = searched_us[0] + 0.5 * (each - 1) * apart * sample_us + middle_us - 0.5 * length_us
    return from_us, from_us + length_us


def _reach(magnitude: NDArray[np.float64], least: int) -> tuple[float, float] | None:
    """First and last look of the `least` in a row that are highest, and of what reaches on from there."""
    if magnitude.size < least:
        return None
    lowest = np.lib.stride_tricks.sliding_window_view(magnitude, least).min(axis=1)
    at = int(lowest.argmax())
    like = (magnitude > FROM * lowest[at]) & (magnitude < TO * lowest[at])
    if not like[at : at + least].all():
        return None
    ends = np.flatnonzero(~like)
    before, after = ends[ends < at], ends[ends > at]
    return float(before[-1] + 1 if before.size else 0), float(after[0] - 1 if after.size else magnitude.size - 1)


def fitted_subcarrier(
    codes: NDArray[np.floating], angle: NDArray[np.float64]
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Complex amplitude of the subcarrier on each line, a constant fitted beside it, and the variance of what is left.

    `codes` of shape (lines, samples); `angle` of the subcarrier at each sample in rad, evenly spaced.
    """
    model, solve = _model(angle.size, float(angle[1] - angle[0]), float(angle[0]))
    solved = codes @ solve
    rest = codes - solved @ model
    noise = np.einsum("ls,ls->l", rest, rest) / (angle.size - 3)
    return solved[:, 1] - 1j * solved[:, 2], noise


@lru_cache(maxsize=8)
def _model(samples: int, step: float, first: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A constant and the subcarrier, shape (3, samples), and what solves for their amplitudes, shape (samples, 3)."""
    angle = first + step * np.arange(samples)
    model = np.stack((np.ones(samples), np.cos(angle), np.sin(angle)))
    return model, np.linalg.pinv(model)
