"""Where time, channels and units stand in the CSV files that scopes write to a USB stick.

Every layout is known from public material only; no file came from an instrument of ours. Facts of layout, by family:

- DS1000Z, MSO1000Z: index, start and increment, quoted alike of a DS1054Z in several public repositories; digital columns
  stand between the channels and `Start`, without a unit.
- MSO5000, DHO800, DHO900: screen (`Time(s),CH1V`) and memory (`CH1V,t0 = -25s, tInc = 2e-06s,`), with the unit in
  brackets or without, quoted of an MSO5074 in a public repository. That all channels share one time axis, and that DHO
  writes the same, is unverified.
- SDS1000X-E and older: `Second,Volt` below a preamble, `Source` or both (sample of an SDS1104X-E in the README of a
  public repository). With several channels in one file unverified without `Source`.
- SDS of the new dialect: `Second,Value` below a preamble with `Vertical Units` (samples in public repositories). With
  several channels unverified.
- InfiniiVision: `x-axis,1,2` above `second,Volt,Volt` (samples in several public repositories). The line
  `points/segment = N` of segmented memory is refused.
- TDS, TPS, TBS: the preamble stands in the left columns, beside the samples; one file a channel (sample of a TPS2024).
- MSO, DPO, MDO: the preamble ends in `TIME,CH1,…`; a digital group follows after an empty column (samples of an MDO3014
  and an MDO4014B).
- RTM20xx `[s],CH1[V]` (user manual 1317.4726.02, p. 228), RTC1000 `in s,CH1 in V` (user manual 1335.7352.02, p. 101),
  RTB2000 `in s,C1 in V` (sample in a public repository). HMO: from memory, as RTM20xx.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from .capture_limits import MOST_CHANNELS, shown, unreadable

Cells = list[str]

LONGEST_PREAMBLE_ROWS = 64
MOST_SECONDS = 1e6
NUMBER = re.compile(r"\s*[+-]?(\d+(\.\d*)?|\.\d+)(e[+-]?\d+)?\s*", re.ASCII | re.IGNORECASE)

_CHANNEL = re.compile(r"(?:X\()?(?:CHAN(?:NEL)?|CH|C|)0?([1-9]\d?)\)?", re.IGNORECASE)
_VOLTS_IN_NAME = re.compile(r"(C(?:H|HAN)?\d\d?)\s*(?:\(V\)|\[V\]|in V|V)", re.IGNORECASE)
_SECONDS_IN_HEADER = ("time(s)", "[s]", "in s")
_NAMED_VALUE = re.compile(r"(CH\d\d?):\s*([^\s,:]+)", re.IGNORECASE)
_SECONDS = re.compile(r"(?:t0|tInc)\s*=\s*([^\s]+?)s?", re.IGNORECASE)
_NAMES_ABOVE_UNITS = ("x-axis", "x", "time", "source")
_VOLT_WORDS = ("volt", "volts", "v", "value")

DO_EXPORT = (
    "export the channels' waveforms as CSV, or put one header row (time, then the channels' names) above numbers"
)


@dataclass(frozen=True)
class Layout:
    """Where a row of samples holds what; columns and rows count from 0.

    Time in seconds is `start_s + step_s` times what stands in the time column, or times the number of the sample where
    there is no such column. Every row has `cells` cells, as `cells_of` has, which says so in messages.
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

    @property
    def columns_read(self) -> tuple[int, ...]:
        """The channels' columns, then the time column if there is one."""
        return self.columns if self.time_column is None else (*self.columns, self.time_column)


class _Strange(ValueError):
    """A row that a layout begun above it cannot have: its index and what is wrong with it."""

    def __init__(self, row: int, what: str) -> None:
        super().__init__(what)
        self.row = row


