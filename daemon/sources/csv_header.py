"""The plain header row of a CSV capture: time, then the channels' names."""

import re
from pathlib import Path

from .capture_limits import LONGEST_NAME, MOST_CHANNELS, fault_of_name, shown, unreadable
from .csv_columns import NUMBER, Layout

DO_HEADER = "put one header row first: time, then the channels' names"
DO_COMMAS = "export with commas between the columns and points in the numbers"

UNIT = re.compile(r"(?:.*[\[(]\s*|in )(\S+?)\s*[\])]?")
OTHER_THAN_SECONDS = ("ms", "us", "µs", "μs", "ns", "ps", "hz", "khz", "mhz", "ghz")
OTHER_THAN_VOLTS = ("mv", "uv", "µv", "μv", "kv", "a", "ma", "w", "db", "dbm", "dbv", "%")


def plain_layout(path: Path, header: str) -> Layout:
    """The layout that the header row says. Raises UnreadableInput, which shows it."""
    cells = [cell.strip() for cell in header.split(",")]
    fault = _fault_of_header(header, cells)
    if fault:
        what, do = fault
        raise unreadable(path, what if len(cells) == 1 else f"{what}: {shown(header, 60)}", do)
    return Layout(
        names=tuple(cells[1:]),
        columns=tuple(range(1, len(cells))),
        first_row=1,
        cells=len(cells),
        cells_of="the header",
        time_name=cells[0],
    )


def _fault_of_header(header: str, cells: list[str]) -> tuple[str, str] | None:
    """What is wrong with the header row and what to do, or None."""
    if '"' in header:
        return "row 1 has quoted fields", "export without quotation marks"
    if "\r" in header.rstrip("\r"):
        return "its rows end in bare carriage returns", "export it with line feeds"
    if len(cells) == 1:
        for separator, called in ((";", "semicolons"), ("\t", "tabs")):
            if separator in header:
                return f"its columns are separated by {called}", DO_COMMAS
        return (
            f"row 1, {shown(header)}, has one column only",
            "a capture needs time and at least one channel, with commas",
        )
    if len(cells) - 1 > MOST_CHANNELS:
        return f"row 1 names {len(cells) - 1:,} channels", f"a capture holds {MOST_CHANNELS} at most"
    if all(NUMBER.fullmatch(cell) for cell in cells):
        return "row 1 holds numbers where the names of the columns belong", DO_HEADER
    for column, cell in enumerate(cells[1:], start=2):
        name_fault = fault_of_name(cell)
        if name_fault:
            return f"row 1, column {column}, {name_fault}", DO_HEADER
        if cell in cells[: column - 1]:
            return f"row 1 names {shown(cell)} twice", "give every column a name of its own"
    return _fault_of_units(cells)


def _fault_of_units(cells: list[str]) -> tuple[str, str] | None:
    """What is wrong with units that the header names: a number in milliseconds would be read as one in seconds."""
    for column, (cell, others) in enumerate(
        zip(cells, [OTHER_THAN_SECONDS, *[OTHER_THAN_VOLTS] * len(cells)], strict=False), start=1
    ):
        unit = UNIT.fullmatch(cell[-LONGEST_NAME:])
        if unit and unit[1].lower() in others:
            return f"row 1, column {column}, is in {shown(unit[1])}", "export seconds and volts"
    return None
