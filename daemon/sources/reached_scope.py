"""A scope that has been reached: its link, what it is, and its driver."""

from dataclasses import dataclass

from ...drivers.capture import EXT, GainSpec
from ...drivers.errors import InstrumentRejected, PeakwhiteError, UsageError
from ...drivers.families import family_named
from ...drivers.family import Driver, channel_number
from ...drivers.links import Link, open_link
from ...drivers.opening import open_driver
from ...drivers.waiting import Clock
from ..measure.hookup import COLOURS, Hookup


@dataclass(frozen=True)
class ReachedScope:
    """An open link and the driver at its end. `gain_spec` None: the scope is none of the family that was forced on it."""

    link: Link
    identity: str
    driver: Driver
    gain_spec: GainSpec | None


def reach(
    resource: str, family: str | None, clock: Clock, *, timeout_s: float, connect_timeout_s: float
) -> ReachedScope:
    """Open the scope and find its driver, by its identity or by the name of a family that is forced on it.

    Raises MalformedResource, UsageError for an unknown family, UnknownInstrument, LinkError, ReplyError.
    """
    forced = None if family is None else family_named(family)
    link = open_link(resource, timeout_s=timeout_s, connect_timeout_s=connect_timeout_s)
    try:
        identity, chosen, driver = open_driver(link, forced, clock)
    except PeakwhiteError:
        link.close()
        raise
    return ReachedScope(link, identity.text, driver, chosen.gain_spec_of(identity))


def check_hookup(hookup: Hookup, driver: Driver, *, where: str) -> None:
    """Raises UsageError where the scope lacks a channel of the hookup."""
    if hookup.of_channel(EXT) is not None and not driver.abilities.ext_input:
        do = "trigger on a channel: give sync a probe of its own, or leave it out"
        raise UsageError(f"{EXT} is not driven in this family", where=where, do=do)
    count = driver.abilities.channels
    for clip in hookup.recorded.clips:
        try:
            channel_number(clip.channel, count, where=where)
        except InstrumentRejected as error:
            if len(hookup.recorded.clips) > count:
                raise _too_many(hookup, count, where) from error
            raise UsageError(error.what, where=error.where, do=error.do) from error


def _too_many(hookup: Hookup, count: int, where: str) -> UsageError:
    """The hookup wants more channels than there are: how to do with these."""
    has = " and ".join(f"CH{number}" for number in range(1, count + 1))
    what = f"the hookup names {len(hookup.recorded.clips)} channels, and the scope has {has}"
    colours = [clip.role for clip in hookup.clips if clip.role in COLOURS]
    if len(colours) < 2:
        return UsageError(what, where=where, do="leave out of the hookup what is not needed for a level")
    rest = f"sync on CH{count}" if count > 1 else "nothing else"
    do = f"change the hookup to {colours[0]} on CH1 and {rest}; move that one probe over {', '.join(colours)} to match them"
    return UsageError(what, where=where, do=do)
