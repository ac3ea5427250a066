"""How long unit and scope have been on, and whether levels may be believed yet."""

from collections.abc import Mapping
from dataclasses import dataclass

from ..book.records import Warmth
from .drift import Drift

WARM_MIN = 20.0
"""So long the levels of electronics move after it came on."""
COOLS_S = 120.0
"""What was away for less has hardly cooled down, and goes on where it was."""


class OnTime:
    """Since when something has been on, as far as that was seen: it may have been on for longer.

    Times are seconds of a clock that does not jump.
    """

    def __init__(self) -> None:
        self._on_s: float | None = None
        self._away_s: float | None = None

    def forget(self) -> None:
        """Something else stands in its place."""
        self._on_s = self._away_s = None

    def here(self, now_s: float) -> None:
        """It is seen to be on."""
        if self._on_s is None or (self._away_s is not None and now_s - self._away_s > COOLS_S):
            self._on_s = now_s
        self._away_s = None

    def away(self, now_s: float) -> None:
        """It is not seen to be on."""
        if self._away_s is None:
            self._away_s = now_s

    def said(self, now_s: float, minutes_ago: float) -> None:
        """Somebody who knows says when it came on."""
        self._on_s, self._away_s = now_s - 60.0 * minutes_ago, None

    def minutes(self, now_s: float) -> float | None:
        """For how long it has been on at least; None where it never was."""
        return None if self._on_s is None else (now_s - self._on_s) / 60.0


@dataclass(frozen=True)
class Conditioned:
    """How far unit and scope have warmed up.

    Attributes:
        unit_on_min, scope_on_min: minutes since each came on, None where it was not seen.
        drifts: how each level drifts, by role.
    """

    unit_on_min: float | None
    scope_on_min: float | None
    drifts: Mapping[str, Drift]

    @property
    def fastest(self) -> tuple[str, Drift] | None:
        """The role that drifts most, and how; None where that is not known of any."""
        drifts = self.drifts.items()
        return max(drifts, key=lambda one: abs(one[1].mv_per_min), default=None)

    @property
    def is_drifting(self) -> bool:
        """Whether some level drifts."""
        return any(drift.is_drifting for drift in self.drifts.values())

    @property
    def is_settled(self) -> bool:
        """Whether every level that is seen is sure not to drift."""
        return bool(self.drifts) and all(drift.is_settled for drift in self.drifts.values())

    @property
    def why_cold(self) -> str | None:
        """Why levels are not to be relied on yet, a sentence; None where they are."""
        for what, minutes in (("unit", self.unit_on_min), ("scope", self.scope_on_min)):
            if minutes is not None and minutes < WARM_MIN:
                return (
                    f"The {what} has been seen to be on for {minutes:.0f} min; levels may move until {WARM_MIN:.0f} min. "
                    "Say when it came on, if that was before."
                )
        drifting = [(role, drift) for role, drift in self.drifts.items() if drift.is_drifting]
        if not drifting:
            return None
        role, drift = max(drifting, key=lambda one: abs(one[1].mv_per_min))
        return f"The level of {role} drifts by {drift.mv_per_min:+.1f} mV a minute."

    @property
    def of_mark(self) -> Warmth:
        """The same as a mark carries it."""
        return Warmth(self.unit_on_min, self.scope_on_min, self.why_cold is not None)
