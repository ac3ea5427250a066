"""Every key of the settings by its path: `("live", "rate_hz")`, `("hookup", "CH1", "role")`, `("target_of", "red")`."""

from collections.abc import Iterator, Mapping
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from ..measure.hookup import Role
from .model import BY_HAND, LIVE, HookupTable, SettingsTables, TargetTable

KeyPath = tuple[str, ...]

NAMED_TABLES: Mapping[str, tuple[str, type[BaseModel]]] = {
    "hookup": ("CHn", HookupTable),
    "targets": ("NAME", TargetTable),
}
"""Tables whose second part is the user's own name, and what stands for it where nobody gave one."""
BY_ROLE = "target_of"
"""The table whose keys are roles."""


def plain_tables() -> Iterator[tuple[str, type[BaseModel]]]:
    """Tables that are there once, with their keys."""
    for name, info in SettingsTables.model_fields.items():
        if isinstance(info.annotation, type) and issubclass(info.annotation, BaseModel):
            yield name, info.annotation


def keys_of(table: KeyPath) -> list[str]:
    """The keys that a table may have, nothing of a table that there is not; of `()` the tables."""
    if not table:
        return list(SettingsTables.model_fields)
    if table[0] in NAMED_TABLES:
        return list(NAMED_TABLES[table[0]][1].model_fields) if len(table) == 2 else []
    if len(table) > 1:
        return []
    if table[0] == BY_ROLE:
        return list(get_args(Role))
    return list(dict(plain_tables())[table[0]].model_fields) if table[0] in dict(plain_tables()) else []


def is_key(path: KeyPath) -> bool:
    """Whether there is such a key."""
    return len(path) > 1 and path[-1] in keys_of(path[:-1])


def field_of(path: KeyPath) -> FieldInfo:
    """What the model says of a key that there is."""
    if path[0] == BY_ROLE:
        return SettingsTables.model_fields[BY_ROLE]
    if path[0] in NAMED_TABLES:
        return NAMED_TABLES[path[0]][1].model_fields[path[2]]
    return dict(plain_tables())[path[0]].model_fields[path[1]]


def is_live(path: KeyPath) -> bool:
    """Whether a change of this key comes into force while the daemon runs. Keys of the user's own tables are as the table."""
    named = path[0] in NAMED_TABLES
    return bool(said_of(SettingsTables.model_fields[path[0]] if named else field_of(path), LIVE))


def why_by_hand(path: KeyPath) -> str:
    """Why this key is changed in the file only; nothing where it may be changed over HTTP too."""
    return str(said_of(field_of(path), BY_HAND))


def said_of(info: FieldInfo, what: str) -> Any:
    """What the model says of a key beside its type."""
    return info.json_schema_extra.get(what, "") if isinstance(info.json_schema_extra, dict) else ""


def values_of(tables: SettingsTables) -> dict[KeyPath, Any]:
    """Every key with its value; of the user's own tables those that are there."""
    found: dict[KeyPath, Any] = {}
    for name, value in tables:
        if isinstance(value, BaseModel):
            found |= {(name, key): one for key, one in value}
            continue
        for part, inner in value.items():
            found |= {(name, part, key): one for key, one in inner} if name in NAMED_TABLES else {(name, part): inner}
    return found


def changed_keys(old: SettingsTables, new: SettingsTables) -> frozenset[KeyPath]:
    """The keys whose values differ, those too that only one of them has."""
    before, after = values_of(old), values_of(new)
    return frozenset(path for path in before.keys() | after.keys() if before.get(path) != after.get(path))


def with_keys(tables: SettingsTables, others: SettingsTables, paths: frozenset[KeyPath]) -> SettingsTables:
    """The tables, with these keys as `others` has them; of the user's own tables all, if any of theirs is named."""
    update: dict[str, Any] = {}
    for name in {path[0] for path in paths}:
        value = getattr(others, name)
        if isinstance(value, BaseModel):
            given = {path[1]: getattr(value, path[1]) for path in paths if path[0] == name}
            value = getattr(tables, name).model_copy(update=given)
        update[name] = value
    return tables.model_copy(update=update)


def dotted(path: KeyPath) -> str:
    """The key as one would write it: `[live] rate_hz`, `[targets.own] nominal_mv`."""
    *table, key = path
    return f"[{'.'.join(table)}] {key}" if table else f"[{key}]"
