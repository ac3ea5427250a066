"""What an instrument answered about its settings, kept to be given back."""

from collections.abc import Callable, Sequence

from .errors import ReplyError
from .links import Link
from .replies import fields_outside_quotes, short

Kept = tuple[tuple[str, str], ...]
"""Headers and what they were answered with, in the order in which they can be given back."""


def ask_each(link: Link, headers: Sequence[str]) -> list[str]:
    """What every header is answered with, one message each."""
    return [link.query(f"{header}?") for header in headers]


def ask_chained(link: Link, headers: Sequence[str]) -> list[str]:
    """The same in one message, where the dialect takes several queries in one. Raises ReplyError for another count."""
    replies = fields_outside_quotes(link.query(";".join(f"{header}?" for header in headers)))
    if len(replies) != len(headers):
        raise ReplyError(
            f"{len(replies)} answers to {len(headers)} questions", where=link.resource, do="close it and open it again"
        )
    return list(replies)


def answers_kept(
    link: Link, headers: Sequence[str], ask: Callable[[Link, Sequence[str]], list[str]] = ask_each
) -> Kept:
    """What these headers are answered with now.

    Raises LinkError, and ReplyError for an answer that could not be given back, as commands are ASCII.
    """
    kept = tuple(zip(headers, (reply.strip() for reply in ask(link, headers)), strict=True))
    for header, reply in kept:
        if not reply.isascii():
            what = f"{header}? is answered with '{short(reply)}', which is no ASCII text"
            raise ReplyError(what, where=link.resource, do="check its settings")
    return kept
