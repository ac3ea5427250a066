"""Levels that leave their band, sync that drops, channels that die: noticed once each, not once a reading."""

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from ..measure.reading import ChannelReading, Reading
from ..measure.robust import median

FaultKind = Literal["level", "sync-lost", "channel-dead"]
FAULTS: tuple[FaultKind, ...] = ("level", "sync-lost", "channel-dead")

LEARN = 10
"""Readings from which it is learned what is normal."""
QUIET_S = 0.3
"""So long all must have been well again before the same fault counts anew: a board is tapped about twice a second."""
MOVED_S = 10.0
"""A level that stays elsewhere for longer has another normal: somebody turned it."""
FOLLOW_S = 60.0
"""Time constant with which the normal follows a level within its band: warming up is no fault."""
NOISES = 2.0
"""No band is narrower than so many u95 of the level's repeatable part."""
DEAD = "channel-dead"
LOCKED = ("locked", "vertical-interval")


@dataclass(frozen=True)
class Fault:
    """What happened: a kind for machines, a sentence, and the channel where it is one's."""

    kind: FaultKind
    text: str
    channel: str | None = None


@dataclass
class _Armed:
    """Whether a fault would be told; after one not before all was well for QUIET_S."""

    is_armed: bool = True
    well_since_s: float | None = None

    def fault(self) -> bool:
        """It is there; whether that is to be told."""
        told, self.is_armed, self.well_since_s = self.is_armed, False, None
        return told

    def well(self, now_s: float) -> None:
        """It is not there."""
        if self.well_since_s is None:
            self.well_since_s = now_s
        self.is_armed = self.is_armed or now_s - self.well_since_s >= QUIET_S


@dataclass
class _Channel:
    learned_mv: list[float] = field(default_factory=list)
    normal_mv: float | None = None
    inside_s: float = 0.0
    level: _Armed = field(default_factory=_Armed)
    dead: _Armed = field(default_factory=_Armed)
    was_alive: bool = False


class Excursions:
    """What is not as it was. Times are seconds of a clock that does not jump.

    Args:
        band_mv: a level that is further than this from what is normal has left its band.
    """

    def __init__(self, band_mv: float) -> None:
        self._band_mv = band_mv
        self._sync = _Armed()
        self._had_sync = self._was_locked = False
        self._channels: dict[str, _Channel] = {}

    def forget(self) -> None:
        """Another unit or set-up: what is normal is learned anew."""
        self._sync, self._had_sync, self._was_locked = _Armed(), False, False
        self._channels.clear()

    def take(self, reading: Reading, now_s: float) -> tuple[Fault, ...]:
        """The faults that this reading shows first."""
        state = reading.measured.sync.state
        self._was_locked = self._was_locked or state in LOCKED
        if state not in LOCKED and (self._was_locked or state == "none"):
            return self.no_sync(now_s)
        self._had_sync = True
        self._sync.well(now_s)
        found = [self._channel(one, now_s) for one in reading.measured.channels if one.role is not None]
        return tuple(fault for fault in found if fault is not None)

    def no_sync(self, now_s: float) -> tuple[Fault, ...]:
        """There is no sync, or not even a trigger; where it once was locked, blanking alone is none."""
        self._channels.clear()
        if not self._had_sync or not self._sync.fault():
            return ()
        return (Fault("sync-lost", "Sync dropped."),)

    def _channel(self, one: ChannelReading, now_s: float) -> Fault | None:
        channel = self._channels.setdefault(one.channel, _Channel())
        if any(hint.code == DEAD for hint in one.hints):
            told = channel.dead.fault() and channel.was_alive
            return Fault("channel-dead", f"{one.role} died while others showed picture.", one.channel) if told else None
        if one.peak_white_mv is None or one.held:
            return None
        channel.was_alive = True
        channel.dead.well(now_s)
        return self._level(channel, one, one.peak_white_mv, now_s)

    def _level(self, channel: _Channel, one: ChannelReading, level_mv: float, now_s: float) -> Fault | None:
        normal_mv = channel.normal_mv
        if normal_mv is None:
            _learn(channel, level_mv, now_s)
            return None
        off_mv = level_mv - normal_mv
        if abs(off_mv) <= max(self._band_mv, NOISES * (one.u95_repeat_mv or 0.0)):
            channel.level.well(now_s)
            follow = -math.expm1(-(now_s - channel.inside_s) / FOLLOW_S)
            channel.normal_mv, channel.inside_s = normal_mv + follow * off_mv, now_s
            return None
        if now_s - channel.inside_s > MOVED_S and not channel.level.is_armed:
            channel.normal_mv, channel.level = None, _Armed()
            return None
        if not channel.level.fault():
            return None
        side = "above" if off_mv > 0.0 else "below"
        text = f"{one.role} went to {level_mv:.1f} mV, {abs(off_mv):.1f} mV {side} what it was."
        return Fault("level", text, one.channel)


def _learn(channel: _Channel, level_mv: float, now_s: float) -> None:
    channel.learned_mv.append(level_mv)
    if len(channel.learned_mv) >= LEARN:
        channel.normal_mv, channel.inside_s = median(np.array(channel.learned_mv)), now_s
        channel.learned_mv = []
