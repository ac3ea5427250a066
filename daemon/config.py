"""Settings from a TOML file, and the set-up that is in force."""

from dataclasses import dataclass, field

from .measure.hookup import BENCH_DEFAULT
from .measure.targets import Conditions


@dataclass(frozen=True)
class Setup:
    """What is in force now. Frozen and swapped whole; a reading carries the generation it was made under.

    Attributes:
        generation: counts up with every change.
        conditions: hookup, targets, gain specification, pattern white.
        rate_hz: captures wanted a second, 1 to 100.
    """

    generation: int = 1
    conditions: Conditions = field(default_factory=lambda: Conditions(BENCH_DEFAULT))
    rate_hz: float = 20.0
