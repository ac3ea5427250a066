"""What a book's keeper tells of its problems, and a way to wait for it."""

import threading

from peakwhite.daemon.live.status import Problem

SOON_S = 20.0


class Told:
    """Given as `tell` to a keeper."""

    def __init__(self) -> None:
        self.history: list[tuple[Problem, ...]] = []
        self._changed = threading.Condition()

    def __call__(self, problems: tuple[Problem, ...]) -> None:
        with self._changed:
            self.history.append(problems)
            self._changed.notify_all()

    def codes(self) -> list[str]:
        """Codes of what is wrong now."""
        return [problem.code for problem in self.history[-1]] if self.history else []

    def wait_for(self, *codes: str) -> None:
        """Until just these are wrong."""
        with self._changed:
            assert self._changed.wait_for(lambda: self.codes() == list(codes), SOON_S), self.history
