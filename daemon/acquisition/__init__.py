"""One thread owns the source: connect, configure, capture, measure, reconnect."""

from .session import Job, Outlet, Time
from .source import Note, NoTrigger, Source, Task
from .suspicions import Suspicions
from .thread import Acquisition, Origin

__all__ = ["Acquisition", "Job", "NoTrigger", "Note", "Origin", "Outlet", "Source", "Suspicions", "Task", "Time"]
