"""From an open link to the driver of what is at its other end."""

from .errors import LinkTimeout, ReplyError
from .families import family_of
from .family import Driver, Family
from .identity import Identity, options_in
from .links import Link, identify
from .waiting import Clock


def identity_of(link: Link, forced: Family | None = None) -> tuple[Identity, Family]:
    """What is at the other end, and its family: the one that is `forced`, else the one that knows it.

    Raises UnknownInstrument, LinkError, ReplyError.
    """
    text = identify(link)
    family = forced or family_of(text, where=link.resource)
    options = answer_if_any(link, "*OPT?") if family.has_options else None
    unsure = [question for question in family.unsure_of(Identity(text)) if answer_if_any(link, question) is not None]
    return Identity(text, options_in(options or ""), frozenset(unsure)), family


def answer_if_any(link: Link, question: str) -> str | None:
    """What is answered to a question that not every model knows; None where it stays silent, or makes no sense.

    That costs the link's time-out, after which the link is cleared and has to answer `*IDN?`. Raises LinkError, ReplyError
    where it does not.
    """
    try:
        return link.query(question)
    except (LinkTimeout, ReplyError):
        link.clear()
        identify(link)
        return None


def open_driver(link: Link, forced: Family | None, clock: Clock) -> tuple[Identity, Family, Driver]:
    """The same with the driver. Raises UnknownInstrument, LinkError, ReplyError."""
    identity, family = identity_of(link, forced)
    return identity, family, family.driver(link, identity, clock)
