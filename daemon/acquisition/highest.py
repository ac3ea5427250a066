"""The highest sustained level of every channel since it was last reset, with the age of its sighting."""

from dataclasses import replace

from ..measure.reading import ChannelReading, HighestReading, Measured
from ..measure.replaced import replaced
from ..measure.targets import Conditions


class HighestSeen:
    """Outlives the link to the scope; begins anew where the set-up says so: on a reset, another hookup, pattern or calibration."""

    def __init__(self) -> None:
        self._since: tuple[object, ...] = ()
        self._seen: dict[str, tuple[HighestReading, float]] = {}

    def carried(self, measured: Measured, conditions: Conditions, now_s: float) -> Measured:
        """`measured` with the highest level seen on each channel, as old as it is; as it stands where none is held."""
        since = (conditions.hold_since, conditions.hookup, conditions.pattern_white_pct, conditions.calibrations)
        if since != self._since:
            self._since, self._seen = since, {}
        if conditions.hold_since is None:
            return measured
        return replace(measured, channels=tuple(self._channel(channel, now_s) for channel in measured.channels))

    def _channel(self, channel: ChannelReading, now_s: float) -> ChannelReading:
        now = channel.highest
        best = self._seen.get(channel.channel)
        if now is not None and (best is None or now.level_mv >= best[0].level_mv):
            best = self._seen[channel.channel] = (now, now_s)
        if best is None:
            return channel
        return replaced(channel, highest=replace(best[0], age_s=now_s - best[1]))
