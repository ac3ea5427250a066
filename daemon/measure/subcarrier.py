"""Subcarrier frequency from the phase of the bursts, line by line."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .systems import SYSTEM_625, LineSystem

MOST_OFF_NOMINAL = 500e-6
"""A crystal lies this near to nominal, where nothing else tells which of the possible frequencies is meant (practice:
pulled by a trimmer or aged, it is off by some tens of millionths)."""
COARSE_ERRORS = 4.0
LEAST_COARSE_ERROR_HZ = 250.0
"""What a slow change of phase within a burst may fake, filters and all (our choice)."""
MOST_SCATTER_RAD = 0.5
"""Phases that scatter more about their straight line have none."""


@dataclass(frozen=True, eq=False)
class Phasors:
    """The bursts of some lines as phasors against a nominal subcarrier that runs on from the record's first sample.

    Attributes:
        line: number of each line from the first, shape (lines,).
        time_s: when its burst is looked at, shape (lines,).
        value: complex amplitude, shape (lines,).
        turn_hz: how far the frequency is off nominal by the turn within the bursts.
        turn_error_hz: standard uncertainty of that.
    """

    line: NDArray[np.intp]
    time_s: NDArray[np.float64]
    value: NDArray[np.complex128]
    turn_hz: float
    turn_error_hz: float


def measured_subcarrier_hz(bursts: Phasors, line_period_s: float, system: LineSystem) -> float:
    """Frequency of the subcarrier; NaN where it cannot be told.

    From line to line the phase steps by 2 pi (f - nominal) T, which gives f but for whole multiples of the line rate.
    In 625/50 every other burst swings by +45 and -45 degrees (BT.1700 Part B): only lines an even number apart are
    compared there, which leaves multiples of half the line rate. The turn within the bursts says which multiple it is;
    where it cannot, the one next to nominal is taken if a crystal may be so far off, and nothing otherwise.

    The straight line through the phases has the standard error sqrt(12 / (n^3 - n)) s / (2 pi T) for n lines in a row of
    phase noise s, which is the Cramér-Rao bound.
    """
    if system.subcarrier_hz is None:
        return math.nan
    apart = 2 if system.name == SYSTEM_625.name else 1
    step_hz = _step_hz(bursts, apart)
    if math.isnan(step_hz):
        return math.nan
    off_hz, scatter_rad = _straight_line(bursts, step_hz, apart)
    if not scatter_rad < MOST_SCATTER_RAD:
        return math.nan
    return system.subcarrier_hz + _of_multiples(off_hz, 1.0 / (apart * line_period_s), bursts, system.subcarrier_hz)


def _step_hz(bursts: Phasors, apart: int) -> float:
    """The frequency less nominal, from the mean step of phase between lines `apart`; NaN without two such lines."""
    order = {int(number): place for place, number in enumerate(bursts.line)}
    pairs = [(place, order[number + apart]) for number, place in order.items() if number + apart in order]
    if not pairs:
        return math.nan
    earlier, later = np.array(pairs).T
    turned = complex(np.sum(bursts.value[later] * np.conj(bursts.value[earlier])))
    return math.atan2(turned.imag, turned.real) / (
        2.0 * math.pi * float(np.mean(bursts.time_s[later] - bursts.time_s[earlier]))
    )


def _straight_line(bursts: Phasors, step_hz: float, apart: int) -> tuple[float, float]:
    """A straight line through the phases, those of every `apart` lines with a constant of their own.

    Frequency less nominal, and the rms of the phases about the line in rad. Begins with the lines in a row at the front
    and reaches farther each time by no more than the slope found so far allows, so that no turn is miscounted.
    """
    off_hz, scatter_rad, reach = step_hz, math.nan, 16
    while True:
        near = bursts.line <= bursts.line[0] + reach
        turned = bursts.value[near] * np.exp(-2j * math.pi * off_hz * (bursts.time_s[near] - bursts.time_s[0]))
        kinds = (bursts.line[near] % apart)[:, None] == np.arange(apart)
        kinds = kinds[:, kinds.any(axis=0)]
        towards = np.exp(-1j * np.angle(turned @ kinds))
        phase = np.angle(turned * (kinds @ towards))
        model = np.column_stack((bursts.time_s[near] - bursts.time_s[0], kinds))
        solved = np.linalg.lstsq(model, phase, rcond=None)[0]
        rest = phase - model @ solved
        off_hz += float(solved[0]) / (2.0 * math.pi)
        scatter_rad = math.sqrt(float(rest @ rest) / max(1, rest.size - model.shape[1]))
        if near.all():
            return off_hz, scatter_rad
        reach *= 4


def _of_multiples(off_hz: float, multiple_hz: float, bursts: Phasors, nominal_hz: float) -> float:
    """Which of `off_hz` plus multiples is meant; NaN where neither the turn within the bursts nor a crystal's limits tell."""
    from_nominal_hz = math.remainder(off_hz, multiple_hz)
    from_turn_hz = bursts.turn_hz + math.remainder(off_hz - bursts.turn_hz, multiple_hz)
    error_hz = COARSE_ERRORS * max(bursts.turn_error_hz, LEAST_COARSE_ERROR_HZ)
    if error_hz < 0.5 * multiple_hz and abs(from_turn_hz - bursts.turn_hz) < error_hz:
        return from_turn_hz
    may_be = abs(from_nominal_hz) < MOST_OFF_NOMINAL * nominal_hz and abs(from_nominal_hz - bursts.turn_hz) < error_hz
    return from_nominal_hz if may_be else math.nan
