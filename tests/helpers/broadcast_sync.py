"""Composite sync of both broadcast systems with its whole vertical interval, from the published timing tables.

525/60: SMPTE 170M-2004 table 2 and figure 7 [S]: sync 4.70 us, equalising 2.30, broad H/2 - 4.70 = 27.08; three lines
each of equalising, broad, equalising pulses. 625/50: ITU-R BT.1700 Part B and BT.470-6 tables 1-1, 1-2 [S]: 4.7, 2.35,
27.3 us; two and a half lines each.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from made_video import LINE_525_US, LINE_625_US

Array = NDArray[np.float64]
KNOTS = 33
"""A raised-cosine edge is drawn with so many straight pieces: off by 0.06 % of the step at most."""


@dataclass(frozen=True)
class Broadcast:
    """Sync pulses of one frame, by half line. Lists of half lines count from the frame's line 1."""

    name: str
    line_us: float
    sync_us: float
    equalising_us: float
    broad_us: float
    rise_us: float
    half_lines: int
    broad: tuple[range, ...]
    equalising: tuple[range, ...]

    def frame(self) -> tuple[Array, Array]:
        """Start and width in us of every pulse of a frame."""
        width_us = np.where(np.arange(self.half_lines) % 2 == 0, self.sync_us, 0.0)
        for group in self.equalising:
            width_us[group.start : group.stop] = self.equalising_us
        for group in self.broad:
            width_us[group.start : group.stop] = self.broad_us
        there = np.flatnonzero(width_us)
        return np.asarray(there * 0.5 * self.line_us, dtype=np.float64), width_us[there]

    def wave(self, t_us: Array, frame_at_us: float) -> Array:
        """1 at the tip of a pulse, 0 elsewhere, for rising times; a frame begins at `frame_at_us`."""
        start_us, width_us = self.frame()
        frame_us = 0.5 * self.half_lines * self.line_us
        frames = np.arange(
            np.floor((t_us[0] - frame_at_us) / frame_us), np.ceil((t_us[-1] - frame_at_us) / frame_us) + 1
        )
        start_us = (frame_at_us + frames[:, None] * frame_us + start_us).ravel()
        width_us = np.tile(width_us, frames.size)
        near = (start_us > t_us[0] - 40.0) & (start_us < t_us[-1] + 5.0)
        start_us, width_us = start_us[near], width_us[near]
        along = np.linspace(-0.5, 0.5, KNOTS)
        edge_us = along * self.rise_us / 0.590
        shape = 0.5 + 0.5 * np.sin(np.pi * along)
        down = start_us[:, None] + edge_us
        up = start_us[:, None] + width_us[:, None] + edge_us
        knots = np.stack((down, up), axis=1).ravel()
        values = np.tile(np.concatenate((shape, 1.0 - shape)), start_us.size)
        return np.asarray(np.interp(t_us, knots, values, left=0.0, right=0.0))


BROADCAST_525 = Broadcast(
    "525/60", LINE_525_US, 4.70, 2.30, 0.5 * LINE_525_US - 4.70, 0.14, 1050,
    broad=(range(6, 12), range(531, 537)),
    equalising=(range(6), range(12, 18), range(525, 531), range(537, 543)),
)  # fmt: skip
BROADCAST_625 = Broadcast(
    "625/50", LINE_625_US, 4.7, 2.35, 27.3, 0.2, 1250,
    broad=(range(5), range(625, 630)),
    equalising=(range(5, 10), range(620, 625), range(630, 635), range(1245, 1250)),
)  # fmt: skip
