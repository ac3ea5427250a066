"""The running log: levels of every reading, thinned to minimum, mean and maximum of each period, a batch at a time."""

from dataclasses import dataclass, field

import numpy as np

from ..measure.reading import Reading
from .records import ChannelLog, LogBatch, Moment

PERIOD_S = 1.0
BATCH_S = 10.0
"""So seldom an SD card is written to; and so much of the log is lost when the power goes."""
STRETCH_PERIODS = 60
"""So long a stretch grows, batch by batch, before another begins: in a book that rewrites one page for most of them, and
only for a new stretch those of indexes and numbers too. Longer ones are rewritten dearer."""
NS_PER_S = 1_000_000_000
_Thinned = np.ndarray[tuple[int, ...], np.dtype[np.float32]]
_Levels = np.ndarray[tuple[int, ...], np.dtype[np.float64]]


@dataclass
class _Channel:
    """What came of one channel: of the stretch so far, and since the last batch where in it and the level in mV."""

    role: str | None
    so_far: _Thinned
    periods: list[int] = field(default_factory=list)
    levels_mv: list[float] = field(default_factory=list)
    length: int = 0

    def thin(self) -> None:
        """Take what came since the last batch into the stretch."""
        first, self.length = min(self.periods), max(self.periods) + 1
        self.so_far[first : self.length] = _thinned(np.array(self.periods) - first, np.array(self.levels_mv))
        self.periods, self.levels_mv = [], []


class RunningLog:
    """Takes readings and gives a batch whenever one is full; one thread uses it.

    A batch is all of its stretch so far: it takes the place of the one before that began at the same moment, and is as
    long from the beginning, so that it finds room there. Levels that are held are not logged: they were not measured
    then. A stretch also ends with the stage, or with another role.
    """

    def __init__(self, period_s: float = PERIOD_S, batch_s: float = BATCH_S) -> None:
        self._period_ns = round(period_s * NS_PER_S)
        self._batch = max(1, round(batch_s / period_s))
        self._stretch = self._batch * max(1, round(STRETCH_PERIODS / self._batch))
        self._began: Moment | None = None
        self._due = self._batch
        self._stage_id: int | None = None
        self._channels: dict[str, _Channel] = {}

    def take(self, reading: Reading, moment: Moment, stage_id: int | None = None) -> LogBatch | None:
        """A reading at that moment; gives the batch before it, where that has ended."""
        ended = None
        if self._began is not None:
            period = self._period_of(moment)
            if period >= self._stretch or stage_id != self._stage_id or self._is_other_signal(reading):
                ended = self.end()
            elif period >= self._due:
                ended = self._so_far(self._stretch)
                self._due = (period // self._batch + 1) * self._batch
        if self._began is None:
            self._began, self._due, self._stage_id = moment, self._batch, stage_id
        period = self._period_of(moment)
        for one in reading.measured.channels:
            if one.peak_white_mv is not None and not one.held:
                channel = self._channels.setdefault(one.channel, self._channel(one.role))
                channel.periods.append(period)
                channel.levels_mv.append(one.peak_white_mv)
        return ended

    def end(self) -> LogBatch | None:
        """The last batch of this stretch; None where nothing was taken since the one before."""
        last = self._so_far()
        self._began, self._channels = None, {}
        return last

    def _so_far(self, least: int = 0) -> LogBatch | None:
        """The stretch so far, of channels of which something came since the last batch; None where that is nothing."""
        given = {name: one for name, one in self._channels.items() if one.periods}
        if self._began is None or not given:
            return None
        for one in given.values():
            one.thin()
        logged = (
            ChannelLog(name, one.role, one.so_far[: max(one.length, least)].copy()) for name, one in given.items()
        )
        return LogBatch(self._began, self._period_ns // 1_000_000, tuple(logged), self._stage_id)

    def _channel(self, role: str | None) -> _Channel:
        return _Channel(role, np.full((self._stretch, 3), np.nan, np.float32))

    def _is_other_signal(self, reading: Reading) -> bool:
        channels = ((one.role, self._channels.get(one.channel)) for one in reading.measured.channels)
        return any(known is not None and known.role != role for role, known in channels)

    def _period_of(self, moment: Moment) -> int:
        assert self._began is not None
        period = (moment.monotonic_ns - self._began.monotonic_ns) // self._period_ns
        return max(self._due - self._batch, period)


def _thinned(periods: np.ndarray[tuple[int, ...], np.dtype[np.int64]], levels_mv: _Levels) -> _Thinned:
    """Minimum, mean and maximum of each period, NaN where none was measured, shape (periods, 3)."""
    count = int(periods.max()) + 1
    seen = np.bincount(periods, minlength=count)
    thinned = np.full((count, 3), np.nan)
    some = seen > 0
    thinned[some, 1] = np.bincount(periods, levels_mv, count)[some] / seen[some]
    for column, extreme, start in ((0, np.minimum, np.inf), (2, np.maximum, -np.inf)):
        found = np.full(count, start)
        extreme.at(found, periods, levels_mv)
        thinned[some, column] = found[some]
    return thinned.astype(np.float32)
