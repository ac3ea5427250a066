"""Settings from the environment: `PEAKWHITE_TABLE_KEY` goes before the file.

One rule for every key: its path in capitals, joined by underscores, so `[live] rate_hz` is PEAKWHITE_LIVE_RATE_HZ and
`[hookup.CH1] role` PEAKWHITE_HOOKUP_CH1_ROLE. Whatever cannot stand in the name of a variable is an underscore there too:
PEAKWHITE_TARGETS_MY_LUMA_NOMINAL_MV is of the target that the file has under such a name, else of `my-luma`.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from typing import Any, Literal, get_args, get_origin

from .complaints import Complaint
from .keys import BY_ROLE, NAMED_TABLES, KeyPath, field_of, is_key, keys_of, plain_tables

PREFIX = "PEAKWHITE_"
ALIKE = 0.8
"""So much like a key a variable is that belongs to no table and yet is taken for one that was misspelled."""


def variable_of(path: KeyPath) -> str:
    """The variable of a key."""
    return PREFIX + _folded("_".join(path))


def environment_settings(
    environ: Mapping[str, str], raw: Mapping[str, Any]
) -> tuple[dict[KeyPath, tuple[str, Any]], list[Complaint]]:
    """The variable and value of every key that the environment gives, and what is wrong with names of variables.

    `raw` is the file, whose own names of hookups and targets are found again.
    """
    found: dict[KeyPath, tuple[str, Any]] = {}
    complaints = []
    for variable, text in sorted(environ.items()):
        if variable.startswith(PREFIX):
            path = _path_of(variable.removeprefix(PREFIX), raw)
            if path is not None:
                found[path] = (variable, _value(text, path))
            elif wrong := _misspelled(variable):
                complaints.append(wrong)
    return found, complaints


def _path_of(name: str, raw: Mapping[str, Any]) -> KeyPath | None:
    for table in keys_of(()):
        rest = name.removeprefix(f"{_folded(table)}_")
        if rest == name:
            continue
        if table in NAMED_TABLES:
            return _own_path(table, rest, raw)
        return path if is_key(path := (table, rest.lower())) else None
    return None


def _own_path(table: str, rest: str, raw: Mapping[str, Any]) -> KeyPath | None:
    """The key of one of the user's own tables: the longest name of a key that it ends with."""
    for key in sorted(NAMED_TABLES[table][1].model_fields, key=len, reverse=True):
        folded = rest.removesuffix(f"_{_folded(key)}")
        if folded and folded != rest:
            known = raw.get(table)
            named = [one for one in known if _folded(one) == folded] if isinstance(known, dict) else []
            return (table, *(named or [folded if table == "hookup" else folded.lower().replace("_", "-")])[:1], key)
    return None


def _misspelled(variable: str) -> Complaint | None:
    """What is wrong with a variable of ours that names no key; None where it is likely meant for something else."""
    known = [variable_of(path) for path in _known_paths()]
    of_table = any(variable.startswith(f"{PREFIX}{_folded(table)}_") for table in keys_of(()))
    near = get_close_matches(
        variable.removeprefix(PREFIX),
        [one.removeprefix(PREFIX) for one in known],
        n=1,
        cutoff=0.0 if of_table else ALIKE,
    )
    return Complaint((), "names no key", PREFIX + near[0], variable) if near else None


def _known_paths() -> Iterator[KeyPath]:
    for table, model in plain_tables():
        yield from ((table, key) for key in model.model_fields)
    for table, (placeholder, model) in NAMED_TABLES.items():
        yield from ((table, placeholder, key) for key in model.model_fields)
    yield from ((BY_ROLE, role) for role in keys_of((BY_ROLE,)))


def _value(text: str, path: KeyPath) -> Any:
    """A text as it is; anything else as TOML writes it, a list also without brackets: `red, green`."""
    kinds = set(get_args(field_of(path).annotation)) or {field_of(path).annotation}
    if path[0] == BY_ROLE or kinds <= {str, type(None)} or get_origin(field_of(path).annotation) is Literal:
        return text
    if get_origin(field_of(path).annotation) is list and not text.lstrip().startswith("["):
        return [part.strip() for part in text.split(",")]
    try:
        parsed = tomllib.loads(f"value = {text}")
    except tomllib.TOMLDecodeError:
        return text
    return parsed["value"] if parsed.keys() == {"value"} else text


def _folded(name: str) -> str:
    return re.sub(r"[^A-Z0-9]", "_", name.upper())
