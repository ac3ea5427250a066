"""What is wrong with a settings file, in our own words."""

from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from typing import Any, NamedTuple

from pydantic_core import ErrorDetails

from .keys import KeyPath, dotted, keys_of


class Complaint(NamedTuple):
    """What is wrong with a key.

    Attributes:
        path: the key; `()` of something that names none.
        text: what is wrong, a clause that begins after the key's name.
        nearest: the valid name that is most like what was written, None where none comes into question.
        where: `line 3` of the file, or the variable of the environment; empty where that is not known (yet).
    """

    path: KeyPath
    text: str
    nearest: str | None = None
    where: str = ""

    def __str__(self) -> str:
        """`line 3: [live] rate is no key, the nearest is 'rate_hz'`."""
        near = f", the nearest is '{self.nearest}'" if self.nearest else ""
        key = f"{dotted(self.path)} " if self.path else ""
        return f"{self.where}{': ' if self.where else ''}{key}{self.text}{near}"


_WORDS = {
    "missing": "is missing",
    "string_type": "must be a text in quotes",
    "bool_type": "must be true or false",
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "list_type": "must be a list",
    "dict_type": "must be a table",
    "model_type": "must be a table",
    "model_attributes_type": "must be a table",
    "too_short": "must not be empty",
    "finite_number": "must be a finite number",
}
_BOUNDS = {"greater_than": ("gt", "over"), "greater_than_equal": ("ge", "at least"),
           "less_than": ("lt", "under"), "less_than_equal": ("le", "at most")}  # fmt: skip


FOLLOWS_FROM_ANOTHER = "default_factory_not_called"
"""Pydantic's type of error for a key whose default hangs on another key that is wrong."""


def complaint_path(error: ErrorDetails) -> KeyPath:
    """The key that one of pydantic's errors is about: table, a name of the user's own where the table has one, key."""
    parts = tuple(str(part) for part in error["loc"] if part != "[key]")
    return parts[: 3 if parts[0] in ("hookup", "targets") else 2]


def complaint_of(error: ErrorDetails) -> Complaint:
    """One of pydantic's errors in our words."""
    kind, path = error["type"], complaint_path(error)
    context: Mapping[str, Any] = error.get("ctx", {})
    if kind == "extra_forbidden":
        return Complaint(path, "is no key", nearest(path[-1], keys_of(path[:-1])))
    if kind == "literal_error":
        wanted = str(context["expected"]).replace(" or ", ", ").replace("'", "").split(", ")
        return Complaint(path, f"cannot be '{error['input']}'", nearest(str(error["input"]), wanted))
    if kind in _BOUNDS:
        limit, word = _BOUNDS[kind]
        return Complaint(path, f"must be {word} {context[limit]:g}, not {error['input']}")
    return Complaint(path, _WORDS.get(kind, error["msg"][:1].lower() + error["msg"][1:]))


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The name that is most like it; None where nothing is known."""
    return next(iter(get_close_matches(name, list(known), n=1, cutoff=0.0)), None)