def scope_layout(path: Path, head: Sequence[str]) -> Layout | None:
    """The layout of the scope whose export begins with the lines `head`, or None where none is recognised.

    Raises UnreadableInput, with the line, where one is recognised but a line of it cannot be.
    """
    rows = [_cells(line) for line in head[:LONGEST_PREAMBLE_ROWS]]
    if not rows:
        return None
    try:
        for find in LAYOUTS:
            layout = find(rows)
            if layout is not None:
                return _checked(rows, layout)
    except _Strange as error:
        line = shown(head[error.row], 60) if error.row < len(head) else "the end of the file"
        raise unreadable(path, f"row {error.row + 1}, {line}, {error}", DO_EXPORT) from None
    return None


def _index_start_increment(rows: Sequence[Cells]) -> Layout | None:
    """`X,CH1,Start,Increment,` above `Sequence,Volt,-6e-02,2e-05`: time is start + index times increment."""
    names = [cell.lower() for cell in rows[0]]
    if names[0] != "x" or "start" not in names or "increment" not in names:
        return None
    units = rows[1] if len(rows) > 1 else []
    start, increment = names.index("start"), names.index("increment")
    if len(units) <= max(start, increment):
        raise _Strange(1, "lacks the start and the increment of time")
    volts = [column for column in range(1, start) if units[column].lower() in _VOLT_WORDS]
    return _layout(
        rows, [(rows[0][column], column) for column in volts], 2,
        start_s=_number(units[start], 1), step_s=_number(units[increment], 1),
    )  # fmt: skip


def _start_in_header(rows: Sequence[Cells]) -> Layout | None:
    """`CH1(V),CH2(V),t0 = -25s, tInc = 2e-06s,` above volts alone."""
    times = {cell[:2].lower(): cell for cell in rows[0] if _SECONDS.fullmatch(cell)}
    if times.keys() != {"t0", "ti"}:
        return None
    start_s, step_s = (_number(_SECONDS.fullmatch(times[key])[1], 0) for key in ("t0", "ti"))  # type: ignore[index]
    return _layout(rows, _with_unit_in_name(rows[0], 0), 1, time_column=None, start_s=start_s, step_s=step_s)


def _units_in_header(rows: Sequence[Cells]) -> Layout | None:
    """`Time(s),CH1V`, `[s],CH1[V]` or `in s,C1 in V`."""
    if rows[0][0].lower() not in _SECONDS_IN_HEADER:
        return None
    return _layout(rows, _with_unit_in_name(rows[0], 1), 1)


def _units_below_names(rows: Sequence[Cells]) -> Layout | None:
    """`Second,Volt,Volt` as the last row of a preamble, with the names in the row above or in `Vertical Scale`."""
    row = next((row for row, cells in enumerate(rows) if cells[0].lower() == "second"), None)
    if row is None:
        return None
    names = rows[row - 1] if row and rows[row - 1][0].lower() in _NAMES_ABOVE_UNITS else []
    if not names:
        names = ["", *(name for name, _ in _named_values(rows, row, "vertical scale"))]
    if row and rows[0][0].lower().startswith("points/segment"):
        raise _Strange(0, "says that the file holds several records")
    units = dict(_named_values(rows, row, "vertical units"))
    volts = [
        (name, column)
        for column, (name, unit) in enumerate(zip(names, rows[row], strict=False))
        if column and unit.lower() in _VOLT_WORDS and units.get(name.upper(), "V").upper() == "V"
    ]
    return _layout(rows, volts, row + 1)


def _names_below_preamble(rows: Sequence[Cells]) -> Layout | None:
    """`Model,…` down to `TIME,CH1,CH2`; the first group of columns, as far as an empty cell."""
    if rows[0][0].lower() != "model":
        return None
    row = next((row for row, cells in enumerate(rows) if cells[0].upper() == "TIME"), None)
    if row is None:
        raise _Strange(0, "begins a preamble that no row with TIME ends")
    named = _by_name(rows[:row])
    _demand_seconds(rows, named)
    units = _row_named(rows, named, "vertical units")
    group = [*rows[row], ""]
    volts = [
        (group[column], column)
        for column in range(1, group.index(""))
        if (units[column] if column < len(units) else "V").upper() == "V"
    ]
    return _layout(rows, volts, row + 1)


