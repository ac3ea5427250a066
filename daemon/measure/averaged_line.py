"""The averaged line under the sync, and single lines beside it: what the page draws of every channel."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord
from .binning import bin_means, samples_per_bin, usable_samples
from .channels import Measuring, dark_mv
from .evidence import NO_EVIDENCE, Evidence, evidence
from .line_grid import picture_lines

FINEST_MV = 0.1
"""One count of a trace, where the levels fit; coarser by powers of two where they do not."""
BEFORE_SYNC_US = 1.0
"""A line is drawn from so long before its 0H, so that some front porch is seen, to so long before the next one's."""
LEAST_SAMPLES = 8
"""No window is shorter."""


@dataclass(frozen=True)
class LineView:
    """What is asked for of a line: about how many columns, of which window after 0H (None: the whole line), and how many
    single lines beside the averaged one."""

    columns: int
    from_us: float | None = None
    to_us: float | None = None
    singles: int = 0


@dataclass(frozen=True, eq=False)
class Trace:
    """One channel's lines.

    Attributes:
        channel, role: whose they are; role is None where nothing is clipped to the channel.
        mv_per_count: what one step of `pairs` is worth, against scope zero.
        pairs: int16, shape (1 + singles, columns, 2): lowest and highest level in each column, averaged line first.
        evidence: what the channel's level stands on.
    """

    channel: str
    role: str | None
    mv_per_count: float
    pairs: NDArray[np.int16]
    evidence: Evidence = NO_EVIDENCE


@dataclass(frozen=True, eq=False)
class AveragedLine:
    """Every channel over the same columns; column 0 begins `start_us` after 0H (negative: before).

    Attributes:
        start_us, us_per_column: where the columns lie.
        whole_us: from where to where a whole line is drawn.
        lines: how many lines were averaged.
        singles: which of these stand beside it, counted from 0.
        traces: one a channel.
    """

    start_us: float
    us_per_column: float
    whole_us: tuple[float, float]
    lines: int
    singles: tuple[int, ...]
    traces: tuple[Trace, ...]


class LinesUnderSync:
    """The picture lines of one capture that was measured, laid over each other, by the calibrations that hold."""

    def __init__(self, measuring: Measuring) -> None:
        self._measuring = measuring
        self._capture, self._conditions = measuring.capture, measuring.conditions
        self._binned: dict[tuple[str, int], NDArray[np.generic]] = {}

    @cached_property
    def edges_us(self) -> NDArray[np.float64]:
        """0H of every picture line that lies whole within the record; none without line sync."""
        sync = self._measuring.sync.lines
        if sync.state not in ("locked", "blanking-only"):
            return np.empty(0)
        edges_us = sync.edges_us[picture_lines(sync)]
        until_us = usable_samples(self._capture.samples, samples_per_bin(self._step_s)) * self._step_s * 1e6
        whole = (edges_us >= BEFORE_SYNC_US) & (edges_us + self.whole_us[1] <= until_us)
        return np.asarray(edges_us[whole])

    @property
    def whole_us(self) -> tuple[float, float]:
        """From where to where a whole line is drawn, after 0H."""
        return -BEFORE_SYNC_US, self._measuring.sync.lines.period_us - BEFORE_SYNC_US

    def drawn(self, view: LineView) -> AveragedLine | None:
        """What the view asks for; None without line sync.

        There are never more columns than the record has samples there. Of a narrow window the record's own samples are
        averaged, of a wide one means of neighbouring ones.
        """
        if self.edges_us.size == 0:
            return None
        from_us, to_us = self._window(view)
        count = samples_per_bin(self._step_s)
        while count > 1 and (to_us - from_us) / (count * self._step_s * 1e6) < view.columns:
            count //= 2
        bin_us = count * self._step_s * 1e6
        bins = max(1, math.floor((to_us - from_us) / bin_us + 1e-6))
        columns = max(1, min(view.columns, bins))
        middle_us = (count - 1) / 2 * self._step_s * 1e6
        first = np.round((self.edges_us + from_us - middle_us) / bin_us).astype(np.intp)
        place = first[:, None] + np.arange(bins)
        singles = _spread(self.edges_us.size, view.singles)
        traces = tuple(self._trace(record, count, place, columns, singles) for record in self._capture.channels)
        return AveragedLine(
            from_us, bins * bin_us / columns, self.whole_us, self.edges_us.size, tuple(singles.tolist()), traces
        )

    @property
    def _step_s(self) -> float:
        return self._capture.seconds_per_sample

    def _window(self, view: LineView) -> tuple[float, float]:
        """The window asked for, as far as it lies within the line."""
        first_us, last_us = self.whole_us
        if view.from_us is None or view.to_us is None:
            return first_us, last_us
        least_us = min(LEAST_SAMPLES * self._step_s * 1e6, last_us - first_us)
        from_us = min(max(view.from_us, first_us), last_us - least_us)
        return from_us, max(min(view.to_us, last_us), from_us + least_us)

    def _trace(
        self, record: ChannelRecord, count: int, place: NDArray[np.intp], columns: int, singles: NDArray[np.intp]
    ) -> Trace:
        clip = self._conditions.hookup.of_channel(record.name)
        ratio = clip.probe_ratio if clip else 1.0
        rows = self._means(record, count).take(place, mode="clip")
        codes = np.concatenate((rows.mean(axis=0, dtype=np.float64)[None], rows[singles]))
        level_mv = (codes * record.mv_per_code + record.mv_at_code_zero) * ratio
        edges = np.linspace(0, level_mv.shape[1], columns + 1).astype(np.intp)[:-1]
        low, high = np.minimum.reduceat(level_mv, edges, axis=1), np.maximum.reduceat(level_mv, edges, axis=1)
        mv_per_count = FINEST_MV
        while max(float(np.max(high)), -float(np.min(low))) / mv_per_count > 32_000.0:
            mv_per_count *= 2.0
        pairs = np.round(np.stack((low, high), axis=2) / mv_per_count).astype(np.int16)
        found = self._evidence.get(record.name, NO_EVIDENCE)
        return Trace(record.name, clip.role if clip else None, mv_per_count, pairs, found)

    def _means(self, record: ChannelRecord, count: int) -> NDArray[np.generic]:
        """Means of `count` neighbouring codes, computed once; the codes themselves for 1."""
        if count == 1:
            return record.codes
        key = record.name, count
        if key not in self._binned:
            self._binned[key] = bin_means(record.codes, count)
        return self._binned[key]

    @cached_property
    def _evidence(self) -> Mapping[str, Evidence]:
        """By channel, for those that have a level."""
        found = {}
        for channel, levels in self._measuring.levels.items():
            clip = self._conditions.hookup.of_channel(channel)
            target = self._conditions.target_of(clip.role, self._measuring.sync.system.name) if clip else None
            found[channel] = evidence(levels, dark_mv(target))
        return found


def _spread(lines: int, singles: int) -> NDArray[np.intp]:
    """So many lines spread evenly over all, or all where there are fewer."""
    count = min(singles, lines)
    return (np.arange(count) * (lines - 1) // max(1, count - 1)).astype(np.intp)
