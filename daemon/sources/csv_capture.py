"""A capture from comma-separated text: a header row, time in seconds first, then volts at the probe tip."""

import re
from collections.abc import Container, Iterator
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import Capture
from ...drivers.errors import UnreadableInput
from ..measure.hookup import SYNC_ROLES
from .capture_limits import (
    LONGEST_SAMPLE_S,
    MOST_CHANNELS,
    MOST_VALUES,
    MOST_VOLTS,
    SHORTEST_SAMPLE_S,
    fault_of_name,
    shown,
    unreadable,
)
from .printed import printed_unit
from .volts_to_codes import record_of_volts

BLOCK_BYTES = 8 << 20
UNEVEN_SAMPLES = 0.1
"""How far a time may lie off the straight line, beside the unit of its last printed digit."""

NUMBER = re.compile(r"\s*[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?\s*", re.ASCII | re.IGNORECASE)

DO_HEADER = "put one header row first: time, then the channels' names"
DO_COMMAS = "export with commas between the columns and points in the numbers"
DO_NUMBERS = "every row below the header needs one plain number a column"
DO_ONE_RECORD = "export one uninterrupted record, all samples at one rate"


def read_csv(path: Path, file: IO[bytes], sync_channels: Container[str]) -> Capture:
    """The capture in `file`, open at its start. Clipping of `sync_channels` is not judged. Raises UnreadableInput."""
    names, table = _table(path, file)
    first_sample_s, seconds_per_sample = _even_time(path, np.ascontiguousarray(table[:, 0]))
    channels = tuple(
        record_of_volts(
            name,
            np.ascontiguousarray(table[:, column]),
            judge_clipping=name not in sync_channels and name.lower() not in SYNC_ROLES,
        )
        for column, name in enumerate(names[1:], start=1)
    )
    return Capture(channels, seconds_per_sample, first_sample_s, identity=path.name, captured_at_ns=0)


def _table(path: Path, file: IO[bytes]) -> tuple[list[str], NDArray[np.float64]]:
    """The names of all columns, and their numbers, shape (rows, columns)."""
    names: list[str] = []
    parts: list[NDArray[np.float64]] = []
    next_row, empty_row = 1, 0  # as a text editor counts them
    for lines in _blocks_of_lines(path, file):
        if not names:
            names = _names(path, lines.pop(0))
            next_row = 2
        kept = len(lines)
        while kept and not lines[kept - 1].strip():
            kept -= 1
        if kept and empty_row:
            raise unreadable(path, f"row {empty_row} is empty", "remove it, or export the record again")
        if kept:
            parts.append(_numbers(path, lines[:kept], next_row, names))
        if kept < len(lines) and not empty_row:
            empty_row = next_row + kept
        next_row += len(lines)
        if (next_row - 2) * (len(names) - 1) > MOST_VALUES:
            raise unreadable(path, f"it holds more than {MOST_VALUES:,} values", "cut it into shorter records")
    rows = sum(len(part) for part in parts)
    if rows < 2:
        raise unreadable(
            path, f"it holds {rows or 'no'} row{'s' * (rows != 1)} of samples", "a capture needs two at least"
        )
    return names, np.concatenate(parts)


def _blocks_of_lines(path: Path, file: IO[bytes]) -> Iterator[list[str]]:
    """The lines of the file, some megabytes at a time, without their ends."""
    offset, rest = 0, b""
    while chunk := file.read(BLOCK_BYTES):
        whole, newline, after = (rest + chunk).rpartition(b"\n")
        if newline:
            yield _decoded(path, whole, offset).split("\n")
            offset += len(whole) + 1
        rest = after
        if len(rest) >= BLOCK_BYTES:
            raise unreadable(path, f"a row is longer than {BLOCK_BYTES >> 20} MiB", "is this a CSV file of a capture?")
    if rest:
        yield _decoded(path, rest, offset).split("\n")


def _decoded(path: Path, data: bytes, offset: int) -> str:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        where = offset + error.start
        what = f"byte {data[error.start]:#04x} at offset {where:,} is not UTF-8 text"
        raise unreadable(path, what, "export the capture as plain CSV text in UTF-8") from None
    return text.removeprefix("\ufeff") if offset == 0 else text


