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

Every column is read, or the file is refused with the line; the columns of digital inputs alone, which hold no volts, are left
out. A header row straight above numbers that fits none of this, or half of it, is a plain one (`csv_header`).
"""

import re
from collections.abc import Callable, Sequence
from pathlib import Path

from .capture_limits import MOST_CHANNELS, shown, unreadable
from .csv_columns import (
    DIGITAL,
    NUMBER,
    Cells,
    Layout,
    Strange,
    cells_of_line,
    holds_numbers,
    layout_of,
    no_volts,
    volts_by_units,
    with_unit_in_name,
)

LONGEST_PREAMBLE_ROWS = 64
MOST_SECONDS = 1e6

_OTHER_UNIT_IN_NAME = re.compile(r"C(?:H|HAN)?\d\d?\s*(?:[muµμk]V|m?A|m?W|dB[mV]?|%)")
_EXTREMES_IN_NAME = re.compile(r"C(?:H|HAN)?\d\d?\s*(?:min|max)\b.*", re.IGNORECASE)
_SECONDS_IN_HEADER = ("time(s)", "[s]", "in s")
_NAMED_VALUE = re.compile(r"(CH\d\d?):\s*([^\s,:]+)", re.IGNORECASE)
_TIME_IN_HEADER = re.compile(r"(t0|tInc)\s*=\s*(\S+?)\s*([pnuµμm]?s)?", re.IGNORECASE)
_SECONDS_IN_CASEFOLDED = {"": 1.0, "s": 1.0, "ms": 1e-3, "us": 1e-6, "μs": 1e-6, "ns": 1e-9, "ps": 1e-12}
_NAMES_ABOVE_UNITS = ("x-axis", "x", "time", "source")

DO_EXPORT = "export the channels' waveforms, in volts, as CSV, or put one header row (time, then the channels' names) above numbers"


def scope_layout(path: Path, head: Sequence[str]) -> Layout | None:
    """The layout of the scope whose export begins with the lines `head`, or None where none is recognised.

    Raises UnreadableInput, with the line, where one is recognised but a line of it cannot be.
    """
    rows = [cells_of_line(line) for line in head[:LONGEST_PREAMBLE_ROWS]]
    if not rows:
        return None
    try:
        for find in HEADER_ROWS if len(rows) > 1 and holds_numbers(rows[1]) else LAYOUTS:
            layout = find(rows)
            if layout is not None:
                return _checked(rows, layout)
    except Strange as error:
        line = shown(head[error.row], 60) if error.row < len(head) else "the end of the file"
        raise unreadable(path, f"row {error.row + 1}, {line}, {error}", DO_EXPORT) from None
    return None


def _start_in_header(rows: Sequence[Cells]) -> Layout | None:
    """`CH1(V),CH2(V),t0 = -25s, tInc = 2e-06s,` above volts alone."""
    times = {
        match[1].lower(): (column, match)
        for column, cell in enumerate(rows[0])
        if (match := _TIME_IN_HEADER.fullmatch(cell))
    }
    if times.keys() != {"t0", "tinc"}:
        return None
    start_s, step_s = (
        _number(match[2], 0) * _SECONDS_IN_CASEFOLDED[(match[3] or "").casefold()]
        for _, match in (times["t0"], times["tinc"])
    )
    volts, digital, others = with_unit_in_name(
        rows[0], set(range(len(rows[0]))) - {column for column, _ in times.values()}
    )
    if others:
        raise no_volts(0, rows[0], others[0])
    return layout_of(rows, volts, 1, time_column=None, start_s=start_s, step_s=step_s, left_out=digital)


def _units_in_header(rows: Sequence[Cells]) -> Layout | None:
    """`Time(s),CH1V`, `[s],CH1[V]` or `in s,C1 in V`, all columns alike: others have names of their own."""
    if rows[0][0].lower() not in _SECONDS_IN_HEADER:
        return None
    volts, digital, others = with_unit_in_name(rows[0], range(1, len(rows[0])))
    for column in others:
        if _OTHER_UNIT_IN_NAME.fullmatch(rows[0][column]):
            raise no_volts(0, rows[0], column)
        if _EXTREMES_IN_NAME.fullmatch(rows[0][column]):
            raise Strange(0, f"has extremes in column {column + 1} instead of samples")
    return layout_of(rows, volts, 1, left_out=digital) if volts and not others else None


def _index_start_increment(rows: Sequence[Cells]) -> Layout | None:
    """`X,CH1,Start,Increment,` above `Sequence,Volt,-6e-02,2e-05`: time is start + index times increment."""
    names = [cell.lower() for cell in rows[0]]
    if names[0] != "x" or "start" not in names or "increment" not in names:
        return None
    units = rows[1] if len(rows) > 1 else []
    start, increment = names.index("start"), names.index("increment")
    if len(units) <= max(start, increment):
        raise Strange(1, "lacks the start and the increment of time")
    digital = [
        column
        for column, name in enumerate(rows[0])
        if DIGITAL.fullmatch(name) and not "".join(units[column : column + 1])
    ]
    explained = (start, increment, *digital)
    return layout_of(
        rows, volts_by_units(rows[0], units, 1, explained), 2,
        start_s=_number(units[start], 1), step_s=_number(units[increment], 1), left_out=explained,
    )  # fmt: skip


def _units_below_names(rows: Sequence[Cells]) -> Layout | None:
    """`Second,Volt,Volt` as the last row of a preamble, with the names in the row above or in `Vertical Scale`."""
    row = next((row for row, cells in enumerate(rows) if cells[0].lower() == "second"), 0)
    if row == 0:
        return None
    if rows[0][0].lower().startswith("points/segment"):
        raise Strange(0, "says that the file holds several records")
    names = rows[row - 1]
    if names[0].lower() not in _NAMES_ABOVE_UNITS:
        names = ["", *(name for name, _ in _named_values(rows, row, "vertical scale"))]
    volts = volts_by_units(names, rows[row], row, ())
    units = dict(_named_values(rows, row, "vertical units"))
    for name, column in volts:
        if units.get(name.upper(), "V").upper() != "V":
            raise no_volts(_by_name(rows)["vertical units"], names, column)
    return layout_of(rows, volts, row + 1)


def _names_below_preamble(rows: Sequence[Cells]) -> Layout | None:
    """`Model,…` down to `TIME,CH1,CH2`; after an empty cell a group of digital inputs, with a time of its own."""
    if rows[0][0].lower() != "model":
        return None
    row = next((row for row, cells in enumerate(rows) if cells[0].upper() == "TIME"), None)
    if row is None:
        raise Strange(0, "begins a preamble that no row with TIME ends")
    named = _by_name(rows[:row])
    _demand_seconds(rows, named)
    units = _row_named(rows, named, "vertical units")
    names = rows[row]
    end = [*names, ""].index("")
    for column in range(1, min(end, len(units))):
        if units[column].upper() != "V":
            raise no_volts(named["vertical units"], names, column)
    for column in range(end, len(names)):
        if names[column] and names[column].upper() != "TIME" and not DIGITAL.fullmatch(names[column]):
            raise no_volts(row, names, column)
    volts = [(names[column], column) for column in range(1, end)]
    return layout_of(rows, volts, row + 1, left_out=range(end, len(names)))


def _preamble_beside_samples(rows: Sequence[Cells]) -> Layout | None:
    """`Record Length,2.5e+03,,-0.25,2.0,`: preamble in the first three columns, time and volts in the next two."""
    first = rows[0]
    if first[0].lower() != "record length" or len(first) < 5 or not all(NUMBER.fullmatch(cell) for cell in first[3:5]):
        return None
    named = _by_name(rows)
    _demand_seconds(rows, named)
    source = named.get("source", 0)
    if not source or len(rows[source]) < 2:
        raise Strange(0, "begins a preamble that names no Source")
    units = named.get("vertical units", 0)
    if units and rows[units][1:2] not in (["V"], ["v"]):
        raise Strange(units, "is not of volts")
    return layout_of(rows, [(rows[source][1], 4)], 0, time_column=3, left_out=(0, 1, 2))


Find = Callable[[Sequence[Cells]], Layout | None]
HEADER_ROWS: tuple[Find, ...] = (_start_in_header, _units_in_header)
"""Of one row: these alone may stand straight above numbers."""
LAYOUTS: tuple[Find, ...] = (
    *HEADER_ROWS,
    _index_start_increment,
    _units_below_names,
    _names_below_preamble,
    _preamble_beside_samples,
)


def _checked(rows: Sequence[Cells], layout: Layout) -> Layout:
    """The layout, if it can be of use. Raises Strange."""
    header = max(layout.first_row - 1, 0)
    if not layout.names:
        raise Strange(header, "names no channel in volts")
    if len(layout.names) > MOST_CHANNELS:
        raise Strange(header, f"names {len(layout.names):,} channels where {MOST_CHANNELS} are the most")
    if len(set(layout.names)) < len(layout.names):
        raise Strange(header, "names a channel twice")
    if not layout.cells:
        raise Strange(len(rows), "ends the file before any sample")
    first = rows[layout.first_row]
    if max(layout.columns_read) >= layout.cells or not all(NUMBER.fullmatch(first[at]) for at in layout.columns_read):
        raise Strange(layout.first_row, "is no row of samples as the rows above announce it")
    for column, cell in enumerate(first):
        if cell and column not in (*layout.columns_read, *layout.left_out):
            raise Strange(layout.first_row, f"has a column {column + 1} of which the rows above say nothing")
    return layout


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
    """A spectrum is exported in the same layout, with hertz. Raises Strange."""
    row = named.get("horizontal units")
    if row is not None and rows[row][1:2] not in (["s"], ["S"]):
        raise Strange(row, "is not of seconds")


def _number(cell: str, row: int) -> float:
    if not NUMBER.fullmatch(cell) or not abs(float(cell)) <= MOST_SECONDS:
        raise Strange(row, f"has {shown(cell)} where the time of the samples belongs")
    return float(cell)
