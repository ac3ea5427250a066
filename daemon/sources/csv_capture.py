"""A capture from comma-separated text: a scope's own export, or a header row above time in seconds and volts."""

from collections.abc import Container, Iterator
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import Capture
from ...drivers.errors import UnreadableInput
from ..measure.hookup import SYNC_ROLES
from .capture_limits import LONGEST_SAMPLE_S, MOST_VALUES, MOST_VOLTS, SHORTEST_SAMPLE_S, shown, unreadable
from .csv_columns import NUMBER, Layout
from .csv_header import DO_COMMAS, plain_layout
from .csv_layouts import MOST_SECONDS, scope_layout
from .printed import printed_unit
from .volts_to_codes import record_of_volts

BLOCK_BYTES = 8 << 20
UNEVEN_SAMPLES = 0.1
"""How far a time may lie off the straight line, beside the unit of its last printed digit."""

DO_NUMBERS = "every row below the header needs one plain number a column"
DO_ONE_RECORD = "export one uninterrupted record, all samples at one rate"


def read_csv(path: Path, file: IO[bytes], sync_channels: Container[str]) -> Capture:
    """The capture in `file`, open at its start. Clipping of `sync_channels` is not judged. Raises UnreadableInput."""
    layout, table = _table(path, file)
    first_sample_s, seconds_per_sample = _time(path, layout, table)
    channels = tuple(
        record_of_volts(
            name,
            np.ascontiguousarray(table[:, column]),
            judge_clipping=name not in sync_channels and name.lower() not in SYNC_ROLES,
        )
        for column, name in enumerate(layout.names)
    )
    return Capture(channels, seconds_per_sample, first_sample_s, identity=path.name, captured_at_ns=0)


def _table(path: Path, file: IO[bytes]) -> tuple[Layout, NDArray[np.float64]]:
    """The layout, and what the channels' columns hold, then the time column's, shape (rows, columns)."""
    layout: Layout | None = None
    parts: list[NDArray[np.float64]] = []
    next_row, empty_row, values = 1, 0, 0  # rows as a text editor counts them
    for lines in _blocks_of_lines(path, file):
        if layout is None:
            layout = scope_layout(path, lines) or plain_layout(path, lines[0])
            del lines[: layout.first_row]
            next_row += layout.first_row
        kept = len(lines)
        while kept and not lines[kept - 1].strip():
            kept -= 1
        if kept and empty_row:
            raise unreadable(path, f"row {empty_row} is empty", "remove it, or export the record again")
        if kept:
            parts.append(_numbers(path, lines[:kept], next_row, layout))
        if kept < len(lines) and not empty_row:
            empty_row = next_row + kept
        next_row += len(lines)
        values += kept * len(layout.columns)
        if values > MOST_VALUES:
            raise unreadable(path, f"it holds more than {MOST_VALUES:,} values", "cut it into shorter records")
    rows = sum(len(part) for part in parts)
    if layout is None or rows < 2:
        raise unreadable(
            path, f"it holds {rows or 'no'} row{'s' * (rows != 1)} of samples", "a capture needs two at least"
        )
    return layout, np.concatenate(parts)


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


def _numbers(path: Path, lines: list[str], first_row: int, layout: Layout) -> NDArray[np.float64]:
    """The numbers of some rows, shape (rows, channels and time)."""
    columns = layout.columns_read
    try:
        numbers: NDArray[np.float64] = np.loadtxt(
            lines, delimiter=",", comments=None, dtype=np.float64, usecols=columns, ndmin=2
        )
    except ValueError as error:
        raise _fault_of_rows(path, lines, first_row, layout) from error
    commas = {line.count(",") for line in lines}
    if numbers.shape != (len(lines), len(columns)) or commas != {layout.cells - 1}:
        raise _fault_of_rows(path, lines, first_row, layout)
    counted = layout.step_s != 1.0  # the time column holds numbers of samples, millions of them
    most = [MOST_VOLTS] * len(layout.columns) + [MOST_VALUES if counted else MOST_SECONDS] * (
        layout.time_column is not None
    )
    sound = np.abs(numbers) <= most  # false for NaN
    if not sound.all():
        row, column = (int(index) for index in np.argwhere(~sound)[0])
        held = shown(lines[row].split(",")[columns[column]])
        what = f"row {first_row + row}, column {_called(layout, columns[column])}, holds {held}"
        raise unreadable(path, what, "only finite seconds and volts can be measured; export the record again")
    return numbers


def _called(layout: Layout, column: int) -> str:
    """A column as a message names it."""
    return shown(layout.names[layout.columns.index(column)] if column in layout.columns else layout.time_name)


