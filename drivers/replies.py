"""Text replies: numbers and fields, or a ReplyError."""

import math
import re
from collections.abc import Iterable

from .errors import ReplyError

OVERFLOW = 9.9e37
"""SCPI-99 writes "not a number" and "out of range" as ±9.9E37 and 9.91E37."""

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_FIELD = re.compile(r"""(?:"[^"]*"|[^;"])+""")


def number(text: str, *, of: str, where: str) -> float:
    """The number that a reply consists of. Raises ReplyError for anything else: a unit or suffix, stars, NaN, 9.9E37."""
    stripped = text.strip()
    if not _NUMBER.fullmatch(stripped):
        raise ReplyError(f"{of} is answered with '{short(text)}', not a number", where=where, do="check its settings")
    value = float(stripped)
    if not math.isfinite(value) or abs(value) >= OVERFLOW:
        raise ReplyError(f"{of} is answered as not valid ({short(text)})", where=where, do="check its settings")
    return value


def whole_number(text: str, *, of: str, where: str) -> int:
    """Like `number`, for counts; `12000`, `1.2E4` and `12000.0` are the same."""
    value = number(text, of=of, where=where)
    if value != int(value):
        raise ReplyError(
            f"{of} is answered with '{short(text)}', not a whole number", where=where, do="check its settings"
        )
    return int(value)


def fields_outside_quotes(text: str) -> tuple[str, ...]:
    """The parts between semicolons; a semicolon within double quotes separates nothing."""
    return tuple(field.strip() for field in _FIELD.findall(text))


def named_fields(text: str) -> dict[str, str]:
    """A reply with headers on, `:WFMPRE:BYT_NR 1;BIT_NR 8;…`, by the last mnemonic of each header, upper case."""
    named: dict[str, str] = {}
    for field in fields_outside_quotes(text):
        header, _, value = field.partition(" ")
        named[header.rpartition(":")[2].upper()] = value.strip().strip('"')
    return named


def named_number(named: dict[str, str], names: Iterable[str], *, where: str) -> float:
    """The number under the first of `names` that is there. Raises ReplyError if none is, or it is no number."""
    wanted = tuple(names)
    for name in wanted:
        if name in named:
            return number(named[name], of=name, where=where)
    raise ReplyError(
        f"its preamble lacks {wanted[0]}", where=where, do="check that the right instrument family is in use"
    )


def short(text: str, length: int = 60) -> str:
    """Text of a foreign instrument, cut and made fit for one line."""
    line = " ".join("".join(mark if mark.isprintable() else " " for mark in text).split())
    return line if len(line) <= length else line[: length - 1] + "…"


def other_protocol(reply: str) -> str | None:
    """What to say of a first line that gives away something that is no instrument; None where it may be one."""
    if reply.startswith("HTTP/") or reply.lower().startswith(("<!doctype html", "<html")):
        return "it speaks HTTP, not SCPI"
    return "it speaks SSH, not SCPI" if reply.startswith("SSH-") else None
