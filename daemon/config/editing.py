"""Changing keys in the text of a settings file so that all else stays as it was written, comments too. Pure text."""

import tomllib
from collections.abc import Mapping
from copy import deepcopy
from typing import Any

import tomlkit
import tomlkit.items
from tomlkit.exceptions import TOMLKitError

from ...drivers.errors import SettingsError
from .keys import NAMED_TABLES, KeyPath

DO_BY_HAND = "change it by hand, with an editor"


def with_changes(text: str, changes: Mapping[KeyPath, Any], where: str) -> str:
    """The text with these keys set, or gone where the value is None; a table of the user's own goes with its last key.

    Raises SettingsError, with `where`, where the text is no TOML, or is written in a way in which that cannot be done.
    """
    try:
        expected: dict[str, Any] = tomllib.loads(text)
        document = tomlkit.parse(text)
    except (tomllib.TOMLDecodeError, TOMLKitError) as error:
        raise SettingsError(f"is no TOML: {error}", where=where, do=DO_BY_HAND) from error
    try:
        for path, value in changes.items():
            _change(document, path, value, fresh=_table)
            _change(expected, path, value, fresh=lambda whole: {})
        changed = tomlkit.dumps(document)
        if tomllib.loads(changed) != expected:
            raise ValueError(changed)
    except (TOMLKitError, ValueError, AttributeError, TypeError, KeyError, StopIteration) as error:
        raise SettingsError("is written in a way that is not changed safely", where=where, do=DO_BY_HAND) from error
    return changed


def _change(root: Any, path: KeyPath, value: Any, *, fresh: Any) -> None:
    """Set or remove one key in a document or a plain mapping alike; `fresh` makes a table, a whole one or one of tables."""
    *above, key = path
    tables = [root]
    for depth, part in enumerate(above):
        if part not in tables[-1]:
            if value is None:
                return
            tables[-1][part] = fresh(depth == len(above) - 1)
        tables.append(tables[-1][part])
    if value is not None:
        tables[-1][key] = deepcopy(value)
    elif key in tables[-1]:
        _remove(tables[-1], key)
        if path[0] in NAMED_TABLES and not tables[-1]:
            del tables[-2][above[-1]]


def _remove(table: Any, key: str) -> None:
    """Remove a key; the comment beside it in a document stays, on a line of its own."""
    if not isinstance(table, tomlkit.items.Table):
        del table[key]
        return
    place = next(n for n, (name, _) in enumerate(table.value.body) if name is not None and name.key == key)
    item = table.value.item(key)
    del table[key]
    if isinstance(item, tomlkit.items.Item) and (comment := item.trivia.comment):
        table.value.body[place] = (None, tomlkit.comment(comment.removeprefix("#").strip()))


def _table(whole: bool) -> Any:
    return tomlkit.table(is_super_table=not whole)
