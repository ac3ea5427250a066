"""What is wrong with a settings file, in our own words."""

from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from typing import Any, get_args

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from .model import SettingsTables

Complaint = tuple[tuple[str, ...], str]
"""Path of the key, and what is wrong with it."""

_WORDS = {
    "missing": "is missing",
    "string_type": "must be a text in quotes",
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


def complaint_path(error: ErrorDetails) -> tuple[str, ...]:
    """The key that one of pydantic's errors is about: table, a name of the user's own where the table has one, key."""
    parts = tuple(str(part) for part in error["loc"] if part != "[key]")
    return parts[: 3 if parts[0] in ("hookup", "targets") else 2]


def complaint_of(error: ErrorDetails) -> Complaint:
    """One of pydantic's errors as path and words."""
    kind, path = error["type"], complaint_path(error)
    context: Mapping[str, Any] = error.get("ctx", {})
    if kind == "extra_forbidden":
        return path, f"is no key{nearest(path[-1], _keys_at(path[:-1]))}"
    if kind == "literal_error":
        wanted = str(context["expected"]).replace(" or ", ", ").replace("'", "").split(", ")
        return path, f"cannot be '{error['input']}'{nearest(str(error['input']), wanted)}"
    if kind in _BOUNDS:
        limit, word = _BOUNDS[kind]
        return path, f"must be {word} {context[limit]:g}, not {error['input']}"
    return path, _WORDS.get(kind, error["msg"][:1].lower() + error["msg"][1:])


def nearest(name: str, known: Iterable[str]) -> str:
    """`, the nearest is 'rate_hz'`, or nothing where nothing is known."""
    near = get_close_matches(name, list(known), n=1, cutoff=0.0)
    return f", the nearest is '{near[0]}'" if near else ""


def dotted(path: tuple[str, ...]) -> str:
    """The key as one would write it: `[live] rate_hz`, `[targets.own] nominal_mv`."""
    *table, key = path
    return f"[{'.'.join(table)}] {key}" if table else f"[{key}]"


def _keys_at(table: tuple[str, ...]) -> list[str]:
    """The keys that a table may have; below `hookup` and `targets` the user's own name comes in between."""
    if not table:
        return list(SettingsTables.model_fields)
    annotation = SettingsTables.model_fields[table[0]].annotation
    model = get_args(annotation)[-1] if get_args(annotation) else annotation
    return list(model.model_fields) if isinstance(model, type) and issubclass(model, BaseModel) else []
