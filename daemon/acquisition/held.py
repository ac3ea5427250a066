"""Levels that a record did not show are held from the one before, marked with their age, for ten seconds."""

from dataclasses import replace

from ..measure.hookup import WHITE_ROLES
from ..measure.reading import ChannelReading, Measured
from ..measure.replaced import replaced
from .fields import lacks_white

NOT_SEEN = ("none", "vertical-interval")
"""States of sync in which a record shows no picture."""
DEAD = "channel-dead"
"""The hint that nothing arrives on a channel: what it once showed is not so any longer."""
HOLD_S = 10.0
"""As long as the page's trail, and as long as one field capture lies from the next."""

_LEVEL = (
    "peak_white_mv", "u95_mv", "u95_repeat_mv", "low_mv", "high_mv", "target", "edges_mv", "aim_mv", "off_aim_mv",
    "zone", "verdict", "p_over", "p_too_low", "decidable", "top_checked",
    "path", "reference",
)  # fmt: skip
"""What belongs to the level and is held with it; everything else is always that of the new record."""


class HeldLevels:
    """The last level of every channel, for as long as the set-up stays."""

    def __init__(self) -> None:
        self._seen: dict[str, tuple[ChannelReading, float]] = {}

    def forget(self) -> None:
        """Another set-up: what was measured under the old one is not held."""
        self._seen.clear()

    def held(self, measured: Measured, now_s: float) -> Measured:
        """`measured` with the levels that it lacks, where they were seen no longer than HOLD_S ago."""
        return replace(measured, channels=tuple(self._channel(measured, item, now_s) for item in measured.channels))

    def _channel(self, measured: Measured, channel: ChannelReading, now_s: float) -> ChannelReading:
        if channel.role not in WHITE_ROLES:
            return channel
        if channel.peak_white_mv is not None:
            self._seen[channel.channel] = (channel, now_s)
            return channel
        if any(hint.code == DEAD for hint in channel.hints):
            self._seen.pop(channel.channel, None)
            return channel
        if not (measured.sync.state in NOT_SEEN or lacks_white(measured, channel.channel)):
            return channel
        last, seen_s = self._seen.get(channel.channel, (channel, -HOLD_S))
        age_s = now_s - seen_s
        if last.role != channel.role or age_s >= HOLD_S:
            return channel
        return replaced(channel, held=True, age_s=age_s, **{name: getattr(last, name) for name in _LEVEL})
