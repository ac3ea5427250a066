"""A few-bit converter in the unit: a resistor ladder, perhaps with one wrong resistor."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Ladder:
    """A ladder of `bits`; all bits on is white.

    Attributes:
        bits: how many.
        wrong_bit: the bit whose weight is off, 0 the least; None: all are right.
        wrong_by_pct: by how much of its own weight.
    """

    bits: int
    wrong_bit: int | None = None
    wrong_by_pct: float = 0.0

    def levels(self, wanted: NDArray[np.float64]) -> NDArray[np.float64]:
        """What comes out for levels from 0 (black) to 1 (white): the nearest code's sum of weights."""
        top = (1 << self.bits) - 1
        codes = np.floor(np.clip(wanted, 0.0, 1.0) * top + 0.5).astype(np.int64)
        sums = codes.astype(np.float64)
        if self.wrong_bit is not None:
            sums += ((codes >> self.wrong_bit) & 1) * (1 << self.wrong_bit) * (self.wrong_by_pct / 100)
        return sums / top


TWO_STATES = Ladder(1)
"""Logic levels in place of a picture."""
