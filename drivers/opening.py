"""From an open link to the driver of what is at its other end."""

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
    return Identity(text, options_in(link.query("*OPT?")) if family.has_options else ()), family


def open_driver(link: Link, forced: Family | None, clock: Clock) -> tuple[Identity, Family, Driver]:
    """The same with the driver. Raises UnknownInstrument, LinkError, ReplyError."""
    identity, family = identity_of(link, forced)
    return identity, family, family.driver(link, identity, clock)
