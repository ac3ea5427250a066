"""The SCPI error queue: read empty after a set-up, so that a refused setting does not go unnoticed."""

from .errors import InstrumentRejected
from .links import Link
from .replies import short, whole_number

LIMIT = 20
"""A queue that never empties is not read for ever."""
SHOWN = 3


def raise_rejections(link: Link, query: str = ":SYST:ERR?") -> None:
    """Read the queue, `-113,"Undefined header"` and the like, until it says 0.

    Raises InstrumentRejected with the instrument's own words, LinkError, ReplyError.
    """
    errors: list[str] = []
    while len(errors) < LIMIT:
        reply = link.query(query)
        if whole_number(reply.partition(",")[0], of=query, where=link.resource) == 0:
            break
        errors.append(short(reply))
    if errors:
        raise rejected("; ".join(errors[:SHOWN]), where=link.resource)


def rejected(words: str, *, where: str) -> InstrumentRejected:
    """The error for a setting that the instrument refused in these words."""
    return InstrumentRejected(f"it refused a setting: {words}", where=where, do="check the hookup and the family")
