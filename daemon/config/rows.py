"""Every key of the settings as a row: value, default, unit, range, origin, meaning, and how it may be changed."""

import re
from collections.abc import Iterator
from typing import Annotated, Any, Literal, NamedTuple, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from .environment import variable_of
from .keys import BY_ROLE, NAMED_TABLES, KeyPath, is_live, said_of, why_by_hand
from .model import DEFAULT, RANGE, UNIT, SettingsTables
from .settings import Settings

NOT_GIVEN = "not given"
MASK = "***"
PASSWORD = re.compile(r"(://[^:/@]*:).*@|([?&][a-z]*password=)[^&]*", re.IGNORECASE)
"""Rather too much than too little: up to the last @, since a password may hold anything."""

Kind = Literal["flag", "whole", "number", "text", "number or text", "names"]
"""What a value is: true or false, a number, a text (one of `choices` where there are any), or a list of names."""


class Row(NamedTuple):
    """One key.

    Attributes:
        table, key: its path; in the place of the user's own name CHn or NAME where nobody gave one.
        value: as JSON has it, None where there is none; a password in it is masked.
        default: likewise; in words where it hangs on another key that has no value.
        unit, range, meaning: in words, empty where there is none.
        origin: `line 3` of the file, the variable of the environment, the option, `default`, or `not given`.
        variable: of the environment, which would go before the file.
        kind, choices: what a value is, and the names that it may have.
        live: whether a change comes into force while the daemon runs.
        by_hand: why it is changed in the file only, empty where it may be changed over HTTP too.
    """

    table: KeyPath
    key: str
    value: Any
    default: Any
    unit: str
    range: str
    origin: str
    meaning: str
    variable: str
    kind: Kind
    choices: tuple[str, ...]
    live: bool
    by_hand: str

    @property
    def path(self) -> KeyPath:
        """Table and key."""
        return (*self.table, self.key)


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
            info = SettingsTables.model_fields[name]
            rows += [_row((name, role), info, target, None, settings) for role, target in value.items()]
            if not value:
                rows.append(_row((name, "red"), info, None, None, None))
    return rows


def _rows_of_table(path: KeyPath, model: type[BaseModel], table: BaseModel | None, settings: Settings) -> Iterator[Row]:
    for key, info in model.model_fields.items():
        default = _default(info, table)
        value = (None if info.default_factory else default) if table is None else getattr(table, key)
        yield _row((*path, key), info, value, default, None if table is None else settings)


def _row(path: KeyPath, info: FieldInfo, value: Any, default: Any, settings: Settings | None) -> Row:
    kind, choices = ("text", ()) if path[0] == BY_ROLE else kind_of(info.annotation)
    return Row(
        path[:-1],
        path[-1],
        without_password(value),
        default,
        said_of(info, UNIT),
        _range(info, choices),
        NOT_GIVEN if settings is None else settings.origin_of(path),
        info.description or "",
        variable_of(path),
        kind,
        choices,
        is_live(path),
        why_by_hand(path),
    )


def without_password(value: Any) -> Any:
    """An address as it may be shown."""
    return PASSWORD.sub(_masked, value) if isinstance(value, str) else value


def _masked(found: re.Match[str]) -> str:
    return f"{found[1]}{MASK}@" if found[1] else f"{found[2]}{MASK}"


def _default(info: FieldInfo, table: BaseModel | None) -> Any:
    if info.is_required():
        return None
    if table is None and info.default_factory:
        return said_of(info, DEFAULT)
    return info.get_default(call_default_factory=True, validated_data=table.model_dump() if table else {})


def kind_of(annotation: Any) -> tuple[Kind, tuple[str, ...]]:
    """What values of this type are, and the names that they may have."""
    if get_origin(annotation) is list:
        return "names", kind_of(get_args(annotation)[0])[1]
    if get_origin(annotation) is Annotated:
        return kind_of(get_args(annotation)[0])
    if get_origin(annotation) is Literal:
        return "text", get_args(annotation)
    kinds = set(get_args(annotation) or (annotation,)) - {type(None)}
    if kinds == {float, str}:
        return "number or text", ()
    names: dict[Any, Kind] = {bool: "flag", int: "whole", float: "number", str: "text"}
    return names[kinds.pop()], ()


def _range(info: FieldInfo, choices: tuple[str, ...]) -> str:
    """The names or figures that a key may have: `coax|probe-1x|probe-10x`, `over 0 to 20000`; empty for any."""
    if told := said_of(info, RANGE):
        return str(told)
    if choices:
        return "|".join(choices)
    bounds = {name: getattr(item, name) for item in info.metadata for name in ("gt", "ge", "le") if hasattr(item, name)}
    low = f"over {bounds['gt']:g}" if "gt" in bounds else f"{bounds['ge']:g}" if "ge" in bounds else ""
    return f"{low} to {bounds['le']:g}" if low and "le" in bounds else low
