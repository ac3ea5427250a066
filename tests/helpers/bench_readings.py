"""Readings of a bench as a test words them, a clock that it turns by hand, and a book that remembers what it is given."""

from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from peakwhite.daemon.book.records import LogBatch, Moment, NewEvent
from peakwhite.daemon.keeping import Clock
from peakwhite.daemon.measure.reading import (
    ChannelReading,
    Hint,
    LatencyMs,
    Measured,
    Reading,
    ScopeTag,
    SyncReading,
)
from peakwhite.drivers.capture import Capture, ChannelRecord

ROLES = {"CH1": "red", "CH2": "green", "CH3": "blue"}
DEAD = Hint("channel-dead", "likely a bad contact", "swap the probes")
LEVELS: Mapping[str, float | None] = {"CH1": 750.0, "CH2": 714.0, "CH3": 700.0}
STARTED_NS = 1_767_323_045_678_000_000
S = 1_000_000_000


class TurnedClock:
    """Stands still until it is turned; the calendar can be set to something else."""

    def __init__(self) -> None:
        self.s = 5000.0
        self.wall_ahead_s = 0.0
        self.synced: bool | None = True

    @property
    def clock(self) -> Clock:
        return Clock(lambda: round(self.s * S), self._wall_ns, lambda: self.synced)

    def _wall_ns(self) -> int:
        return STARTED_NS + round((self.s + self.wall_ahead_s) * S)


def moment(second: float) -> Moment:
    """So many seconds after the bench was started."""
    return Moment(round(second * S), STARTED_NS + round(second * S), True)


def a_reading(
    levels: Mapping[str, float | None] = LEVELS,
    sync: Any = "locked",
    *,
    dead: tuple[str, ...] = (),
    held: bool = False,
    repeat_mv: float = 0.4,
    period_us: float = 63.556,
    blanking_mv: float = 0.0,
    setup: int = 1,
    identity: str = "PEAKWHITE,SIM,1,0",
) -> Reading:
    """A reading of red, green and blue with these levels."""
    seen = sync != "none"
    channels = tuple(
        ChannelReading(
            channel,
            ROLES[channel],
            peak_white_mv=None if channel in dead else level_mv,
            u95_repeat_mv=repeat_mv,
            held=held or not seen,
            blanking_mv=blanking_mv if seen else None,
            hints=(DEAD,) if channel in dead else (),
        )
        for channel, level_mv in levels.items()
    )
    line = SyncReading(sync, None, period_us, 0.006) if seen else SyncReading(sync)
    measured = Measured(line, channels, None, ())
    return Reading("9f3c", 1, setup, STARTED_NS, LatencyMs(None, None), ScopeTag(identity, None), measured)


NO_SYNC = a_reading(sync="none")


def a_capture(samples: int = 16) -> Capture:
    """A capture of one channel; what it holds does not matter."""
    return Capture((ChannelRecord("CH1", np.zeros(samples, np.uint8), 0.008, 0.0),), 1e-8, 0.0, "made", STARTED_NS)


@dataclass
class RememberingBook:
    """Takes log and events; `failure` is what comes of every event, `slow` leaves them unwritten."""

    batches: list[LogBatch] = field(default_factory=list)
    events: list[NewEvent] = field(default_factory=list)
    failure: Exception | None = None
    refusal: Exception | None = None
    slow: bool = False

    def keep_log(self, batch: LogBatch) -> None:
        self.batches.append(batch)

    def keep_event(self, event: NewEvent) -> "Future[int]":
        if self.refusal is not None:
            raise self.refusal
        self.events.append(event)
        done: Future[int] = Future()
        if self.failure is not None:
            done.set_exception(self.failure)
        elif not self.slow:
            done.set_result(len(self.events))
        return done
