"""Every key of the settings file with its value, default, unit, range, meaning and where the value comes from."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from .model import UNIT, HookupTable, SettingsTables, TargetTable
from .settings import Settings

_BOUNDS = {"ge": "from {:g}", "gt": "over {:g}", "le": "to {:g}", "lt": "under {:g}"}


@dataclass(frozen=True)
class KeyRow:
    """One key.

    Attributes:
        table, key: as in `[table]` and `key = …`; a table named by the user stands as CHn or NAME where none is given.
        value: in force; None where nothing is.
        default: None where there is none.
        unit: empty where there is none.
        allowed: range or choice, in words; empty where anything of the type goes.
        meaning: a clause.
        origin: `default`, or the file and line it comes from.
    """

    table: str
    key: str
    value: object
    default: object
    unit: str
    allowed: str
    meaning: str
    origin: str


def key_rows(settings: Settings) -> list[KeyRow]:
    """All keys, those of tables that the user names once for each such table, or once as an example where there is none."""
    tables = settings.tables
    rows: list[KeyRow] = []
    for name in ("scope", "live", "http", "measure"):
        rows += _rows((name,), type(getattr(tables, name)), getattr(tables, name), settings)
    rows += _named("hookup", "CHn", HookupTable, tables.hookup, settings)
    rows += _named("targets", "NAME", TargetTable, tables.targets, settings)
    meaning = SettingsTables.model_fields["target_of"].description or ""
    for role, target in tables.target_of.items() or (("ROLE", None),):
        rows.append(KeyRow("target_of", role, target, None, "", "", meaning, _origin(("target_of", role), settings)))
    return rows


def _named(
    table: str, example: str, model: type[BaseModel], given: Mapping[str, BaseModel], settings: Settings
) -> Iterator[KeyRow]:
    for name, values in given.items() or ((example, None),):
        yield from _rows((table, name), model, values, settings)


def _rows(
    path: tuple[str, ...], model: type[BaseModel], values: BaseModel | None, settings: Settings
) -> Iterator[KeyRow]:
    for key, field in model.model_fields.items():
        default = None if field.is_required() else field.default
        extra = field.json_schema_extra
        yield KeyRow(
            table=".".join(path),
            key=key,
            value=default if values is None else getattr(values, key),
            default=default,
            unit=str(extra[UNIT]) if isinstance(extra, dict) else "",
            allowed=_allowed(field),
            meaning=field.description or "",
            origin=_origin((*path, key), settings),
        )


def _allowed(field: FieldInfo) -> str:
    """Range or choice in words."""
    choices = _choices(field.annotation)
    if choices:
        return ", ".join(choices)
    bounds = ((words, getattr(item, name, None)) for item in field.metadata for name, words in _BOUNDS.items())
    return " ".join(words.format(limit) for words, limit in bounds if limit is not None)


def _choices(annotation: Any) -> tuple[str, ...]:
    if get_origin(annotation) is Literal:
        return tuple(str(choice) for choice in get_args(annotation))
    inner = get_args(annotation)
    return _choices(inner[0]) if len(inner) == 1 else ()


def _origin(path: tuple[str, ...], settings: Settings) -> str:
    line = settings.lines.get(path)
    return "default" if line is None or settings.path is None else f"{settings.path}:{line}"
