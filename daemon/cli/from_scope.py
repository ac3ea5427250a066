"""Captures straight from the scope, for commands that take a few and end."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from ...drivers.capture import FORCED, Capture
from ...drivers.errors import InstrumentError, UsageError
from ..acquisition import NoTrigger, Source
from ..acquisition.pace import rest_s
from ..config.settings import Settings
from ..measure.levels import is_clipped
from .ending import ended_afterwards, ended_in_order
from .output import warn

if TYPE_CHECKING:
    from ..sources.borrowed_scope import BorrowedScope

MOST_TRIES = 8
DEADLINE_S = 2.0
HANDS_OFF = "hands-off-"
"""What begins the codes of notes on a scope that only its user sets."""


@contextmanager
def opened_scope(settings: Settings, *, scope: str | None, family: str | None, where: str) -> Iterator[Source]:
    """The scope that is named, else that of the settings; `where` is the command that asks.

    It is opened as the settings say: hands off, or set up and given back or not. SIGINT and SIGTERM end what is done
    with it in order; while it is given back they wait.
    Raises UsageError, MalformedResource, UnknownInstrument, LinkError.
    """
    resource = scope or settings.tables.scope.resource
    if resource is None:
        raise UsageError(
            "no scope is named", where=where, do="give --scope RESOURCE, or resource under [scope] in the settings"
        )
    from ..sources.borrowed_scope import borrowed_scope

    table = settings.tables.scope
    borrowed = borrowed_scope(table, resource, family=family or table.family, hands_off=table.hands_off, tell=warn)
    source, failure = borrowed.open(), None
    try:
        with ended_in_order():
            yield source
    except InstrumentError as error:
        failure = error
        raise
    finally:
        with ended_afterwards():
            _give_back(source, borrowed, failure)


def _give_back(source: Source, borrowed: "BorrowedScope", failure: InstrumentError | None) -> None:
    """Close the scope, and say where it has not got its set-up back: with the failure, where there is one."""
    source.close()
    borrowed.give_back(0.0 if failure is None else rest_s(failure))
    told = borrowed.not_given_back
    if told is not None and failure is not None:
        failure.do += f"; its set-up could not be given back ({borrowed.users.owed}), so set it by hand"
    elif told is not None:
        warn(told)


def settled(source: Source, channels: Sequence[str], *, triggered: bool = False) -> Capture:
    """A capture that has these channels on their ranges, `triggered` by an edge where that is asked for.

    A configured source learns ranges and trigger level from what it captured, so that a few tries do. Raises
    InstrumentError.
    """
    off: list[str] = []
    for _ in range(MOST_TRIES):
        capture = one_capture(source)
        records = {name: capture.channel(name) for name in channels}
        off = [name for name, record in records.items() if record is None or is_clipped(record)]
        if not off and not (triggered and capture.triggered_by == FORCED):
            return capture
    if off:
        _raise_noted(source)
        raise InstrumentError("it runs off every range", where=off[0], do="check what is connected to it")
    raise InstrumentError(
        "the scope found no trigger", where=_name(source), do="check the sync probe, and that the unit is on"
    )


def one_capture(source: Source) -> Capture:
    """The next capture of a configured source. Raises InstrumentError, in the source's words where only the user sets it."""
    for _ in range(MOST_TRIES):
        capture = source.capture(DEADLINE_S)
        if not isinstance(capture, NoTrigger):
            return capture
        if not capture.disturbed:
            _raise_noted(source)
            raise InstrumentError("the scope gives no record", where=_name(source), do="stop what else uses it")
    do = "stop what else uses it, and leave its knobs alone meanwhile"
    raise InstrumentError("its settings change while it captures", where=_name(source), do=do)


def _raise_noted(source: Source) -> None:
    """Raise what a hands-off source says is missing, if anything."""
    for note in source.notes:
        if note.code.startswith(HANDS_OFF):
            raise InstrumentError(note.text, where=_name(source), do=note.do)


def _name(source: Source) -> str:
    return source.resource or "scope"
