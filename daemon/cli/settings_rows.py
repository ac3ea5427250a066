"""The settings as `peakwhite settings show` prints them."""

import json
import re
from itertools import groupby

from ..config.environment import PREFIX
from ..config.rows import NOT_GIVEN, Row, rows_of
from ..config.settings import Settings, default_path

BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def settings_as_json(settings: Settings) -> str:
    """All rows as JSON."""
    return json.dumps([row._asdict() for row in rows_of(settings)])


def settings_as_text(settings: Settings) -> str:
    """The settings as a file that means the same; what has no value stands in it as a comment."""
    file = settings.path or f"{default_path()}, which is not there"
    head = (
        f"# file: {file}\n"
        f"# before the file goes the environment, {PREFIX}LIVE_RATE_HZ for [live] rate_hz and so on, before both an option\n"
        "# live: comes into force with a reload (SIGHUP, or saved on the page); the others with a restart"
    )
    return f"{head}\n\n{_tables(rows_of(settings))}"


def _tables(rows: list[Row]) -> str:
    tables = []
    for table, group in groupby(rows, key=lambda row: row.table):
        kept = list(group)
        header = f"[{'.'.join(_toml_key(part) for part in table)}]"
        if all(row.origin == NOT_GIVEN for row in kept):
            header = f"# {header}"
        tables.append("\n".join([header, *(_row_as_text(row) for row in kept)]))
    return "\n\n".join(tables)


def _row_as_text(row: Row) -> str:
    value = "…" if row.value is None else json.dumps(row.value, ensure_ascii=False)
    setting = f"{_toml_key(row.key)} = {value}"
    if row.value is None or row.origin == NOT_GIVEN:
        setting = f"# {setting}"
    told = ", ".join(part for part in ("live" if row.live else "", row.unit, row.range, _origin_words(row)) if part)
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
