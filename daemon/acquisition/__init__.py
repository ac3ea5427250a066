"""One thread owns the source: connect, configure, capture, measure, reconnect."""

from .source import NoTrigger, Source, Task
from .thread import Acquisition, Outlet

__all__ = ["Acquisition", "NoTrigger", "Outlet", "Source", "Task"]
