"""On which line of a TOML file a key stands (tomllib does not tell)."""

import re
from collections.abc import Mapping

Path = tuple[str, ...]

_HEADER = re.compile(r"\s*\[\[?\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"\s*((?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*'))*)\s*=")
_PART = re.compile(r"[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*'")


def line_numbers(text: str) -> dict[Path, int]:
    """Line number, from 1, of every table header and key of a TOML text. Where a path comes twice, the first."""
    lines: dict[Path, int] = {}
    table: Path = ()
    for number, line in enumerate(text.splitlines(), 1):
        if header := _HEADER.fullmatch(line):
            table = _parts(header[1])
            lines.setdefault(table, number)
        elif key := _KEY.match(line):
            lines.setdefault(table + _parts(key[1]), number)
    return lines


def line_of(path: Path, lines: Mapping[Path, int]) -> int | None:
    """The line of that key, or of the nearest table above it; None where even that stands nowhere."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _parts(dotted: str) -> Path:
    return tuple(part.strip("\"'") for part in _PART.findall(dotted))
