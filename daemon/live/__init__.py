"""Latest-value fan-out: from the acquisition thread to every viewer, who is never owed more than the newest."""

from .hub import Hub, Viewer
from .lease import ControlLease
from .status import Problem, ScopeState, ScopeStatus

__all__ = ["ControlLease", "Hub", "Problem", "ScopeState", "ScopeStatus", "Viewer"]
