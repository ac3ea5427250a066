"""What is kept without anybody pressing a key, and how far what is kept may be relied on: `Keeping` is all of it."""

from ..book.clock import Clock
from .bench import Bench
from .keeping import Keeping, KeepingSettings, WatchState
from .warmth import Conditioned

__all__ = ["Bench", "Clock", "Conditioned", "Keeping", "KeepingSettings", "WatchState"]
