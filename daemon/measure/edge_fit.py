"""Edges placed to a fraction of a sample by fitting the shape that video gives them."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .stretches import stretches

WITHIN = 0.25
"""An edge lies within this part of the stretch that is looked at on either side of it; the rest is level."""
FIRST_LENGTH = 0.2
"""The fit begins with edges as long as this part of the stretch on either side: 0.24 us at 15 kHz."""
LEAST_SAMPLES = 1.25
"""No edge is fitted shorter: there must be a sample on it wherever it lies."""
SEEN_SAMPLES = 1.5
"""Edges fitted no longer than this may be any shorter: their shape is not seen."""
LENGTH_WITHIN = 0.05
"""A wrong length by this part costs nothing: its effect on places is of the second order."""
ROUNDS = 3


@dataclass(frozen=True, eq=False)
class Edges:
    """Edges, each up or down, in arrays of one shape.

    Attributes:
        at_us: the middle of each; NaN where the record ends within reach of it, or there is no step.
        before, after: the levels on either side of it in codes.
        rms2_after: variance of the samples on the level after it.
        spread_us2: variance of its place for white noise as large as the step; goes with the square of noise over step.
        grain_us2: variance of a place that sampling adds: an edge between two samples may lie anywhere between them.
    """

    at_us: NDArray[np.float64]
    before: NDArray[np.float32]
    after: NDArray[np.float32]
    rms2_after: NDArray[np.float32]
    spread_us2: NDArray[np.float64]
    grain_us2: float


def fitted_edges(record: ChannelRecord, near_us: NDArray[np.float64], reach_us: float, sample_us: float) -> Edges:
    """Edges near the given places, of any shape, from the samples within `reach_us` of them.

    A noise of sigma moves an edge of step A, length D and `level` samples on either side by the variance
    (sigma / A)^2 (1 / s + 1 / (2 level s^2)) samples, where s = pi^2 / 8D is the sum of squared slopes: the Cramér-Rao
    bound of an edge of known shape, and what the noise of the two levels adds to it.
    """
    half = max(2, round(reach_us / sample_us))
    core = max(1, round(WITHIN * half))
    level = half - core
    near = np.rint(near_us / sample_us)
    telling = (near >= half) & (near < record.codes.size - half)
    centre = np.where(telling, near, half).astype(np.intp)
    around = stretches(record.codes, centre - half, 2 * half + 1).astype(np.float32)
    last = around[..., -level:]
    before = around[..., :level].sum(axis=-1) / level
    after = last.sum(axis=-1) / level
    off = last - after[..., None]
    rms2_after = np.vecdot(off, off) / max(1, level - 1)
    step = before - after
    telling &= step != 0.0
    part = (around[..., level:-level][telling] - after[telling][:, None]) / step[telling][:, None]
    place, sharpness, length = _fitted(part, FIRST_LENGTH * half)
    place[np.abs(place) > core + 1] = np.nan
    at_us = np.full(near.shape, np.nan)
    at_us[telling] = (centre[telling] + place) * sample_us
    spread_us2 = np.full(near.shape, np.inf)
    spread_us2[telling] = (1.0 / sharpness + 0.5 / level / sharpness**2) * sample_us**2
    grain = 1.0 / 12.0 if length < SEEN_SAMPLES else 0.0
    return Edges(at_us, before, after, rms2_after, spread_us2, grain * sample_us**2)


def _fitted(part: NDArray[np.float32], length: float) -> tuple[NDArray[np.float32], NDArray[np.float32], float]:
    """Where each edge lies against its middle sample and the sum of its squared slopes, shape (edges,), and their length.

    `part`, shape (edges, samples), goes from 1 before to 0 after the edge; `length` in samples is where the fit begins.
    The area under a step says when it came, whatever its shape, but takes in the noise of the whole stretch. From there
    up to three rounds of Gauss-Newton fit the raised cosine of the broadcast standards, of one length for all edges: noise
    counts only on the edge, which halves its effect.
    """
    middle = part.shape[1] // 2
    sample = np.arange(-middle, middle + 1, dtype=np.float32)
    place = part.sum(axis=1) - (middle + 0.5)
    part = part - 0.5
    for _ in range(ROUNDS):
        length = min(max(length, LEAST_SAMPLES), float(part.shape[1]))
        angle = ((sample - place[:, None]) * (math.pi / length)).clip(-0.5 * math.pi, 0.5 * math.pi)
        slope = np.cos(angle) * (0.5 * math.pi / length)
        rest = part + 0.5 * np.sin(angle)
        sharpness = np.maximum(np.vecdot(slope, slope), 0.1 / length)
        place = place + (np.vecdot(rest, slope) / sharpness).clip(-0.5, 0.5)
        with_length = slope * angle
        longer = math.pi * float(np.vdot(rest, with_length)) / max(float(np.vdot(with_length, with_length)), 1e-9)
        length += longer
        if abs(longer) < LENGTH_WITHIN * length:
            break
    return place, sharpness, length