def _preamble_beside_samples(rows: Sequence[Cells]) -> Layout | None:
    """`Record Length,2.5e+03,,-0.25,2.0,`: preamble in the first three columns, time and volts in the next two."""
    first = rows[0]
    if first[0].lower() != "record length" or len(first) < 5 or not all(NUMBER.fullmatch(cell) for cell in first[3:5]):
        return None
    named = _by_name(rows)
    _demand_seconds(rows, named)
    source = named.get("source", 0)
    if not source or len(rows[source]) < 2:
        raise _Strange(0, "begins a preamble that names no Source")
    units = named.get("vertical units", 0)
    if units and rows[units][1:2] != ["V"]:
        raise _Strange(units, "is not of volts")
    return _layout(rows, [(rows[source][1], 4)], 0, time_column=3)


LAYOUTS: tuple[Callable[[Sequence[Cells]], Layout | None], ...] = (
    _index_start_increment,
    _start_in_header,
    _units_in_header,
    _units_below_names,
    _names_below_preamble,
    _preamble_beside_samples,
)


def _cells(line: str) -> Cells:
    return [cell.strip() for cell in line.split(",")]


def _layout(
    rows: Sequence[Cells],
    volts: Sequence[tuple[str, int]],
    first_row: int,
    *,
    time_column: int | None = 0,
    start_s: float = 0.0,
    step_s: float = 1.0,
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
    )


def _checked(rows: Sequence[Cells], layout: Layout) -> Layout:
    """The layout, if it can be of use. Raises _Strange."""
    header = max(layout.first_row - 1, 0)
    if not layout.names:
        raise _Strange(header, "names no channel in volts")
    if len(layout.names) > MOST_CHANNELS:
        raise _Strange(header, f"names {len(layout.names):,} channels where {MOST_CHANNELS} are the most")
    if len(set(layout.names)) < len(layout.names):
        raise _Strange(header, "names a channel twice")
    if not layout.cells:
        raise _Strange(len(rows), "ends the file before any sample")
    first = rows[layout.first_row]
    if max(layout.columns_read) >= layout.cells or not all(NUMBER.fullmatch(first[at]) for at in layout.columns_read):
        raise _Strange(layout.first_row, "is no row of samples as the rows above announce it")
    return layout


def _with_unit_in_name(cells: Cells, begin: int) -> list[tuple[str, int]]:
    """The channels, without their unit, and their columns; what is not in volts is left out."""
    found = [(_VOLTS_IN_NAME.fullmatch(cell), column) for column, cell in enumerate(cells) if column >= begin]
    return [(match[1], column) for match, column in found if match]


def _by_name(rows: Sequence[Cells]) -> dict[str, int]:
    """The rows of a preamble by the first cell, lower case."""
    return {cells[0].lower(): row for row, cells in reversed(list(enumerate(rows))) if cells[0]}


def _row_named(rows: Sequence[Cells], named: dict[str, int], name: str) -> Cells:
    return rows[named[name]] if name in named else []


def _named_values(rows: Sequence[Cells], end: int, name: str) -> list[tuple[str, str]]:
    """`CH1:V` and the like in the row of that name above row `end`: channel, upper case, and value."""
    line = ",".join(_row_named(rows, _by_name(rows[:end]), name))
    return [(match[1].upper(), match[2]) for match in _NAMED_VALUE.finditer(line)]


def _demand_seconds(rows: Sequence[Cells], named: dict[str, int]) -> None:
    """A spectrum is exported in the same layout, with hertz. Raises _Strange."""
    row = named.get("horizontal units")
    if row is not None and rows[row][1:2] != ["s"]:
        raise _Strange(row, "is not of seconds")


def _number(cell: str, row: int) -> float:
    if not NUMBER.fullmatch(cell) or not abs(float(cell)) <= MOST_SECONDS:
        raise _Strange(row, f"has {shown(cell)} where the time of the samples belongs")
    return float(cell)
