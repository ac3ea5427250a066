"""Whether a service is installed that this look passes by: it has settings, a book and a user of its own."""

from collections.abc import Iterator

from .. import service
from .finding import Finding, note


def passed_by() -> Iterator[Finding]:
    """Says how to look at the service, where one is installed and it is not that which is looked at."""
    if service.is_installed() and not (service.has_its_folders() and service.is_its_user()):
        what = "a service is installed; what follows is told of this user, not of it"
        yield note("service", what, f"look at it with: {service.command_line('doctor')}")
