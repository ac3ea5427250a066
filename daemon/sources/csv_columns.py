"""The columns of a CSV file: which of them hold time and volts, by their names and units."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from .capture_limits import shown

Cells = list[str]

NUMBER = re.compile(r"\s*[+-]?(\d+(\.\d*)?|\.\d+)(e[+-]?\d+)?\s*", re.ASCII | re.IGNORECASE)
DIGITAL = re.compile(r"D\d\d?(?:-D\d\d?)?", re.IGNORECASE)
"""The name of a digital input or of eight of them."""

_CHANNEL = re.compile(r"(?:X\()?(?:CHAN(?:NEL)?|CH|C|)0?([1-9]\d?)\)?", re.IGNORECASE)
_VOLTS_IN_NAME = re.compile(r"(C(?:H|HAN)?\d\d?)\s*(?:\(V\)|\[V\]|in V|V)", re.IGNORECASE)
_VOLT_WORDS = ("volt", "volts", "v", "value")


@dataclass(frozen=True)
class Layout:
    """Where a row of samples holds what; columns and rows count from 0.

    Time in seconds is `start_s + step_s` times what stands in the time column, or times the number of the sample where
    there is no such column. Every row has `cells` cells, as `cells_of` has, which says so in messages. `left_out` are
    columns that the rows above explain and that hold no volts.
    """

    names: tuple[str, ...]
    columns: tuple[int, ...]
    first_row: int
    cells: int
    time_column: int | None = 0
    start_s: float = 0.0
    step_s: float = 1.0
    cells_of: str = "the first row of samples"
    time_name: str = "time"
    left_out: tuple[int, ...] = ()

    @property
    def columns_read(self) -> tuple[int, ...]:
        """The channels' columns, then the time column if there is one."""
        return self.columns if self.time_column is None else (*self.columns, self.time_column)


class Strange(ValueError):
    """A row that a layout begun above it cannot have: its index and what is wrong with it."""

    def __init__(self, row: int, what: str) -> None:
        super().__init__(what)
        self.row = row


def cells_of_line(line: str) -> Cells:
    return [cell.strip() for cell in line.split(",")]


def layout_of(
    rows: Sequence[Cells],
    volts: Sequence[tuple[str, int]],
    first_row: int,
    *,
    time_column: int | None = 0,
    start_s: float = 0.0,
    step_s: float = 1.0,
    left_out: Iterable[int] = (),
) -> Layout:
    """The layout of columns of volts with their names; a channel is CH1 whatever the maker calls it."""
    channels = [(_CHANNEL.fullmatch(name), name) for name, _ in volts]
    return Layout(
        names=tuple(f"CH{int(channel[1])}" if channel else name for channel, name in channels),
        columns=tuple(column for _, column in volts),
        first_row=first_row,
        cells=len(rows[first_row]) if first_row < len(rows) else 0,
        time_column=time_column,
        start_s=start_s,
        step_s=step_s,
        left_out=tuple(left_out),
    )


def holds_numbers(cells: Cells) -> bool:
    return bool(cells[0]) and all(NUMBER.fullmatch(cell) for cell in cells if cell)


def no_volts(row: int, names: Cells, column: int) -> Strange:
    """The error of a column that would be dropped."""
    return Strange(row, f"does not say that column {column + 1}, {shown(names[column])}, is in volts")


def with_unit_in_name(cells: Cells, columns: Iterable[int]) -> tuple[list[tuple[str, int]], list[int], list[int]]:
    """The channels in volts, without their unit, and their columns; the digital inputs' columns; what else has a name."""
    volts, digital, others = [], [], []
    for column in sorted(columns):
        if match := _VOLTS_IN_NAME.fullmatch(cells[column]):
            volts.append((match[1], column))
        elif DIGITAL.fullmatch(cells[column]):
            digital.append(column)
        elif cells[column]:
            others.append(column)
    return volts, digital, others


def volts_by_units(names: Cells, units: Cells, row: int, explained: Sequence[int]) -> list[tuple[str, int]]:
    """The channels whose units stand in `row`, and their columns. Raises Strange for one that is not in volts."""
    volts = []
    longest = max(len(names), len(units))
    for column, (name, unit) in enumerate(zip(_padded(names, longest), _padded(units, longest), strict=True)):
        if column == 0 or column in explained or not (name or unit):
            continue
        if not name:
            raise Strange(row, f"has a column {column + 1} that no row above names")
        if unit.lower() not in _VOLT_WORDS:
            raise no_volts(row, names, column)
        volts.append((name, column))
    return volts


def _padded(cells: Cells, longest: int) -> Cells:
    return [*cells, *[""] * (longest - len(cells))]
