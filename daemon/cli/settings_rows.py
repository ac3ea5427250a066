"""Every key of the settings as a row: value, default, unit, range, origin, meaning."""

import json
import re
from collections.abc import Iterator, Mapping
from itertools import groupby
from typing import Any, NamedTuple, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from ..config.model import DEFAULT, RANGE, UNIT, HookupTable, SettingsTables, TargetTable
from ..config.settings import Settings

NAMED_TABLES: Mapping[str, tuple[str, type[BaseModel]]] = {
    "hookup": ("CHn", HookupTable),
    "targets": ("NAME", TargetTable),
}
"""Tables whose second part is the user's own name, and what stands for it where nobody gave one."""
NOT_GIVEN = "not given"
PASSWORD = re.compile(r"(://[^:/@]*:)[^/]*@|([?&]password=)[^&]*")
BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


class Row(NamedTuple):
    """One key: value and default as JSON has them, None where there is none; a default that hangs on another key is in
    words where that key has no value. `range` is in words; `origin` is a line of the file, `default` or `not given`.
    """

    table: tuple[str, ...]
    key: str
    value: Any
    default: Any
    unit: str
    range: str
    origin: str
    meaning: str


def rows_of(settings: Settings) -> list[Row]:
    """All keys, table by table. A table that may come many times stands there once where none was given."""
    rows: list[Row] = []
    for name in SettingsTables.model_fields:
        value = getattr(settings.tables, name)
        if isinstance(value, BaseModel):
            rows += _rows_of_table((name,), type(value), value, settings)
        elif name in NAMED_TABLES:
            placeholder, model = NAMED_TABLES[name]
            for own_name, table in value.items() or [(placeholder, None)]:
                rows += _rows_of_table((name, own_name), model, table, settings)
        else:
            meaning = SettingsTables.model_fields[name].description or ""
            for role, target in value.items():
                rows.append(Row((name,), role, target, None, "", "", _origin((name, role), settings), meaning))
            if not value:
                rows.append(Row((name,), "red", None, None, "", "", NOT_GIVEN, meaning))
    return rows


def rows_as_text(rows: list[Row]) -> str:
    """The rows as a settings file that means the same; what has no value stands in it as a comment."""
    tables = []
    for table, group in groupby(rows, key=lambda row: row.table):
        kept = list(group)
        header = f"[{'.'.join(_toml_key(part) for part in table)}]"
        if all(row.origin == NOT_GIVEN for row in kept):
            header = f"# {header}"
        tables.append("\n".join([header, *(_row_as_text(row) for row in kept)]))
    return "\n\n".join(tables)


def _rows_of_table(
    path: tuple[str, ...], model: type[BaseModel], table: BaseModel | None, settings: Settings
) -> Iterator[Row]:
    for key, info in model.model_fields.items():
        default = _default(info, table)
        origin = NOT_GIVEN if table is None else _origin((*path, key), settings)
        value = (None if info.default_factory else default) if table is None else getattr(table, key)
        yield Row(
            path,
            key,
            _without_password(value),
            default,
            _told(info, UNIT),
            _range(info),
            origin,
            info.description or "",
        )


def _without_password(value: Any) -> Any:
    """An address as it may be shown."""
    return PASSWORD.sub(_masked, value) if isinstance(value, str) else value


def _masked(found: re.Match[str]) -> str:
    return f"{found[1]}***@" if found[1] else f"{found[2]}***"


def _default(info: FieldInfo, table: BaseModel | None) -> Any:
    if info.is_required():
        return None
    if table is None and info.default_factory:
        return _told(info, DEFAULT)
    return info.get_default(call_default_factory=True, validated_data=table.model_dump() if table else {})


def _told(info: FieldInfo, what: str) -> str:
    """What the model says of a key by itself."""
    return str(info.json_schema_extra.get(what, "")) if isinstance(info.json_schema_extra, dict) else ""


def _range(info: FieldInfo) -> str:
    """The names or figures that a key may have: `coax|probe-1x|probe-10x`, `over 0 to 20000`; empty for any."""
    if told := _told(info, RANGE):
        return told
    one_of = get_args(get_args(info.annotation)[0] if get_origin(info.annotation) is list else info.annotation)
    if one_of and all(isinstance(name, str) for name in one_of):
        return "|".join(one_of)
    bounds = {name: getattr(item, name) for item in info.metadata for name in ("gt", "ge", "le") if hasattr(item, name)}
    low = f"over {bounds['gt']:g}" if "gt" in bounds else f"{bounds['ge']:g}" if "ge" in bounds else ""
    return f"{low} to {bounds['le']:g}" if low and "le" in bounds else low


def _origin(path: tuple[str, ...], settings: Settings) -> str:
    line = settings.lines.get(path)
    return f"line {line}" if line else "default"


def _row_as_text(row: Row) -> str:
    value = "…" if row.value is None else json.dumps(row.value, ensure_ascii=False)
    setting = f"{_toml_key(row.key)} = {value}"
    if row.value is None or row.origin == NOT_GIVEN:
        setting = f"# {setting}"
    told = ", ".join(part for part in (row.unit, row.range, _origin_words(row)) if part)
    return f"{setting:<32}  # {told}: {row.meaning}"


def _origin_words(row: Row) -> str:
    if row.default is None:
        return "no default" if row.origin == "default" else f"{row.origin}, no default"
    if row.origin == "default":
        return "default"
    default = row.default if row.value is None else json.dumps(row.default)
    return f"{row.origin}, default {default}"


def _toml_key(part: str) -> str:
    return part if BARE_KEY.fullmatch(part) else json.dumps(part, ensure_ascii=False)
