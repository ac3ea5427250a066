"""One thread owns the source: connect, configure, capture, measure, reconnect."""

from .session import Job, Outlet, Time
from .source import Note, NoTrigger, Source, Task
from .suspicions import Suspicions
from .thread import Acquisition

__all__ = ["Acquisition", "Job", "NoTrigger", "Note", "Outlet", "Source", "Suspicions", "Task", "Time"]
