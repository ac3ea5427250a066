"""The converter's integral linearity error: a smooth curve of state errors that every seed draws anew."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

_WAVES = 6
"""Sines of rising order over the range, each drawn smaller than the one before: what is left of a straight line."""


@dataclass(frozen=True)
class Linearity:
    """A converter's curve of `bits` whose largest state error is `peak_lsb`."""

    bits: int
    peak_lsb: float
    seed: int

    def errors(self, wanted: NDArray[np.float32]) -> NDArray[np.float32]:
        """What to add to values in codes before they are rounded."""
        curve = state_errors(self)
        found: NDArray[np.float32] = curve.take(wanted.astype(np.intp), mode="clip")
        return found


@lru_cache(maxsize=16)
def state_errors(linearity: Linearity) -> NDArray[np.float32]:
    """The error of every state from 0 on, in LSB: none at both ends of the range (end-point reckoning)."""
    random = np.random.default_rng(linearity.seed)
    states = np.linspace(0.0, 1.0, 1 << linearity.bits)
    curve = np.zeros_like(states)
    for order in range(1, _WAVES + 1):
        curve += random.normal() / order * np.sin(np.pi * order * states)
    errors: NDArray[np.float32] = (curve * (linearity.peak_lsb / np.abs(curve).max())).astype(np.float32)
    return errors
