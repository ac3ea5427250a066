"""The levels of the last minutes, thinned, and how each drifts."""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ..measure.reading import Reading
from ..measure.robust import median
from .drift import WINDOW_S, Drift, drift_of, pieces_of

BIN_S = 5.0
"""Of so long the median is taken; sixty of them are the window."""


@dataclass
class _Channel:
    """Medians of the window as (s, mV), and the levels of the bin that is being filled."""

    medians: "deque[tuple[float, float]]" = field(default_factory=deque)
    bin_began_s: float | None = None
    bin_mv: list[float] = field(default_factory=list)
    drift: Drift | None = None


class LevelDrifts:
    """Follows every channel that shows a level. Times are seconds of a clock that does not jump."""

    def __init__(self) -> None:
        self._channels: dict[tuple[str, str | None], _Channel] = {}

    def forget(self) -> None:
        """Another unit: what the one before did says nothing of it."""
        self._channels.clear()

    def take(self, reading: Reading, now_s: float) -> None:
        """The levels of a reading, but for those that are held."""
        for one in reading.measured.channels:
            if one.peak_white_mv is not None and not one.held:
                channel = self._channels.setdefault((one.channel, one.role), _Channel())
                _take(channel, one.peak_white_mv, now_s)

    def drifts(self, now_s: float) -> Mapping[str, Drift]:
        """How each channel drifts, by role or else by channel, of those that are known lately."""
        return {
            role or name: channel.drift
            for (name, role), channel in self._channels.items()
            if channel.drift is not None and now_s - channel.medians[-1][0] <= 3.0 * BIN_S
        }


def _take(channel: _Channel, level_mv: float, now_s: float) -> None:
    began_s = channel.bin_began_s
    if began_s is None:
        channel.bin_began_s = now_s
    elif now_s - began_s >= BIN_S:
        _end_bin(channel, began_s + 0.5 * BIN_S)
        channel.bin_began_s, channel.bin_mv = now_s, []
    channel.bin_mv.append(level_mv)


def _end_bin(channel: _Channel, middle_s: float) -> None:
    medians = channel.medians
    medians.append((middle_s, median(np.array(channel.bin_mv))))
    while middle_s - medians[0][0] > WINDOW_S:
        medians.popleft()
    times_s, levels_mv = np.array(medians).T
    channel.drift = drift_of(pieces_of(times_s, levels_mv, 3.0 * BIN_S))
