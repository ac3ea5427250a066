"""Whether the unit on the bench is still the one that is named: asked of the user, never guessed."""

from dataclasses import dataclass

from .traits import Traits, difference, joined

AWAY_S = 3.0
"""Within this nobody pulls a unit's plugs and puts them into another; contacts that fail come back sooner."""
UNSEEN_S = 60.0
"""The same where the scope was gone, and nobody knows whether sync was there meanwhile."""
COMPARED_S, COMPARED_READINGS = 2.0, 4
"""So long after a short loss of sync, and for so many readings at least, it is looked whether another unit has come back."""
DIFFERENT_READINGS = 2
"""In a row; one alone may have been taken while contact was being made."""


@dataclass(frozen=True)
class Question:
    """Is it still the same unit? `text` is a clause that says why that is asked, `since_s` since when.

    `is_back`: sync is there again, since then.
    """

    text: str
    since_s: float
    is_back: bool = False


class UnitOnBench:
    """Follows sync, and asks when another unit may have been plugged in. Times are seconds of a clock that does not jump.

    Sync that was away for longer than AWAY_S asks whatever comes back: two units of a batch may well agree within their
    uncertainties. After a shorter loss, a contact that failed for a moment, it asks only where something else is back.
    """

    def __init__(self) -> None:
        self._known: Traits | None = None
        self._away_s: float | None = None
        self._is_unseen = False
        self._compare_until_s: float | None = None
        self._different = self._compared = 0
        self._question: Question | None = None
        self._answered_while_away = False

    def synced(self, traits: Traits, now_s: float) -> None:
        """A reading with sync shows this."""
        if self._away_s is not None:
            self._back(now_s)
        if self._question is not None:
            return
        if self._compare_until_s is not None and (now_s <= self._compare_until_s or self._compared < COMPARED_READINGS):
            self._compare(traits, now_s)
        else:
            self._compare_until_s = None
            self._known = joined(self._known, traits)

    def unsynced(self, now_s: float) -> None:
        """The scope is there and shows no sync."""
        if self._is_unseen and self._away_s is not None and now_s - self._away_s <= UNSEEN_S:
            self._away_s = None
        self._is_unseen = False
        self._goes(now_s)

    def unseen(self, now_s: float) -> None:
        """The scope is gone: nobody knows."""
        self._is_unseen = self._is_unseen or self._away_s is None
        self._goes(now_s)

    def question(self, now_s: float) -> Question | None:
        """What is asked now; nothing is kept under the unit's name before it is answered."""
        if self._question is not None or self._away_s is None or self._known is None or self._answered_while_away:
            return self._question
        if not self._is_long(now_s):
            return None
        return Question(f"{self._what} has been away for {now_s - self._away_s:.0f} s", self._away_s)

    def ask(self, text: str, now_s: float) -> None:
        """Nobody has seen what was on the bench until now; `text` says why."""
        self._question = Question(text, now_s, is_back=True)

    def same(self) -> None:
        """It is the same unit. Said while sync is away it holds until sync is back, which is then asked about anew."""
        self._answer()

    def other(self) -> None:
        """The unit that is there, or is plugged in next, is the one that is named from now on."""
        self._answer()
        self._known = None

    def _answer(self) -> None:
        if self._question is not None:
            self._known = None  # of the unit before, or not to be compared with any longer
        self._question = None
        self._compare_until_s = None
        self._answered_while_away = self._away_s is not None

    @property
    def _what(self) -> str:
        return "the scope" if self._is_unseen else "sync"

    def _goes(self, now_s: float) -> None:
        if self._away_s is None:
            self._away_s, self._answered_while_away = now_s, False

    def _is_long(self, now_s: float) -> bool:
        """Whether it was away for so long that it may be another unit, whatever it shows."""
        return self._away_s is not None and now_s - self._away_s > (UNSEEN_S if self._is_unseen else AWAY_S)

    def _back(self, now_s: float) -> None:
        """Sync is back."""
        assert self._away_s is not None
        away_s, was_long, what = now_s - self._away_s, self._is_long(now_s), self._what
        self._away_s, self._is_unseen, self._different, self._compared = None, False, 0, 0
        if self._known is None or self._question is not None:
            return
        if was_long:
            self._question = Question(f"{what} was away for {away_s:.0f} s and is back", now_s, is_back=True)
        else:
            self._compare_until_s = now_s + COMPARED_S

    def _compare(self, traits: Traits, now_s: float) -> None:
        assert self._known is not None
        self._compared += 1
        differs = difference(self._known, traits)
        self._different = 0 if differs is None else self._different + 1
        if differs is not None and self._different >= DIFFERENT_READINGS:
            self._question = Question(f"sync was away for a moment, and now {differs}", now_s, is_back=True)
