"""What the hookup was suspected of stays, though a trimmer hides what it was seen by: in the reading, so for every viewer."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from ..measure.channels import white_ratios
from ..measure.hints import OF_ONE_COLOUR, OF_THE_HOOKUP, OF_WHITE_ALONE, are_near_nominal
from ..measure.hookup import WHITE_ROLES
from ..measure.reading import ChannelReading, Hint, Measured
from ..measure.replaced import replaced
from ..measure.targets import Conditions

LASTS_S = 1.5
"""A hint that every reading of so long has shown is kept."""
JUMP = math.log(1.18)
"""Another load moves a level by a fifth or more from one reading to the next (the least: 50 for 75 ohm). No trimmer is so
quick."""


class Suspicions:
    """Of each channel with a white; they outlive the link to the scope.

    One is kept until the level has jumped, as by another load, and the sync with it where one is measured; until the loads
    were tested; until hookup, targets or pattern are others. That one colour alone is off (`one-channel-off`) goes as well
    when all three are near nominal: white is all that it was seen by, and the unit as likely as the load. Belongs to
    acquisition's thread; `forget` may be called from any.
    """

    def __init__(self) -> None:
        self._since: tuple[object, ...] = ()
        self._of: dict[str, _OfChannel] = {}

    def forget(self) -> None:
        """Somebody has looked after the loads: what the readings no longer show is not suspected any more."""
        self._since = ()

    def carried(self, measured: Measured, conditions: Conditions, now_s: float) -> Measured:
        """`measured` with what stands among the hints of each channel."""
        since = (conditions.hookup, conditions.chosen, conditions.pattern_white_pct)
        if since != self._since:
            self._since, self._of = since, {}
        live = [one for one in measured.channels if one.peak_white_mv is not None and not one.held and not one.clipped]
        gone = OF_ONE_COLOUR if are_near_nominal(white_ratios(live, conditions)) else frozenset()
        sync_mv = next((one.sync_mv for one in measured.channels if one.role == "sync"), None)

        def suspected(one: ChannelReading) -> ChannelReading:
            of = self._of.setdefault(one.channel, _OfChannel())
            own = one.sync_mv if sync_mv is None else sync_mv
            levels = (one.peak_white_mv, own) if any(one is each for each in live) else (None, None)
            stand = of.take((*measured.hints, *one.hints), levels, gone, now_s)
            more = tuple(hint for hint in stand if all(hint.code != here.code for here in one.hints))
            return replaced(one, hints=(*one.hints, *more)) if more else one

        channels = tuple(suspected(one) if one.role in WHITE_ROLES else one for one in measured.channels)
        return replace(measured, channels=channels)


@dataclass
class _Kept:
    hint: Hint
    white_jumped: bool = False
    sync_jumped: bool = False


@dataclass
class _OfChannel:
    """What one channel is suspected of. `white_mv` and `sync_mv` are the last ones seen, `seen_s` since when a hint has stood."""

    kept: dict[str, _Kept] = field(default_factory=dict)
    seen_s: dict[str, float] = field(default_factory=dict)
    white_mv: float | None = None
    sync_mv: float | None = None

    def take(
        self, hints: Sequence[Hint], levels: tuple[float | None, float | None], gone: frozenset[str], now_s: float
    ) -> list[Hint]:
        """One reading's hints on the hookup, its live levels of white and sync, and what is out of question now; gives what stands."""
        here = {hint.code: hint for hint in hints if hint.code in OF_THE_HOOKUP}
        self.seen_s = {code: self.seen_s.get(code, now_s) for code in here}
        self._follow(*levels)
        for code, hint in here.items():
            if now_s - self.seen_s[code] >= LASTS_S:
                self.kept.setdefault(code, _Kept(hint))
        for code in [code for code, one in self.kept.items() if code not in here and self._is_over(code, one, gone)]:
            del self.kept[code]
        return [one.hint for one in self.kept.values()]

    def _follow(self, white_mv: float | None, sync_mv: float | None) -> None:
        for one in self.kept.values():
            one.white_jumped |= _jumped(self.white_mv, white_mv)
            one.sync_jumped |= _jumped(self.sync_mv, sync_mv)
        self.white_mv = self.white_mv if white_mv is None else white_mv
        self.sync_mv = self.sync_mv if sync_mv is None else sync_mv

    def _is_over(self, code: str, one: _Kept, gone: frozenset[str]) -> bool:
        sync_agrees = one.sync_jumped or self.sync_mv is None or code in OF_WHITE_ALONE
        return code in gone or (one.white_jumped and sync_agrees)


def _jumped(before: float | None, now: float | None) -> bool:
    return before is not None and now is not None and before > 0 < now and abs(math.log(now / before)) > JUMP
