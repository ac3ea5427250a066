"""The converter: from volts in the range to codes with real rails."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SCREEN_DIVISIONS = 8

RawCodes = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True)
class Adc:
    """Codes run from 0 to 2^bits - 1; the middle of the screen is 2^(bits - 1); the rails lie off the screen."""

    bits: int
    codes_per_div_of_8_bits: float = 25

    @property
    def codes_per_div(self) -> float:
        """Those of 8 bits, sixteen times as many in 12."""
        return self.codes_per_div_of_8_bits * (1 if self.bits == 8 else 16)

    @property
    def middle(self) -> int:
        """The code of the middle of the screen."""
        return 1 << (self.bits - 1)

    @property
    def top(self) -> int:
        """The upper rail; the lower one is 0."""
        return (1 << self.bits) - 1

    def empty(self, samples: int) -> RawCodes:
        """Room for that many codes."""
        return np.empty(samples, dtype=np.uint8) if self.bits == 8 else np.empty(samples, dtype=np.uint16)

    def convert(self, wanted: NDArray[np.float32]) -> RawCodes:
        """The nearest codes; `wanted` is in codes and is used up."""
        np.rint(wanted, out=wanted)
        np.clip(wanted, 0, self.top, out=wanted)
        return wanted.astype(np.uint8) if self.bits == 8 else wanted.astype(np.uint16)
