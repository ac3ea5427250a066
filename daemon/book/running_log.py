"""The running log: levels of every reading, thinned to minimum, mean and maximum of each period, a batch at a time."""

from dataclasses import dataclass, field

import numpy as np

from ..measure.reading import Reading
from .records import ChannelLog, LogBatch, Moment

PERIOD_S = 1.0
BATCH_S = 10.0
"""So seldom an SD card is written to; and so much of the log is lost when the power goes."""
NS_PER_S = 1_000_000_000


@dataclass
class _Channel:
    """What came of one channel: where in the batch, and the level in mV."""

    role: str | None
    periods: list[int] = field(default_factory=list)
    levels_mv: list[float] = field(default_factory=list)


class RunningLog:
    """Takes readings and gives a batch once one is full; one thread uses it.

    Levels that are held are not logged: they were not measured then. A batch also ends with the stage.
    """

    def __init__(self, period_s: float = PERIOD_S, batch_s: float = BATCH_S) -> None:
        self._period_ns = round(period_s * NS_PER_S)
        self._periods = max(1, round(batch_s / period_s))
        self._began: Moment | None = None
        self._stage_id: int | None = None
        self._channels: dict[str, _Channel] = {}

    def take(self, reading: Reading, moment: Moment, stage_id: int | None = None) -> LogBatch | None:
        """A reading at that moment; gives the batch before it, where that has ended."""
        ended = None
        if self._began is not None and (self._period_of(moment) >= self._periods or stage_id != self._stage_id):
            ended = self.end()
        if self._began is None:
            self._began, self._stage_id = moment, stage_id
        period = self._period_of(moment)
        for one in reading.measured.channels:
            if one.peak_white_mv is not None and not one.held:
                channel = self._channels.setdefault(one.channel, _Channel(one.role))
                channel.periods.append(period)
                channel.levels_mv.append(one.peak_white_mv)
        return ended

    def end(self) -> LogBatch | None:
        """What was taken since the last batch; None where that is nothing."""
        began, channels = self._began, self._channels
        self._began, self._channels = None, {}
        if began is None or not channels:
            return None
        logged = tuple(ChannelLog(name, one.role, _thinned(one)) for name, one in channels.items())
        return LogBatch(began, self._period_ns // 1_000_000, logged, self._stage_id)

    def _period_of(self, moment: Moment) -> int:
        assert self._began is not None
        return max(0, (moment.monotonic_ns - self._began.monotonic_ns) // self._period_ns)


def _thinned(channel: _Channel) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    """Minimum, mean and maximum of each period, NaN where none was measured, shape (periods, 3)."""
    periods, levels_mv = np.array(channel.periods), np.array(channel.levels_mv)
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