def _fault_of_rows(path: Path, lines: list[str], first_row: int, layout: Layout) -> UnreadableInput:
    """The error that names the first row that is not one plain number a column."""
    for row, line in enumerate(lines, start=first_row):
        cells = line.split(",")
        if not line.strip():
            return unreadable(path, f"row {row} is empty", "remove it, or export the record again")
        if len(cells) != layout.cells:
            what = (
                f"row {row} has {len(cells)} column{'s' * (len(cells) != 1)} where {layout.cells_of} has {layout.cells}"
            )
            twice = len(cells) == 2 * layout.cells or ";" in line
            return unreadable(path, f"{what}: {shown(line, 60)}", DO_COMMAS if twice else DO_NUMBERS)
        for column in sorted(layout.columns_read):
            cell = cells[column]
            if not NUMBER.fullmatch(cell):
                what = (
                    f"row {row}, column {_called(layout, column)}, holds {shown(cell)}, not a number: {shown(line, 60)}"
                )
                return unreadable(path, what, "export without quotation marks" if '"' in cell else DO_NUMBERS)
    return unreadable(path, f"rows {first_row} to {first_row + len(lines) - 1} are no table of numbers", DO_NUMBERS)


def _time(path: Path, layout: Layout, table: NDArray[np.float64]) -> tuple[float, float]:
    """The time of the first sample and the time from one to the next, in seconds."""
    first, step = 0.0, 1.0
    if layout.time_column is not None:
        first, step = _even_time(path, np.ascontiguousarray(table[:, -1]), layout.first_row + 1)
    step *= layout.step_s
    if not SHORTEST_SAMPLE_S <= step <= LONGEST_SAMPLE_S:
        raise unreadable(path, f"{step:g} s a sample cannot be", "the first column has to be time in seconds")
    return layout.start_s + layout.step_s * first, step


def _even_time(path: Path, time_s: NDArray[np.float64], first_row: int) -> tuple[float, float]:
    """The first time and the step, after the rule of uniformity; the first time stands in row `first_row`.

    Every time has to lie within 0.1 sample plus one unit of its last printed digit of the straight line from the first
    to the last. The ends of that line are printed no better than the rest, so the coarsest of the three units counts.
    """
    first, last = float(time_s[0]), float(time_s[-1])
    step = (last - first) / (time_s.size - 1)
    if _in_pairs(time_s):
        what = f"every time stands twice from row {first_row} on: pairs of extremes"
        raise unreadable(path, what, "switch peak detect off and export the record again")
    if step > 0.0:
        unit = printed_unit(time_s)
        allowed = UNEVEN_SAMPLES * step + np.maximum(unit, max(unit[0], unit[-1]))
        off = np.abs(time_s - np.linspace(first, last, time_s.size))
        if np.any(off > allowed) or np.any(np.diff(time_s) < 0.0):
            raise unreadable(path, _fault_of_time(time_s, off - allowed, step, first_row), DO_ONE_RECORD)
    elif step == 0.0:
        rows = f"row {first_row} and row {first_row + time_s.size - 1}"
        raise unreadable(path, f"time stands still: {rows} both say {first:g} s", DO_ONE_RECORD)
    else:
        raise unreadable(path, _fault_of_time(time_s, -time_s, step, first_row), DO_ONE_RECORD)
    return first, step


def _in_pairs(time_s: NDArray[np.float64]) -> bool:
    """Whether every time occurs exactly twice, as scopes write the least and greatest sample of an interval."""
    if time_s.size < 4 or time_s.size % 2:
        return False
    return bool(np.all(time_s[::2] == time_s[1::2]) and np.all(np.diff(time_s[::2]) > 0.0))


def _fault_of_time(time_s: NDArray[np.float64], beyond: NDArray[np.float64], step: float, first_row: int) -> str:
    """What is wrong with times that are not uniform; `beyond` is how far each is over what is allowed."""
    steps = np.diff(time_s)
    backwards = np.flatnonzero(steps < 0.0)
    if backwards.size:
        at = int(backwards[0])
        return f"time runs backwards from row {at + first_row} to row {at + first_row + 1}"
    usual = float(np.median(steps))
    at = int(np.argmax(steps))
    if steps[at] > 1.5 * usual:
        return f"time has a gap from row {at + first_row} to row {at + first_row + 1}: {steps[at]:.3g} s where {usual:.3g} s is usual"
    at = int(np.argmax(beyond))
    return f"time is not uniform: row {at + first_row} is off by more than {UNEVEN_SAMPLES} of a sample of {step:.3g} s"
