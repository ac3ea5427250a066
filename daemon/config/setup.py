"""What is in force now: hookup, targets, pattern white and rate, swapped whole."""

from dataclasses import dataclass, field, replace

from ..measure.hookup import BENCH_DEFAULT
from ..measure.targets import Conditions

FIRST_GENERATION = 1


@dataclass(frozen=True)
class Setup:
    """What is in force now. Frozen and swapped whole; a reading carries the generation it was made under.

    Attributes:
        generation: counts up with every change.
        conditions: hookup, targets, gain specification, pattern white.
        rate_hz: captures wanted a second, 1 to 100.
    """

    generation: int = FIRST_GENERATION
    conditions: Conditions = field(default_factory=lambda: Conditions(BENCH_DEFAULT))
    rate_hz: float = 20.0


class SetupInForce:
    """Holds the one current Setup. One thread swaps it (the loop's), any thread reads it."""

    def __init__(self, setup: Setup) -> None:
        self._current = setup

    @property
    def current(self) -> Setup:
        """The set-up in force."""
        return self._current

    def swap(self, conditions: Conditions) -> Setup:
        """Put other conditions in force under the next generation, and say which that is."""
        return self.change(replace(self._current, conditions=conditions, generation=self._current.generation + 1))

    def change(self, setup: Setup) -> Setup:
        """Put another set-up in force, of a generation of its own."""
        self._current = setup
        return setup
