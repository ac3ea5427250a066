"""By how much later the same signal arrives on one channel than on another."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord

GROUPS = 8
LINES_A_GROUP = 8
STEPS = 20


@dataclass(frozen=True)
class Delay:
    """Delay of one channel behind another, how well it is known, and how alike the two are.

    Attributes:
        ns: positive where the channel is late.
        u_ns: standard uncertainty, from the scatter of groups of lines; None from one group alone.
        alike: correlation coefficient at that delay, the least of all groups; 1 for the same signal at any gain.
    """

    ns: float
    u_ns: float | None
    alike: float


def delay_between(
    reference: ChannelRecord, other: ChannelRecord, seconds_per_sample: float, edges_us: NDArray[np.float64]
) -> Delay | None:
    """Delay of `other` behind `reference`, from their cross-correlation on groups of whole lines; None from no whole line.

    `edges_us` are those of line sync, from the middle of the first sample, shape (edges,). Between two of them the
    signal is periodic enough that the ends of a group meet at one level. Groups without picture, as in the vertical
    interval, tell nothing and are left out.
    """
    starts = np.round(edges_us * 1e-6 / seconds_per_sample).astype(np.intp)
    starts = starts[(starts >= 0) & (starts < reference.codes.size)]
    lines = starts.size - 1
    if lines < 1:
        return None
    a_group = max(1, min(LINES_A_GROUP, lines // GROUPS))
    first = np.unique(np.linspace(0, lines - a_group, min(GROUPS, lines // a_group)).astype(np.intp))
    groups = [slice(starts[index], starts[index + a_group]) for index in first]
    activity = np.array([float(reference.codes[group].std()) for group in groups])
    telling = [group for group, active in zip(groups, activity, strict=True) if active > 0.5 * activity.max()]
    pairs = [
        [one.codes[group].astype(np.float64) * one.volts_per_code for one in (reference, other)] for group in telling
    ]
    found = [_shift(one, late) for one, late in pairs]
    if not found:
        return None
    samples = np.array([shift for shift, _ in found])
    ns_a_sample = seconds_per_sample * 1e9
    u_ns = float(samples.std(ddof=1)) / math.sqrt(samples.size) * ns_a_sample if samples.size > 1 else None
    return Delay(float(samples.mean()) * ns_a_sample, u_ns, min(alike for _, alike in found))


def _shift(reference: NDArray[np.float64], other: NDArray[np.float64]) -> tuple[float, float]:
    """Where the circular cross-correlation has its maximum, in samples, and the correlation coefficient there.

    Between samples the correlation is the band-limited one, sum of Re(S exp(i w s)) over the cross-spectrum S, whose
    maximum Newton's steps find from the whole sample nearest to it. Noise that the channels do not share adds nothing
    to the sum on average.
    """
    size = reference.size
    spectra = [np.fft.rfft(one - one.mean()) for one in (reference, other)]
    cross = np.conj(spectra[0]) * spectra[1]
    omega = 2.0 * np.pi * np.arange(cross.size) / size
    near = int(np.argmax(np.fft.irfft(cross, size)))
    shift = float(near if near <= size // 2 else near - size)
    for _ in range(STEPS):
        turned = cross * np.exp(1j * omega * shift)
        slope, bend = -float(omega @ turned.imag), -float(omega**2 @ turned.real)
        if not bend < 0.0:
            break
        step = max(-0.5, min(0.5, -slope / bend))
        shift += step
        if abs(step) < 1e-6:
            break
    powers = [float(np.vdot(one, one).real) for one in spectra]
    peak = float((cross * np.exp(1j * omega * shift)).real.sum())
    return shift, peak / math.sqrt(powers[0] * powers[1]) if min(powers) > 0.0 else 0.0