def _names(path: Path, header: str) -> list[str]:
    """The names of the columns, time first."""
    cells = [cell.strip() for cell in header.split(",")]
    fault = _fault_of_header(header, cells)
    if fault:
        raise unreadable(path, *fault)
    return cells


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
    return None


def _numbers(path: Path, lines: list[str], first_row: int, names: list[str]) -> NDArray[np.float64]:
    """The numbers of some rows, shape (rows, columns)."""
    try:
        numbers: NDArray[np.float64] = np.loadtxt(lines, delimiter=",", comments=None, dtype=np.float64, ndmin=2)
    except ValueError as error:
        raise _fault_of_rows(path, lines, first_row, names) from error
    if numbers.shape != (len(lines), len(names)):
        raise _fault_of_rows(path, lines, first_row, names)
    sound = np.abs(numbers) <= MOST_VOLTS  # false for NaN
    if not sound.all():
        row, column = (int(index) for index in np.argwhere(~sound)[0])
        held = shown(lines[row].split(",")[column])
        what = f"row {first_row + row}, column {shown(names[column])}, holds {held}"
        raise unreadable(path, what, "only finite seconds and volts can be measured; export the record again")
    return numbers


def _fault_of_rows(path: Path, lines: list[str], first_row: int, names: list[str]) -> UnreadableInput:
    """The error that names the first row that is not one plain number a column."""
    for row, line in enumerate(lines, start=first_row):
        cells = line.split(",")
        if not line.strip():
            return unreadable(path, f"row {row} is empty", "remove it, or export the record again")
        if len(cells) != len(names):
            what = f"row {row} has {len(cells)} column{'s' * (len(cells) != 1)} where the header has {len(names)}"
            return unreadable(path, what, DO_COMMAS if len(cells) == 2 * len(names) or ";" in line else DO_NUMBERS)
        for name, cell in zip(names, cells, strict=True):
            if not NUMBER.fullmatch(cell):
                what = f"row {row}, column {shown(name)}, holds {shown(cell)}, not a number"
                return unreadable(path, what, "export without quotation marks" if '"' in cell else DO_NUMBERS)
    return unreadable(path, f"rows {first_row} to {first_row + len(lines) - 1} are no table of numbers", DO_NUMBERS)


def _even_time(path: Path, time_s: NDArray[np.float64]) -> tuple[float, float]:
    """The first time and the step, after the rule of uniformity.

    Every time has to lie within 0.1 sample plus one unit of its last printed digit of the straight line from the first
    to the last. The ends of that line are printed no better than the rest, so the coarsest of the three units counts.
    """
    first, last = float(time_s[0]), float(time_s[-1])
    step = (last - first) / (time_s.size - 1)
    if step > 0.0:
        unit = printed_unit(time_s)
        allowed = UNEVEN_SAMPLES * step + np.maximum(unit, max(unit[0], unit[-1]))
        off = np.abs(time_s - np.linspace(first, last, time_s.size))
        if np.any(off > allowed) or np.any(np.diff(time_s) < 0.0):
            raise unreadable(path, _fault_of_time(time_s, off - allowed, step), DO_ONE_RECORD)
    elif step == 0.0:
        raise unreadable(
            path, f"time stands still: row 2 and row {time_s.size + 1} both say {first:g} s", DO_ONE_RECORD
        )
    else:
        raise unreadable(path, _fault_of_time(time_s, -time_s, step), DO_ONE_RECORD)
    if not SHORTEST_SAMPLE_S <= step <= LONGEST_SAMPLE_S:
        raise unreadable(path, f"{step:g} s a sample cannot be", "the first column has to be time in seconds")
    return first, step


def _fault_of_time(time_s: NDArray[np.float64], beyond: NDArray[np.float64], step: float) -> str:
    """What is wrong with times that are not uniform; `beyond` is how far each is over what is allowed."""
    steps = np.diff(time_s)
    backwards = np.flatnonzero(steps < 0.0)
    if backwards.size:
        at = int(backwards[0])
        return f"time runs backwards from row {at + 2} to row {at + 3}"
    usual = float(np.median(steps))
    at = int(np.argmax(steps))
    if steps[at] > 1.5 * usual:
        return f"time has a gap from row {at + 2} to row {at + 3}: {steps[at]:.3g} s where {usual:.3g} s is usual"
    at = int(np.argmax(beyond))
    return f"time is not uniform: row {at + 2} is off by more than {UNEVEN_SAMPLES} of a sample of {step:.3g} s"
