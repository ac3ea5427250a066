"""One line of a picture that stands for all: what bars and blanking are told by."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .line_grid import LineGrid
from .robust import median_of_five

LINES, POINTS = 5, 256
"""So many lines and places on each tell what a picture's bars are."""
LEAST_PICTURE_MV = 100.0
"""A swing below this is no picture."""


def middle_places(
    grid: LineGrid, samples: int, from_us: float | None = None, to_us: float | None = None
) -> NDArray[np.intp]:
    """Where in a record so many samples long some lines are looked at, at places spread over a stretch of the line (active
    video), shape (LINES, POINTS). All channels of a capture share them."""
    from_us = grid.system.blanking_end_us if from_us is None else from_us
    to_us = grid.period_us - grid.system.front_porch_us if to_us is None else to_us
    lines = np.arange(LINES) * (grid.number.size - 1) // (LINES - 1)
    along_us = from_us + np.arange(POINTS) * ((to_us - from_us) / (POINTS - 1))
    into_us = along_us - grid.first_us[lines, None]
    places = (grid.first_bin[lines, None] + into_us / grid.bin_us) * grid.samples_per_bin
    return np.asarray(places.astype(np.intp).clip(0, samples - 1))


def middle_lines_mv(
    records: Sequence[ChannelRecord], probe_ratios: Sequence[float], places: NDArray[np.intp]
) -> NDArray[np.float64]:
    """The median of the lines at those places, shape (records, POINTS)."""
    middle = median_of_five(np.stack([record.codes[places] for record in records], axis=1))
    scales = [record.mv_per_code * ratio for record, ratio in zip(records, probe_ratios, strict=True)]
    return np.asarray(middle * np.array(scales)[:, None])
