"""How much may be written: some at once, and so much an hour."""

HOUR_S = 3600.0


class Allowance:
    """What was not used is saved up, but never more than `at_once`. Times are seconds of a clock that does not jump."""

    def __init__(self, at_once: float, an_hour: float) -> None:
        self._at_once = at_once
        self._an_hour = an_hour
        self._left = at_once
        self._at_s: float | None = None

    def take(self, amount: float, now_s: float) -> bool:
        """Take so much; False, and nothing is taken, where that is not there. More than `at_once` counts as that."""
        if self._at_s is not None:
            self._left = min(self._at_once, self._left + (now_s - self._at_s) / HOUR_S * self._an_hour)
        self._at_s = now_s
        amount = min(amount, self._at_once)
        if amount > self._left:
            return False
        self._left -= amount
        return True
