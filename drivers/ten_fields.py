"""The preamble of ten fields, separated by commas, that two makers have; what yorigin means differs between them."""

from .errors import ReplyError
from .replies import number

FIELDS = (
    *("format", "type", "points", "count", "xincrement", "xorigin", "xreference"),
    *("yincrement", "yorigin", "yreference"),
)


def ten_fields(text: str, *, where: str) -> dict[str, float]:
    """The fields by name. Raises ReplyError for another count, or for one that is no number."""
    fields = text.split(",")
    if len(fields) != len(FIELDS):
        do = "check that the right instrument family is in use"
        raise ReplyError(f"a preamble of {len(fields)} fields, not {len(FIELDS)}", where=where, do=do)
    return {name: number(field, of=name, where=where) for name, field in zip(FIELDS, fields, strict=True)}
