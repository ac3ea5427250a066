"""What stands in the way of the daemon on this computer: looked at, said, and what to do about each. Nothing is changed."""

from .finding import Finding
from .rounds import look

__all__ = ["Finding", "look"]
