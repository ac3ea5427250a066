"""What is kept without anybody pressing a key, and how far what is kept may be relied on: `Keeping` is all of it."""

from .clock import Clock
from .keeping import Keeping, KeepingSettings, WatchState
from .warmth import Conditioned

__all__ = ["Clock", "Conditioned", "Keeping", "KeepingSettings", "WatchState"]
