"""Which lines of a raster are distinct, and which line an instant lies in."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .raster import Interval, LineSpec, VerticalSync, first_line_after_vertical_sync, raster
from .systems import SYSTEMS, SystemName


@dataclass(frozen=True)
class RasterPlan:
    """What a raster depends on. `odd_line_s` is what the first line after vertical sync is longer than the others."""

    system: SystemName
    line_s: float
    progressive_lines: int | None
    vertical_sync: VerticalSync
    colour: bool
    interval: Interval
    odd_line_s: float


@dataclass(frozen=True, eq=False)
class Layout:
    """The distinct lines of a raster. A line and the one before it make one: what came before may reach into it.

    Attributes:
        pairs: (line before, line) of each row of the tables.
        row_of_line: the row of every line of the raster, line 1 first.
        line_s: line period.
        lead_s: lines are cut this long before their 0H.
        odd_line, odd_line_s: index of a line that is longer than the others, and by how much.
    """

    pairs: tuple[tuple[LineSpec, LineSpec], ...]
    row_of_line: NDArray[np.intp]
    line_s: float
    lead_s: float
    odd_line: int
    odd_line_s: float

    def positions(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where instants lie, in lines since the cut of the scene's first line."""
        if self.odd_line_s:
            return self._positions_with_odd_line(times_s)
        lines = times_s * (1 / self.line_s)
        lines += self.lead_s / self.line_s
        return lines

    def _positions_with_odd_line(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """A longer line stands still at its end, a shorter one lacks it."""
        count = self.row_of_line.size
        since_s = times_s + self.lead_s
        turns = np.floor(since_s / (count * self.line_s + self.odd_line_s))
        since_s -= turns * (count * self.line_s + self.odd_line_s)
        end_s = (self.odd_line + 1) * self.line_s
        after = since_s >= end_s + self.odd_line_s
        since_s[after] -= self.odd_line_s
        waiting = ~after & (since_s >= end_s)
        since_s[waiting] = end_s * (1 - 1e-9)
        return turns * count + np.clip(since_s / self.line_s, 0, count * (1 - 1e-12))


@lru_cache(maxsize=16)
def layout(plan: RasterPlan) -> Layout:
    """The distinct lines of a raster; the same object for the same plan."""
    system = SYSTEMS[plan.system]
    lines = raster(system, plan.progressive_lines, plan.vertical_sync, plan.colour, plan.interval)
    pairs = list(zip((lines[-1], *lines[:-1]), lines, strict=True))
    distinct = {pair: row for row, pair in enumerate(dict.fromkeys(pairs))}
    rows = np.array([distinct[pair] for pair in pairs], dtype=np.intp)
    odd_line = first_line_after_vertical_sync(system, plan.vertical_sync)
    return Layout(tuple(distinct), rows, plan.line_s, system.lead_s, odd_line, plan.odd_line_s)
