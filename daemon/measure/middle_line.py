"""One line of a picture that stands for all: what bars and blanking are told by."""

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .line_grid import LineGrid

LINES, POINTS = 5, 256
"""So many lines and places on each tell what a picture's bars are."""
LEAST_PICTURE_MV = 100.0
"""A swing below this is no picture."""


def middle_line_mv(
    record: ChannelRecord,
    probe_ratio: float,
    grid: LineGrid,
    from_us: float | None = None,
    to_us: float | None = None,
) -> NDArray[np.float64]:
    """The median of some lines at places spread over a stretch of the line (active video), shape (POINTS,)."""
    from_us = grid.system.blanking_end_us if from_us is None else from_us
    to_us = grid.period_us - grid.system.front_porch_us if to_us is None else to_us
    lines = np.linspace(0, grid.number.size - 1, LINES).astype(np.intp)
    into_us = np.linspace(from_us, to_us, POINTS) - grid.first_us[lines, None]
    samples = (grid.first_bin[lines, None] + into_us / grid.bin_us) * grid.samples_per_bin
    codes = record.codes[np.clip(samples.astype(np.intp), 0, record.codes.size - 1)]
    middle = np.sort(codes, axis=0)[LINES // 2]
    return np.asarray(middle * (record.mv_per_code * probe_ratio), dtype=np.float64)
